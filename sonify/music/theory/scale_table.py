"""The table of named scales, one row each.

Names and tones are the usual ones of music theory. The tests compare the modes with music21's and
Messiaen's modes with his book. The maqam rows are the quarter-tone spellings in common use.
Slendro is the one that Ellis measured (in Helmholtz, On the Sensations of Tone, no. 94), pelog
Kunst's average of 39 gamelans (1949), both as in the Scala archive.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ALIASES", "SCALES", "Scale"]


@dataclass(frozen=True)
class Scale:
    """One scale.

    Attributes
    ----------
    name : str
    semitones : tuple of float
        The tones above the root within one period, rising, the first one 0.
    about : str
        How it sounds, in a few words.
    key : int or None
        For scales that have a key signature: fifths to add to the root's own major key
        (dorian -2, natural minor -3).
    mode : str
        "minor" if that signature is the one of the root's minor key, else "major": MIDI files
        distinguish only these two.
    period : float
        After how many semitones the scale repeats.
    """

    name: str
    semitones: tuple[float, ...]
    about: str
    key: int | None = None
    mode: str = "major"
    period: float = 12.0

    @property
    def in_twelve(self) -> bool:
        """Whether all its tones are tones of the twelve, so that no bend is needed."""
        return all(float(s).is_integer() for s in (*self.semitones, self.period))

    @property
    def minor(self) -> bool:
        """Whether chords are those of a minor key: a minor third and no major one."""
        thirds = {round(s) for s in self.semitones}
        return 3 in thirds and 4 not in thirds


def _divided(name: str, count: int, interval: float, about: str) -> Scale:
    tones = tuple(interval * k / count for k in range(count))
    return Scale(name, tones, about, period=interval)


_TRITAVE = 19.01955000865387

_MODES = (
    # of the major scale
    Scale("major", (0, 2, 4, 5, 7, 9, 11), "bright and settled", 0),
    Scale("dorian", (0, 2, 3, 5, 7, 9, 10), "minor with a light step", -2),
    Scale("phrygian", (0, 1, 3, 5, 7, 8, 10), "dark, leaning on its second", -4),
    Scale("lydian", (0, 2, 4, 6, 7, 9, 11), "major, floating upwards", 1),
    Scale("mixolydian", (0, 2, 4, 5, 7, 9, 10), "major, easy-going", -1),
    Scale("natural-minor", (0, 2, 3, 5, 7, 8, 10), "plain and grave", -3, "minor"),
    Scale("locrian", (0, 1, 3, 5, 6, 8, 10), "never at rest", -5),
    # of the harmonic minor scale
    Scale("harmonic-minor", (0, 2, 3, 5, 7, 8, 11), "minor with a pull home", -3, "minor"),
    Scale("locrian-natural-6", (0, 1, 3, 5, 6, 9, 10), "uneasy, one tone lifted", -5),
    Scale("ionian-sharp-5", (0, 2, 4, 5, 8, 9, 11), "major with its fifth pushed up", 0),
    Scale("dorian-sharp-4", (0, 2, 3, 6, 7, 9, 10), "minor with a wide, proud step", -2),
    Scale("phrygian-dominant", (0, 1, 4, 5, 7, 8, 10), "fiery, a wide step near home", -4),
    Scale("lydian-sharp-2", (0, 3, 4, 6, 7, 9, 11), "bright, begins with a leap", 1),
    Scale("altered-flat-flat-7", (0, 1, 3, 4, 6, 8, 9), "all strain", -8),
    # of the melodic minor scale, as it climbs
    Scale("melodic-minor", (0, 2, 3, 5, 7, 9, 11), "minor that climbs smoothly", -3, "minor"),
    Scale("dorian-flat-2", (0, 1, 3, 5, 7, 9, 10), "dark below, light above", -5),
    Scale("lydian-augmented", (0, 2, 4, 6, 8, 9, 11), "floats and won't land", 0),
    Scale("lydian-dominant", (0, 2, 4, 6, 7, 9, 10), "close to the overtones, sunny", -2),
    Scale("mixolydian-flat-6", (0, 2, 4, 5, 7, 8, 10), "major that darkens as it climbs", -4),
    Scale("locrian-natural-2", (0, 2, 3, 5, 6, 8, 10), "half at rest", -6),
    Scale("altered", (0, 1, 3, 4, 6, 8, 10), "every tone pulls", -8),
    # of the harmonic major scale
    Scale("harmonic-major", (0, 2, 4, 5, 7, 8, 11), "major with a shadow", 0),
)

_PENTATONICS = (
    Scale("major-pentatonic", (0, 2, 4, 7, 9), "open, no tone can clash", 0),
    Scale("suspended-pentatonic", (0, 2, 5, 7, 10), "open, neither glad nor sad", -2),
    Scale("blues-minor-pentatonic", (0, 3, 5, 8, 10), "open and shaded", -4),
    Scale("blues-major-pentatonic", (0, 2, 5, 7, 9), "open and plain-spoken", -1),
    Scale("minor-pentatonic", (0, 3, 5, 7, 10), "earthy, no tone can clash", -3, "minor"),
    Scale("dominant-pentatonic", (0, 2, 4, 7, 10), "open with a warm seventh"),
    Scale("blues", (0, 3, 5, 6, 7, 10), "minor pentatonic with a bent fifth", -3, "minor"),
    Scale("major-blues", (0, 2, 3, 4, 7, 9), "major pentatonic with a slide in it", 0),
)

_SYMMETRIC = (
    Scale("whole-tone", (0, 2, 4, 6, 8, 10), "weightless, no way home"),
    Scale("octatonic-half-whole", (0, 1, 3, 4, 6, 7, 9, 10), "tense and glittering"),
    Scale("octatonic-whole-half", (0, 2, 3, 5, 6, 8, 9, 11), "tense, with a sigh"),
    Scale("augmented", (0, 3, 4, 7, 8, 11), "two bright chords a breath apart"),
    Scale("tritone", (0, 1, 4, 6, 7, 10), "two chords that fight"),
    Scale("messiaen-1", (0, 2, 4, 6, 8, 10), "the whole-tone scale"),
    Scale("messiaen-2", (0, 1, 3, 4, 6, 7, 9, 10), "the octatonic scale"),
    Scale("messiaen-3", (0, 2, 3, 4, 6, 7, 8, 10, 11), "stained glass, nine tones"),
    Scale("messiaen-4", (0, 1, 2, 5, 6, 7, 8, 11), "clusters and wide gaps"),
    Scale("messiaen-5", (0, 1, 5, 6, 7, 11), "stark clusters and wide gaps"),
    Scale("messiaen-6", (0, 2, 4, 5, 6, 8, 10, 11), "whole tones with a slip"),
    Scale("messiaen-7", (0, 1, 2, 3, 5, 6, 7, 8, 9, 11), "ten tones, dense and coloured"),
    Scale("chromatic", tuple(range(12)), "all twelve tones"),
)

_COMPOSERS = (
    Scale("neapolitan-major", (0, 1, 3, 5, 7, 9, 11), "a dark second under a bright top"),
    Scale("neapolitan-minor", (0, 1, 3, 5, 7, 8, 11), "dark, with a pull home"),
    Scale("enigmatic", (0, 1, 4, 6, 8, 10, 11), "strange, climbing by wide steps"),
    Scale("prometheus", (0, 2, 4, 6, 9, 10), "glowing, six tones"),
    Scale("bebop-dominant", (0, 2, 4, 5, 7, 9, 10, 11), "easy-going with a passing tone", -1),
    Scale("bebop-major", (0, 2, 4, 5, 7, 8, 9, 11), "major with a passing tone", 0),
)

_TRADITIONS = (
    Scale("hirajoshi", (0, 2, 3, 7, 8), "a koto's tuning, wistful"),
    Scale("in", (0, 1, 5, 7, 8), "dark and still"),
    Scale("yo", (0, 2, 5, 7, 9), "clear, without half steps"),
    Scale("iwato", (0, 1, 5, 6, 10), "rocky and unsettled"),
    Scale("kumoi", (0, 2, 3, 7, 9), "gentle, a minor third in it"),
    Scale("insen", (0, 1, 5, 7, 10), "spare, with a close second"),
    Scale("ryukyu", (0, 4, 5, 7, 11), "sunny, with two half steps"),
    Scale("hungarian-minor", (0, 2, 3, 6, 7, 8, 11), "dark with two wide steps"),
    Scale("hungarian-major", (0, 3, 4, 6, 7, 9, 10), "bright and angular"),
    Scale("double-harmonic", (0, 1, 4, 5, 7, 8, 11), "ornate, two wide steps"),
    Scale("persian", (0, 1, 4, 5, 6, 8, 11), "ornate, its fifth drawn in"),
    Scale("spanish-eight-tone", (0, 1, 3, 4, 5, 6, 8, 10), "phrygian, major and minor at once"),
    Scale("todi", (0, 1, 3, 6, 7, 8, 11), "intense, close seconds"),
    Scale("purvi", (0, 1, 4, 6, 7, 8, 11), "evening, wide and close steps"),
    Scale("marva", (0, 1, 4, 6, 7, 9, 11), "restless, waits for its root"),
    Scale("bhairav", (0, 1, 4, 5, 7, 8, 11), "morning, grave and ornate"),
    Scale("rast", (0, 2, 3.5, 5, 7, 9, 10.5), "neutral third and seventh, noble"),
    Scale("bayati", (0, 1.5, 3, 5, 7, 8, 10), "a second three quarters wide, tender"),
    Scale("sikah", (0, 1.5, 3.5, 5.5, 7, 8.5, 10.5), "on a neutral tone, shimmering"),
    Scale("saba", (0, 1.5, 3, 4, 7, 8, 10), "narrow and mourning"),
    Scale("hijaz", (0, 1, 4, 5, 7, 8, 10), "a wide step near home"),
    Scale("nahawand", (0, 2, 3, 5, 7, 8, 11), "minor with a pull home", -3, "minor"),
    Scale("slendro", (0, 2.28, 4.84, 7.28, 9.6), "five steps nearly even, gongs"),
    Scale("pelog", (0, 1.2, 2.7, 5.4, 6.7, 7.85, 9.5), "seven uneven steps, gongs"),
)

_BEYOND = (
    Scale("just-major", (0, 2.039100, 3.863137, 4.980450, 7.019550, 8.843587, 10.882687),
          "major in pure ratios: still, no beats", 0),
    Scale("just-minor", (0, 2.039100, 3.156413, 4.980450, 7.019550, 8.136863, 10.175963),
          "minor in pure ratios", -3, "minor"),
    Scale("harmonics", (0, 2.039100, 3.863137, 5.513179, 7.019550, 8.405277, 9.688259, 10.882687),
          "overtones 8 to 15 of one low tone"),
    _divided("nineteen-tones", 19, 12.0, "the octave in 19"),
    _divided("quarter-tones", 24, 12.0, "the octave in 24"),
    _divided("thirty-one-tones", 31, 12.0, "the octave in 31"),
    _divided("bohlen-pierce", 13, _TRITAVE, "a twelfth in 13, no octaves: strange and clear"),
    Scale("bohlen-lambda", tuple(_TRITAVE * k / 13 for k in (0, 2, 3, 4, 6, 7, 9, 10, 12)),
          "nine of those 13, as a mode", period=_TRITAVE),
    _divided("seven-even", 7, 12.0, "the octave in 7 even steps"),
    _divided("five-even", 5, 12.0, "the octave in 5 even steps"),
)  # fmt: skip

SCALES: dict[str, Scale] = {
    s.name: s for s in (*_MODES, *_PENTATONICS, *_SYMMETRIC, *_COMPOSERS, *_TRADITIONS, *_BEYOND)
}

ALIASES: dict[str, str] = {
    "ionian": "major", "aeolian": "natural-minor", "minor": "natural-minor",
    "acoustic": "lydian-dominant", "half-diminished": "locrian-natural-2",
    "super-locrian": "altered", "ukrainian-dorian": "dorian-sharp-4",
    "diminished": "octatonic-whole-half", "byzantine": "double-harmonic", "bilaval": "major",
    "kalyan": "lydian", "khamaj": "mixolydian", "kafi": "dorian", "asavari": "natural-minor",
    "bhairavi": "phrygian", "ajam": "major", "kurd": "phrygian",
}  # fmt: skip
"""Other usual names of the same tones."""
