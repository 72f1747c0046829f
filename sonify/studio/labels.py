"""The labels of the page's controls, and what each does in one line.

A setting without a row is labelled with its key. Its help is then the sentence of its class's
docstring that mentions it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

__all__ = ["CONTROLS", "FAMILIES", "WORDS", "Words"]


class Words(NamedTuple):
    """A control's label, help, step, unit, the range of its slider (the number beside it accepts
    every allowed value), and what its choices mean."""

    label: str
    help: str
    step: float | None = None
    unit: str = ""
    soft: tuple[float, float] | None = None
    choices: Mapping[str, str] | None = None


FAMILIES = (
    "Piano", "Chromatic percussion", "Organ", "Guitar", "Bass", "Strings", "Ensemble", "Brass",
    "Reed", "Pipe", "Synth lead", "Synth pad", "Synth effects", "Ethnic", "Percussive",
    "Sound effects",
)  # fmt: skip
"""The families of eight programs each (General MIDI System Level 1)."""

CONTROLS: dict[str, str] = {
    "music.root": "root",
    "music.scale": "scale",
    "music.step": "step",
    "music.metre": "metre",
    "music.voice": "skip",
    "voice.name": "skip",
    "voice.source": "source",
    "voice.program": "program",
    "voice.drum": "drum",
    "voice.pitch": "scheme",
    "voice.rhythm": "rules",
    "player.matrix.fill": "fill",
    "player.matrix.letters": "skip",
    "light.background": "colour",
    "geometry.keep-out": "skip",
    "fit.keep-out": "skip",
    "fit.clock-radius": "skip",
    "fit.first-row-radius": "skip",
    "fit.row-pitch": "skip",
    "sound.soundfont": "skip",
    "clip.font": "skip",
}
"""Settings with a special control, and those (`skip`) that only files can set."""

WORDS: dict[str, Words] = {
    # music
    "music.root": Words("Root", "The tonic of the scale; scale degrees count from it."),
    "music.scale": Words("Scale", "The notes that may sound; the keyboard shows them lit."),
    "music.step": Words("Step", "The note value of one position. It sets the notation; the speed "
                        "of the player sets how fast the notes come."),
    "music.timing": Words(
        "Timing", "What happens to the pause while the stage moves to the next row.",
        choices={"player": "as the player reads, with all pauses",
                 "bars": "pauses become whole beats, so each row starts on a bar line"},
    ),
    "music.concert-pitch": Words("Concert pitch", "The frequency of A4.", 0.5, "Hz"),
    "music.metre": Words("Metre", "The time signature. Auto finds one in which a row is a whole "
                         "number of bars."),
    # voices
    "voice.source": Words("Plays at", "The positions that give this voice a note."),
    "voice.program": Words("Instrument", "The General MIDI instrument."),
    "voice.drum": Words("Drum", "Plays this drum instead of pitches."),
    "voice.pitch": Words("Pitch scheme", "How a position on the disc becomes a note of the scale."),
    "voice.rhythm": Words("Rhythm rules", "Which notes sound, when they start and how long they "
                          "last. The rules apply in order, from the top."),
    "voice.velocity": Words("Velocity", "How hard the notes are struck, 1 to 127.", 1),
    "voice.octave": Words("Octave", "Transposes the voice by octaves.", 1, soft=(-3, 3)),
    "voice.channel": Words("Channel", "The MIDI channel, 1 to 16. Empty: the first free one.", 1),
    "voice.pan": Words("Pan", "-1 is left, 0 the middle, 1 right.", 0.1),
    "voice.volume": Words("Volume", "The level of the voice in the mix, 0 to 127.", 1),
    "voice.curves": Words("Curves", "How the velocity changes over a character, a row or the "
                          "piece, for example [{ over = \"row\", points = [0.6, 1, 0.6] }]."),
    "voice.rows": Words("Only rows", "For example 1-4, 7, 9- or odd. Empty: all."),
    "voice.positions": Words("Only positions", "For example 1-28 or even. Empty: all."),
    "voice.places": Words("Only bits", "Bits of a character, for example 1-3. Empty: all."),
    # player
    "player.rpm": Words("Speed", "Turns of the disc per minute.", 0.5, "rpm", (1, 60)),
    "player.row-start": Words(
        "Next row starts", "Where reading continues after the stage has moved.",
        choices={"index": "at the index mark: each row is read from its first position",
                 "next-position": "at the next position, wherever the disc is then"},
    ),
    "player.stage": Words("Stage move", "The time the stage takes to reach the next row.", 0.05,
                          "s", (0, 5)),
    "player.settle": Words("Settling time", "The wait between the move and reading.", 0.05, "s",
                           (0, 2)),
    "player.delay": Words("Detector delay", "How much later the data detector sees a hole than the "
                          "clock detector. Used to read logs; it moves no notes.", 0.001, "s",
                          (-0.1, 0.1)),
    "player.sample-at": Words("Sampling time", "When the player samples its data detector, "
                              "relative to the middle of the clock pulse. Used to read logs. "
                              "Empty: where the holes pass.", 0.001, "s", (-0.1, 0.1)),
    "player.sample-width": Words("Sampling window", "The share of a position that the player "
                                 "averages for a bit. Used to read logs. Empty: the default.",
                                 0.01, "", (0.01, 0.99)),
    "player.message-pause": Words("Pause before the message", "From the last bit to the first "
                                  "scrolling character.", 0.1, "s", (0, 10)),
    "player.matrix.width": Words("Matrix width", "The number of lamps per line.", 1, "", (8, 128)),
    "player.matrix.height": Words("Matrix height", "The number of lines.", 1, "", (1, 64)),
    "player.matrix.fill": Words("Fill", "The order in which bits light the lamps."),
    "player.matrix.scroll": Words("Scroll speed", "How fast the message scrolls.", 0.5,
                                  "columns/s", (2, 60)),
    # look
    "light.lamp": Words("Lit lamp", "The colour of a lamp that is on."),
    "light.unlit": Words("Unlit lamp", "The colour of a lamp that is off."),
    "light.background": Words("Background", "The colour of the board behind the lamps."),
    "light.shape": Words("Lamp shape", "The lens of a lamp.", choices={
        "round": "a round lens", "square": "a square lens",
        "diffused": "frosted, brightest in the middle"}),
    "light.glow": Words("Glow", "How far a lit lamp shines on its surroundings.", 0.05),
    "light.gap": Words("Gap", "The dark space between lamps.", 0.01),
    "light.pixels": Words("Lamp pitch", "Pixels from lamp to lamp in pictures.", 1, "px", (4, 60)),
    "light.module": Words("Module size", "The number of lamps between seams; 0 for no seams.", 1,
                          soft=(0, 64)),
    "light.module-gap": Words("Seam", "The width of a seam, in lamps.", 0.05),
    "light.margin": Words("Border", "The width of the frame, in lamps.", 0.25),
    "light.brightness": Words("Brightness", "In sixteen steps, as LED drivers have it.", 1),
    "light.fade": Words("Fade", "The time a lamp takes to change.", 0.05, "s", (0, 1)),
    "light.turned": Words("Rotation", "How the matrix is mounted, in degrees.", choices={
        "0": "upright", "90": "a quarter turn clockwise", "180": "upside down",
        "270": "a quarter turn anticlockwise"}),
    "light.mirrored": Words("Mirrored", "Seen from behind."),
    # clip
    "clip.size": Words("Size", "landscape, portrait, square, 720p to 2160p, or for example "
                       "1280x720."),
    "clip.fps": Words("Frame rate", "24 to 120, or 23.976, 29.97, 59.94.", 1, "frames/s",
                      (24, 120)),
    "clip.views": Words("Views", "What is shown, the largest first: title, matrix, disc, notes, "
                         "message."),
    "clip.material": Words("Material", "What the disc is made of."),
    "clip.title-s": Words("Title", "How long the title shows.", 0.5, "s", (1, 15)),
    "clip.text": Words("Text colour", "For titles and captions. Empty: the colour of the lamps."),
    "clip.quality": Words("Quality", "Encoding time against file size.", choices={
        "rough": "quick to make", "normal": "right for most uses", "fine": "slow and large"}),
    # sound
    "sound.loudness": Words("Loudness", "Integrated loudness in LUFS, or off to leave the "
                            "rendered level."),
    "sound.true-peak": Words("True peak", "The highest peak allowed.", 0.5, "dBTP"),
    "sound.rate": Words("Sample rate", "Samples per second."),
    "sound.bits": Words("Bit depth", "For .wav and .flac."),
    "sound.bitrate": Words("Bit rate", "For lossy formats. Empty: the default.", 8, "kbit/s",
                           (64, 320)),
    "sound.renderer": Words("Renderer", "The synthesizer; fluidsynth must be installed."),
    # disc
    "code.alphabet": Words("Alphabet", "The character set, which sets the bits per character.",
                           choices={
        "ascii": "7 bits, plain English", "ita2": "5 bits, capitals and digits, as in telegraphy",
        "utf-8": "8 bits or more, every character"}),
    "code.bit-order": Words("Bit order", "Which end of a character is read first.", choices={
        "high-first": "the most significant bit first",
        "low-first": "the least significant bit first"}),
    "code.framing": Words("Framing", "Marks around the message, so a reader can find its start.",
                          choices={"plain": "none: characters only",
                                   "framed": "start and end marks"}),
    "code.check": Words("Check", "Extra bits that detect or repair damage.", choices={
        "none": "no extra bits", "parity": "one bit per character detects single errors",
        "crc-16": "sixteen bits detect nearly all errors",
        "reed-solomon": "repairs errors, even a lost row"}),
    "code.redundancy": Words("Redundancy", "The share of the disc used for repair.", 0.05,
                             soft=(0.05, 0.6)),
    "layout.positions": Words("Positions", "Bits per row; the clock row has as many holes.", 1, "",
                              (16, 256)),
    "layout.reading": Words("Row order", "Which row is read first.", choices={
        "outside-in": "from the rim inwards", "inside-out": "from the centre outwards"}),
    "layout.turning": Words("Direction", "Which way the disc turns, seen from the front."),
    "layout.hole-means": Words("A hole means", "The bit that is punched.", choices={
        "1": "a one", "0": "a zero"}),
    "fit.hole-diameter": Words("Hole diameter", "Of all holes.", 0.1, "mm", (0.5, 12)),
    "fit.least-web": Words("Minimum web", "The least material between holes and to every edge.",
                           0.1, "mm", (0.5, 8)),
    "fit.bore-diameter": Words("Bore diameter", "The centre hole.", 0.5, "mm", (1, 40)),
    "fit.outer-diameter": Words("Disc diameter", "Empty: as small as possible.", 1, "mm",
                                (60, 600)),
    "fit.positions": Words("Positions", "Bits per row. Empty: calculated.", 1, "", (16, 256)),
    "geometry.outer-diameter": Words("Disc diameter", "The outer edge.", 1, "mm", (60, 600)),
    "geometry.bore-diameter": Words("Bore diameter", "The centre hole.", 0.5, "mm", (1, 40)),
    "geometry.clock-radius": Words("Clock row radius", "From the centre.", 0.5, "mm", (10, 300)),
    "geometry.first-row-radius": Words("First row radius", "From the centre to the row read first.",
                                       0.5, "mm", (10, 300)),
    "geometry.row-pitch": Words("Row pitch", "The distance from row to row.", 0.25, "mm", (1, 20)),
    "geometry.hole-diameter": Words("Hole diameter", "Of all holes.", 0.1, "mm", (0.5, 12)),
}  # fmt: skip
