"""General MIDI level 1: the names of its programs and of its drum notes.

Source: General MIDI System Level 1 (MIDI Manufacturers Association, 1991), the instrument patch
map and the percussion key map.
"""

from __future__ import annotations

from sonify.errors import InputError, close_matches

__all__ = ["DRUMS", "FAMILIES", "PROGRAMS", "drum_note", "program_number"]

PROGRAMS = tuple(
    """acoustic grand piano|bright acoustic piano|electric grand piano|honky-tonk piano
electric piano 1|electric piano 2|harpsichord|clavi|celesta|glockenspiel|music box|vibraphone
marimba|xylophone|tubular bells|dulcimer|drawbar organ|percussive organ|rock organ|church organ
reed organ|accordion|harmonica|tango accordion|acoustic guitar (nylon)|acoustic guitar (steel)
electric guitar (jazz)|electric guitar (clean)|electric guitar (muted)|overdriven guitar
distortion guitar|guitar harmonics|acoustic bass|electric bass (finger)|electric bass (pick)
fretless bass|slap bass 1|slap bass 2|synth bass 1|synth bass 2|violin|viola|cello|contrabass
tremolo strings|pizzicato strings|orchestral harp|timpani|string ensemble 1|string ensemble 2
synthstrings 1|synthstrings 2|choir aahs|voice oohs|synth voice|orchestra hit|trumpet|trombone
tuba|muted trumpet|french horn|brass section|synthbrass 1|synthbrass 2|soprano sax|alto sax
tenor sax|baritone sax|oboe|english horn|bassoon|clarinet|piccolo|flute|recorder|pan flute
blown bottle|shakuhachi|whistle|ocarina|lead 1 (square)|lead 2 (sawtooth)|lead 3 (calliope)
lead 4 (chiff)|lead 5 (charang)|lead 6 (voice)|lead 7 (fifths)|lead 8 (bass + lead)
pad 1 (new age)|pad 2 (warm)|pad 3 (polysynth)|pad 4 (choir)|pad 5 (bowed)|pad 6 (metallic)
pad 7 (halo)|pad 8 (sweep)|fx 1 (rain)|fx 2 (soundtrack)|fx 3 (crystal)|fx 4 (atmosphere)
fx 5 (brightness)|fx 6 (goblins)|fx 7 (echoes)|fx 8 (sci-fi)|sitar|banjo|shamisen|koto|kalimba
bag pipe|fiddle|shanai|tinkle bell|agogo|steel drums|woodblock|taiko drum|melodic tom|synth drum
reverse cymbal|guitar fret noise|breath noise|seashore|bird tweet|telephone ring|helicopter
applause|gunshot""".replace("\n", "|").split("|")
)

FAMILIES = (
    "Piano", "Chromatic percussion", "Organ", "Guitar", "Bass", "Strings", "Ensemble", "Brass",
    "Reed", "Pipe", "Synth lead", "Synth pad", "Synth effects", "Ethnic", "Percussive",
    "Sound effects",
)  # fmt: skip
"""The families of eight programs each."""

_FIRST_DRUM = 35
_DRUM_NAMES = """acoustic bass drum|bass drum 1|side stick|acoustic snare|hand clap
electric snare|low floor tom|closed hi hat|high floor tom|pedal hi-hat|low tom|open hi-hat
low-mid tom|hi-mid tom|crash cymbal 1|high tom|ride cymbal 1|chinese cymbal|ride bell
tambourine|splash cymbal|cowbell|crash cymbal 2|vibraslap|ride cymbal 2|hi bongo|low bongo
mute hi conga|open hi conga|low conga|high timbale|low timbale|high agogo|low agogo|cabasa
maracas|short whistle|long whistle|short guiro|long guiro|claves|hi wood block|low wood block
mute cuica|open cuica|mute triangle|open triangle""".replace("\n", "|").split("|")
DRUMS = {name: _FIRST_DRUM + n for n, name in enumerate(_DRUM_NAMES)}


def program_number(program: str | int, place: str = "program") -> int:
    """A program as the number 0 to 127 that is sent, from its name or its number 1 to 128.

    Raises
    ------
    InputError
        With the names that come close.
    """
    names = {name: n for n, name in enumerate(PROGRAMS, 1)}
    return _number(program, names, "program", (1, 128), place) - 1


def drum_note(drum: str | int, place: str = "drum") -> int:
    """A drum as a MIDI note number, from its name or that number.

    Raises
    ------
    InputError
        With the names that come close.
    """
    return _number(drum, DRUMS, "drum", (0, 127), place)


def _number(
    given: str | int, names: dict[str, int], what: str, limits: tuple[int, int], place: str
) -> int:
    low, high = limits
    if isinstance(given, int):
        if not low <= given <= high:
            raise InputError(
                f"there is no {what} {given}; they are numbered {low} to {high}", place=place
            )
        return given
    number = names.get(given.strip().casefold())
    if number is None:
        hint = f"; give a General MIDI name or a number from {low} to {high}"
        near = close_matches(given, names)
        raise InputError(f"there is no {what} '{given}'{near or hint}", place=place)
    return number
