"""Scales: a table, one row a scale, and the pitches of a scale's degrees.

Names and tones are the usual ones of music theory; the tests hold them against music21's.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches

__all__ = ["SCALES", "Scale", "degrees_to_pitch", "find_scale", "note_name", "note_number"]


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
        "minor" where that signature is the one of the root's minor key, else "major": a key
        signature of a MIDI file knows those two.
    period : float
        After how many semitones the scale repeats.
    """

    name: str
    semitones: tuple[float, ...]
    about: str
    key: int | None = None
    mode: str = "major"
    period: float = 12.0


_ROWS = (
    Scale("major", (0, 2, 4, 5, 7, 9, 11), "bright and settled", 0),
    Scale("dorian", (0, 2, 3, 5, 7, 9, 10), "minor with a light step", -2),
    Scale("phrygian", (0, 1, 3, 5, 7, 8, 10), "dark, leaning on its second", -4),
    Scale("lydian", (0, 2, 4, 6, 7, 9, 11), "major, floating upwards", 1),
    Scale("mixolydian", (0, 2, 4, 5, 7, 9, 10), "major, easy-going", -1),
    Scale("natural-minor", (0, 2, 3, 5, 7, 8, 10), "plain and grave", -3, "minor"),
    Scale("locrian", (0, 1, 3, 5, 6, 8, 10), "never at rest", -5),
    Scale("harmonic-minor", (0, 2, 3, 5, 7, 8, 11), "minor with a pull home", -3, "minor"),
    Scale("melodic-minor", (0, 2, 3, 5, 7, 9, 11), "minor that climbs smoothly", -3, "minor"),
    Scale("major-pentatonic", (0, 2, 4, 7, 9), "open, no tone can clash", 0),
    Scale("minor-pentatonic", (0, 3, 5, 7, 10), "earthy, no tone can clash", -3, "minor"),
    Scale("blues", (0, 3, 5, 6, 7, 10), "minor pentatonic with a bent fifth", -3, "minor"),
    Scale("whole-tone", (0, 2, 4, 6, 8, 10), "weightless, no way home"),
    Scale("octatonic-half-whole", (0, 1, 3, 4, 6, 7, 9, 10), "tense and glittering"),
    Scale("octatonic-whole-half", (0, 2, 3, 5, 6, 8, 9, 11), "tense, with a sigh"),
    Scale("hirajoshi", (0, 2, 3, 7, 8), "a koto's tuning, wistful"),
    Scale("hungarian-minor", (0, 2, 3, 6, 7, 8, 11), "dark with two wide steps"),
    Scale("double-harmonic", (0, 1, 4, 5, 7, 8, 11), "ornate, two wide steps"),
    Scale("chromatic", tuple(range(12)), "all twelve tones"),
)

SCALES: dict[str, Scale] = {s.name: s for s in _ROWS}


def find_scale(name: str) -> Scale:
    """The scale of a name.

    Raises
    ------
    InputError
        With the names that come close.
    """
    try:
        return SCALES[name]
    except KeyError:
        near = close_matches(name, SCALES)
        known = "" if near else f"; one of: {', '.join(SCALES)}"
        raise InputError(f"there is no scale '{name}'{near}{known}", place="music.scale") from None


_LETTER = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NOTE = re.compile(r"([A-Ga-g])(##?|bb?|x)?(-?\d+)")
_SHARPS = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def note_number(name: str, place: str = "music.root") -> int:
    """The MIDI note number of a note's name; C4 is 60 (common practice, no source).

    Raises
    ------
    InputError
        Not a note, or outside 0 to 127.

    Examples
    --------
    >>> note_number("A4"), note_number("Bb3")
    (69, 58)
    """
    found = _NOTE.fullmatch(name.strip())
    if not found:
        raise InputError(
            f"'{name}' is not a note; write a letter A to G, # or b, and an octave, such as D4",
            place=place,
        )
    letter, sign, octave = found.groups()
    shift = {None: 0, "#": 1, "##": 2, "x": 2, "b": -1, "bb": -2}[sign]
    number = 12 * (int(octave) + 1) + _LETTER[letter.upper()] + shift
    if not 0 <= number <= 127:
        raise InputError(f"'{name}' is outside MIDI's notes, C-1 to G9", place=place)
    return number


def note_name(number: int) -> str:
    """The name of a MIDI note number, with sharps."""
    return f"{_SHARPS[number % 12]}{number // 12 - 1}"


def degrees_to_pitch(
    degrees: NDArray[np.integer], scale: Scale, root: float
) -> NDArray[np.float64]:
    """Scale degrees, counted from 0 at the root, as MIDI note numbers.

    Parameters
    ----------
    degrees : ndarray of int, any shape
        Negative ones lie below the root.
    scale : Scale
    root : float
        MIDI note number of degree 0.

    Returns
    -------
    ndarray of float64, same shape
        Tones outside 0 to 127 are folded back by whole octaves.
    """
    if degrees.size == 0:
        return np.zeros(degrees.shape)
    low, high = int(degrees.min()), int(degrees.max())
    octave, step = np.divmod(np.arange(low, high + 1), len(scale.semitones))
    table = root + scale.period * octave + np.asarray(scale.semitones)[step]
    out: NDArray[np.float64] = fold(table)[degrees - low]
    return out


def fold(pitch: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pitches outside 0 to 127, moved back inside by whole octaves."""
    up = np.ceil(np.maximum(0.0, -pitch) / 12)
    down = np.ceil(np.maximum(0.0, pitch - 127) / 12)
    out: NDArray[np.float64] = pitch + 12 * (up - down)
    return out
