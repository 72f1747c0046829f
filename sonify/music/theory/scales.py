"""Scales by name or from a table, and the pitches of a scale's degrees."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches
from sonify.music.theory.scale_table import ALIASES, SCALES, Scale
from sonify.music.theory.tuning import OwnScale, own_scale

__all__ = ["SCALES", "Scale", "degrees_to_pitch", "find_scale", "note_name", "note_number"]


def find_scale(name: str | OwnScale) -> Scale:
    """The scale of a name or a table.

    Raises
    ------
    InputError
        With the names that come close, or the step that is wrong.
    """
    if not isinstance(name, str):
        return own_scale(name)
    found = SCALES.get(name) or SCALES.get(ALIASES.get(name, ""))
    if found is None:
        near = close_matches(name, (*SCALES, *ALIASES))
        known = "" if near else f"; one of: {', '.join(SCALES)}"
        raise InputError(f"there is no scale '{name}'{near}{known}", place="music.scale")
    return found


_LETTER = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NOTE = re.compile(r"([A-Ga-g])(##?|bb?|x)?(-?\d{1,9})")
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
        Tones outside 0 to 127 are folded back by whole periods of the scale.
    """
    if degrees.size == 0:
        return np.zeros(degrees.shape)
    low, high = int(degrees.min()), int(degrees.max())
    if high - low > _TABLE:
        return fold(degree_pitch(degrees, scale, root), scale.period)
    table = fold(degree_pitch(np.arange(low, high + 1), scale, root), scale.period)
    out: NDArray[np.float64] = table[degrees - low]
    return out


_TABLE = 1 << 16


def degree_pitch(degrees: NDArray[np.integer], scale: Scale, root: float) -> NDArray[np.float64]:
    """The pitches of degrees, not folded."""
    octave, step = np.divmod(degrees, len(scale.semitones))
    out: NDArray[np.float64] = root + scale.period * octave + np.asarray(scale.semitones)[step]
    return out


def tones_between(scale: Scale, root: float, low: float, high: float) -> NDArray[np.float64]:
    """All tones of a scale from `low` to `high`, rising; within a thousandth of a semitone."""
    first = int((low - root) // scale.period) * len(scale.semitones)
    count = (int((high - low) // scale.period) + 3) * len(scale.semitones)
    tones = degree_pitch(np.arange(first, first + count), scale, root)
    out: NDArray[np.float64] = tones[(tones >= low - 1e-3) & (tones <= high + 1e-3)]
    return out


def fold(pitch: NDArray[np.float64], period: float = 12.0) -> NDArray[np.float64]:
    """Pitches outside 0 to 127, moved back inside by whole periods."""
    up = np.ceil(np.maximum(0.0, -pitch) / period)
    down = np.ceil(np.maximum(0.0, pitch - 127) / period)
    out: NDArray[np.float64] = pitch + period * (up - down)
    return out
