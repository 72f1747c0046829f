"""Where scenes lie on a picture of any size.

All ways to cut the picture in two, again and again, are tried; the one stays in which the scenes,
each within the proportions that suit it, are largest, the first scene above all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sonify.light.panel import Box

__all__ = ["Shape", "lay_out"]

_CUTS = [k / 40 for k in range(8, 33)]


@dataclass(frozen=True)
class Shape:
    """The proportions (width by height) between which a scene looks well, and its weight."""

    narrow: float
    wide: float
    weight: float

    def inside(self, width: float, height: float) -> tuple[float, float]:
        """The largest size of these proportions within a rectangle."""
        ratio = min(max(width / height, self.narrow), self.wide)
        return (width, width / ratio) if width / height <= ratio else (height * ratio, height)


def lay_out(shapes: list[Shape], width: int, height: int) -> list[Box]:
    """A rectangle for each scene, in their order.

    Parameters
    ----------
    shapes : list of Shape
        At least one.
    width, height : int
        Of the picture in pixels.
    """
    margin = round(min(width, height) * 0.04) & ~1
    gap = margin
    best: list[tuple[float, float, float, float]] = []
    most = -math.inf
    for places in _ways(shapes, margin, margin, width - 2 * margin, height - 2 * margin, gap):
        value = 0.0
        for shape, (_, _, w, h) in zip(shapes, places, strict=True):
            a, b = shape.inside(w, h)
            value += shape.weight * math.log(max(a * b, 1e-9))
        if value > most + 1e-9:
            most, best = value, places
    return [_snug(shape, place) for shape, place in zip(shapes, best, strict=True)]


def _ways(
    shapes: list[Shape], x: float, y: float, w: float, h: float, gap: float
) -> list[list[tuple[float, float, float, float]]]:
    """All arrangements of scenes in a rectangle."""
    if w < 8 or h < 8:
        return []
    if len(shapes) == 1:
        return [[(x, y, w, h)]]
    out = []
    cuts = _CUTS if len(shapes) < 4 else _CUTS[::3]
    for k in range(1, len(shapes)):
        for share in cuts:
            a, b = (w - gap) * share, (h - gap) * share
            across = (
                (x, y, a, h), (x + a + gap, y, w - gap - a, h),
            )  # fmt: skip
            down = (
                (x, y, w, b), (x, y + b + gap, w, h - gap - b),
            )  # fmt: skip
            for first, second in (across, down):
                one = _best(shapes[:k], *first, gap)
                two = _best(shapes[k:], *second, gap)
                if one and two:
                    out.append([*one, *two])
    return out


def _best(
    shapes: list[Shape], x: float, y: float, w: float, h: float, gap: float
) -> list[tuple[float, float, float, float]]:
    """The best arrangement of some scenes in a part of the picture."""
    best: list[tuple[float, float, float, float]] = []
    most = -math.inf
    for places in _ways(shapes, x, y, w, h, gap):
        value = 0.0
        for shape, (_, _, pw, ph) in zip(shapes, places, strict=True):
            a, b = shape.inside(pw, ph)
            value += shape.weight * math.log(max(a * b, 1e-9))
        if value > most:
            most, best = value, places
    return best


def _snug(shape: Shape, place: tuple[float, float, float, float]) -> Box:
    x, y, w, h = place
    a, b = shape.inside(w, h)
    left, top = x + (w - a) / 2, y + (h - b) / 2
    return (round(left) & ~1, round(top) & ~1, int(a) & ~1, int(b) & ~1)
