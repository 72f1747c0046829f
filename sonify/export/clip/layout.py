"""Where views lie on a picture of any size.

All ways to cut the picture in two repeatedly are tried. The best one makes the views, each within
the proportions that suit it, as large as possible, above all the first view.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from sonify.light.lamp_grid import Box

__all__ = ["Shape", "lay_out"]

Place = tuple[float, float, float, float]

_CUTS = [k / 40 for k in range(8, 33)]
# A view that gets less than this share of the picture is hard to see.
_LEAST = 0.085
# A view of less weight is a strip of text, and may be small.
_STRIP = 0.5


@dataclass(frozen=True)
class Shape:
    """The range of proportions (width by height) in which a view looks good, and its weight."""

    narrow: float
    wide: float
    weight: float

    def inside(self, width: float, height: float) -> tuple[float, float]:
        """The largest size of these proportions within a rectangle."""
        ratio = min(max(width / height, self.narrow), self.wide)
        return (width, width / ratio) if width / height <= ratio else (height * ratio, height)


def lay_out(shapes: list[Shape], width: int, height: int) -> list[Box]:
    """A rectangle for each view, in their order.

    Parameters
    ----------
    shapes : list of Shape
        At least one.
    width, height : int
        Of the picture in pixels.
    """
    margin = round(min(width, height) * 0.04) & ~1
    gap = margin
    small = _LEAST * width * height
    inner = (margin, margin, width - 2 * margin, height - 2 * margin)
    best = _best(shapes, *inner, gap, small)
    places = [_snug(shape, place) for shape, place in zip(shapes, best, strict=True)]
    return _gathered(places, gap, height)


def _gathered(places: list[Box], gap: int, height: int) -> list[Box]:
    """Views that lie below each other, moved together and centred vertically."""
    below = all(a[1] + a[3] <= b[1] for a, b in itertools.pairwise(places))
    if not below:
        return places
    step = gap * 3 // 2
    used = sum(h for _, _, _, h in places) + step * (len(places) - 1)
    if used > height - 2 * gap:
        return places
    y = (height - used) // 2 & ~1
    out = []
    for x, _, w, h in places:
        out.append((x, y, w, h))
        y = (y + h + step) & ~1
    return out


def _value(shapes: list[Shape], places: list[Place], small: float) -> float:
    """How well views fill their places, with a penalty for any that is too small."""
    value = 0.0
    for shape, (_, _, w, h) in zip(shapes, places, strict=True):
        a, b = shape.inside(w, h)
        area = max(a * b, 1e-9)
        value += shape.weight * math.log(area)
        if shape.weight > _STRIP and area < small:
            value += 2 * math.log(area / small)
    return value


def _best(
    shapes: list[Shape], x: float, y: float, w: float, h: float, gap: float, small: float
) -> list[Place]:
    """The best arrangement of some views in a part of the picture; none if it is too small."""
    if w < 8 or h < 8:
        return []
    if len(shapes) == 1:
        return [(x, y, w, h)]
    best: list[Place] = []
    most = -math.inf
    for k in range(1, len(shapes)):
        for share in _CUTS if len(shapes) < 4 else _CUTS[::3]:
            a, b = (w - gap) * share, (h - gap) * share
            across = ((x, y, a, h), (x + a + gap, y, w - gap - a, h))
            down = ((x, y, w, b), (x, y + b + gap, w, h - gap - b))
            for first, second in (across, down):
                one = _best(shapes[:k], *first, gap, small)
                two = _best(shapes[k:], *second, gap, small)
                if one and two and (value := _value(shapes, [*one, *two], small)) > most + 1e-9:
                    most, best = value, [*one, *two]
    return best


def _snug(shape: Shape, place: Place) -> Box:
    x, y, w, h = place
    a, b = shape.inside(w, h)
    left, top = x + (w - a) / 2, y + (h - b) / 2
    return (round(left) & ~1, round(top) & ~1, int(a) & ~1, int(b) & ~1)
