"""Drums in a score: their places on the staff, their note heads, and their names.

Sources: General MIDI System Level 1 (MIDI Manufacturers Association, 1991), percussion key map;
MusicXML 4.0, the values of `notehead`. The drum set's places are those of N. Weinberg,
"Guidelines for Drumset Notation", Percussive Notes 32 (3), 1994, from memory. Other instruments:
common practice, no source (high above low, crosses for dry and shaken, triangles for metal).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from sonify.midi.general_midi import DRUMS

__all__ = ["NAMES", "Place", "places"]


class Place(NamedTuple):
    """Where a drum is written, as in a treble clef, and its note head."""

    step: str
    octave: int
    head: str


_HEADS = {"": "normal", "x": "x", "o": "circle-x", "d": "diamond", "t": "triangle"}
_PLACES = """
35 E4  36 F4  38 C5  40 C5  37 C5x 39 B4x
41 G4  43 A4  45 B4  47 D5  48 E5  50 F5
44 D4x 42 G5x 46 G5o 51 F5x 59 E5x 53 F5d 49 A5x 57 B5x 52 B5o 55 A5d
54 D5d 56 E5t 58 E5d 60 F5  61 D5  62 B4x 63 B4  64 G4  65 E5  66 C5
67 F5t 68 D5t 69 A4x 70 G4x 71 G5  72 F5  73 E5x 74 C5x 75 F5x 76 D5x
77 B4x 78 E5x 79 C5  80 A5x 81 A5t
"""
_CHART = {
    int(number): Place(at[0], int(at[1]), _HEADS[at[2:]])
    for number, at in zip(_PLACES.split()[::2], _PLACES.split()[1::2], strict=True)
}
_OTHER = Place("B", 4, "normal")
"""A drum that General MIDI does not name."""
_LINES = [(step, octave) for octave in (4, 5) for step in "CDEFGAB"][1:]


def places(numbers: Iterable[int]) -> dict[int, Place]:
    """Where each drum of a staff is written, by its MIDI note number.

    Two drums whose place would be the same differ on their staff: the second moves up to the next
    place that is free, then to the next head.

    Examples
    --------
    >>> places([36, 38, 40, 42])[38]
    Place(step='C', octave=5, head='normal')
    """
    out: dict[int, Place] = {}
    for number in sorted(numbers):
        own = _CHART.get(number, _OTHER)
        at = _LINES.index((own.step, own.octave))
        heads = dict.fromkeys((own.head, *_HEADS.values()))
        free = (Place(*line, head) for head in heads for line in _LINES[at:] + _LINES[:at])
        out[number] = next((place for place in free if place not in out.values()), own)
    return out


NAMES = {number: name for name, number in DRUMS.items()}
"""General MIDI's names of drums, by their MIDI note numbers."""
