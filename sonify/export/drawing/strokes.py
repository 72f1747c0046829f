"""Text as strokes: the letters of the matrix drawn as lines one tool wide.

So a machine needs no typeface. Neighbouring lamps are joined into the longest possible lines.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sonify.light.letters import load_letters

__all__ = ["strokes", "width_of"]

Reals = NDArray[np.float64]
Lamp = tuple[int, int]

RISE = 6
"""Steps from the lowest to the highest lamp of a letter."""
DOT = 0.25
"""Half the width of a lamp that stands alone, in steps."""


def width_of(text: str, height: float) -> float:
    """The width of a text from first to last stroke, with capitals of a height."""
    letters = load_letters()
    lamps = sum(letters.glyph(c).shape[1] + letters.spacing for c in text) - letters.spacing
    return float(max(0, lamps - 1) * height / RISE)


def strokes(text: str, x: float, y: float, height: float) -> list[tuple[Reals, bool]]:
    """Lines that draw a text centred at (x, y), y up, capitals `height` high.

    Returns
    -------
    list of (ndarray of float64, shape (points, 2); whether it is closed)
    """
    letters = load_letters()
    step = height / RISE
    left = x - width_of(text, height) / 2
    out: list[tuple[Reals, bool]] = []
    for char in text:
        picture = letters.glyph(char)
        for line, closed in _lines(picture.tobytes(), picture.shape[1]):
            out.append((np.array([left, y + height / 2]) + line * [step, -step], closed))
        left += (picture.shape[1] + letters.spacing) * step
    return out


@lru_cache(maxsize=512)
def _lines(picture: bytes, wide: int) -> list[tuple[Reals, bool]]:
    """The lines of one letter in steps, x to the right and y down."""
    lit = np.frombuffer(picture, np.bool_).reshape(-1, wide)
    lamps: set[Lamp] = set(zip(*(a.tolist() for a in np.nonzero(lit)[::-1]), strict=True))
    open_ends: dict[Lamp, list[Lamp]] = {lamp: [] for lamp in sorted(lamps)}
    for x, y in sorted(lamps):
        for dx, dy in ((1, 0), (0, 1), (1, 1), (-1, 1)):
            other = (x + dx, y + dy)
            # diagonals only where no straight lines connect the two
            corner = dx and dy and ((x + dx, y) in lamps or (x, y + dy) in lamps)
            if other in lamps and not corner:
                open_ends[x, y].append(other)
                open_ends[other].append((x, y))
    out: list[tuple[list[tuple[float, float]], bool]] = [
        ([(x - DOT, y), (x, y - DOT), (x + DOT, y), (x, y + DOT)], True)
        for (x, y), ends in open_ends.items()
        if not ends
    ]
    while any(open_ends.values()):
        # start at an end, else where three lines meet, else anywhere on a ring
        start = min(
            (p for p, e in open_ends.items() if e),
            key=lambda p: (len(open_ends[p]) % 2 == 0, len(open_ends[p]), p),
        )
        line: list[tuple[float, float]] = [start]
        here, came = start, (0, 0)
        while open_ends[here]:
            ahead = (here[0] + came[0], here[1] + came[1])
            there = ahead if ahead in open_ends[here] else open_ends[here][0]
            open_ends[here].remove(there)
            open_ends[there].remove(here)
            came = (there[0] - here[0], there[1] - here[1])
            here = there
            line.append(here)
        closed = len(line) > 3 and line[0] == line[-1]
        out.append((line[:-1] if closed else line, closed))
    return [(_straight(np.array(line, np.float64), closed), closed) for line, closed in out]


def _straight(line: Reals, closed: bool) -> Reals:
    """A line without the points at which it goes straight on."""
    before = line - np.roll(line, 1, axis=0)
    after = np.roll(line, -1, axis=0) - line
    turns = np.any(np.abs(before - after) > 1e-9, axis=1)
    if not closed:
        turns[[0, -1]] = True
    kept: Reals = line[turns]
    return kept
