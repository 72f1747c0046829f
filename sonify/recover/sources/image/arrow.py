"""The arrow about the bore of a disc in a photograph: where the rows begin, and how it turns.

It is looked for in the shape that `sonify draw` gives it: an arc of 100 degrees whose middle lies
where the rows begin, with a head at the end towards which the disc turns.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.search.arrangement import ELSEWHERE
from sonify.recover.sources.image.ring import View
from sonify.recover.sources.image.sites import LIMIT, STEP, polar_map

__all__ = ["arrow_evidence"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

TURN = 720  # steps of the angle
STEPS = TURN / 360  # a degree
FINE = 6  # steps of a map of the disc for the radius of a hole
HALF = 50.0  # degrees, half the arc of the arrow in a drawing
ARROW = 0.5
"""Share of the most that an arrow can reach, above which there is one. Of 211 pictures by three
generators 83 lay above it, 81 of them with the arrow within two positions of its place."""
CLEARER = 0.3
"""By which share the best place for an arrow must be better than others to be certain: of 41 of the
83, 40 were better by as much."""
HEADS = np.geomspace(0.3, 4.5, 8)  # from the shaft to the edge of a head, in radii of a hole
INSIDE, BEYOND = 28.0, 10.0
"""Degrees by which a head reaches into the arc and beyond its end: the longest `sonify draw` makes
is 0.6 of its radius, 34 degrees."""
NOISE = 12.0  # standard deviations of both barbs, below which no head shows
TURNING = 5.0
"""Bits of evidence of a head that shows at one end of the arc only: of 120 such in pictures by four
generators, 117 lay at the right end, 39 to 1."""


def arrow_evidence(image: NDArray[np.float32], view: View, inner: float) -> tuple[Floats, float]:
    """Bits of evidence of an arrow within a radius.

    Returns
    -------
    start : ndarray, shape (positions,)
        That the rows begin at each position, from 0 to `ELSEWHERE`.
    clockwise : float
        That the disc turns clockwise, if this is an arrow; below 0, that it turns the other way.
    """
    r, n = view.hole, view.positions
    none = np.zeros(n), 0.0
    rho = np.arange(0.06, inner - 1.2 * r, r / FINE)
    if len(rho) < 2 * FINE:
        return none
    level = polar_map(image, view, rho, TURN)
    beyond = _bore(level, rho < inner - 2.5 * r)
    if beyond > len(rho) - FINE:
        return none
    fits = np.stack([_arc(level, wide, beyond) for wide in (1, 3)])
    like = np.abs(fits).max(axis=(0, 1))
    best = int(like.argmax())
    off = np.abs((np.arange(TURN) - best + TURN // 2) % TURN - TURN // 2) / STEPS
    chance = max(float(like[off > HALF].max()), 0.01)
    if like[best] < max(ARROW, chance):
        return none
    most = ELSEWHERE * min((like[best] / chance - 1) / CLEARER, 1.0)
    share = (np.interp(np.arange(n) * TURN / n, np.arange(TURN), like, period=TURN) - chance) / (
        like[best] - chance
    )
    wide, row = np.unravel_index(np.abs(fits[:, :, best]).argmax(), fits.shape[:2])
    level = level * np.sign(fits[wide, row, best])
    head = np.clip(_head(level, int(row), best, 1 + int(wide)), -1, 1)
    return most * np.clip(share, 0, 1), TURNING * float(head)


def _bore(level: Singles, which: NDArray[np.bool_]) -> int:
    """The first radius beyond the edge of the bore, which is seen all around."""
    step = np.percentile(np.abs(level[4:] - level[:-4]), 25, axis=1)
    edges = np.flatnonzero((step > 3 * np.median(step) + 2 * STEP) & which[2:-2])
    return int(edges[-1]) + 8 if len(edges) else 0


def _arc(level: Singles, wide: int, beyond: int) -> Floats:
    """How strongly and how well an arc of a line `2 * wide + 1` radii apart from what lies beside
    it fits at each radius and about each angle; 1 at most, and below 0 for dark lines."""
    import cv2

    smooth = cv2.blur(level, (3, wide))
    out, into = (smooth - np.roll(smooth, way * (2 * wide + 1), axis=0) for way in (-1, 1))
    # a line is unlike both sides, and in the same sense
    line = np.where(out * into > 0, np.sign(out) * np.minimum(np.abs(out), np.abs(into)), 0)
    line[: max(beyond, 2 * wide + 1)] = line[-2 * wide - 1 :] = 0
    usual = np.median(np.abs(line[beyond:])) + STEP / 2
    noise = cv2.blur(np.minimum(np.abs(line), 5 * usual).astype(np.float32), (91, 9)) + STEP / 2
    line = np.clip(line / noise, -LIMIT / 2, LIMIT / 2)
    off = np.minimum(np.arange(TURN), TURN - np.arange(TURN)) / STEPS
    around = (off <= 2 * HALF).astype(float)
    arc = np.where(off <= HALF, 1.0, -around)
    arc -= around * arc.sum() / around.sum()
    there, squares = np.fft.rfft(line, axis=1), np.fft.rfft(line**2, axis=1)

    def against(spectrum: NDArray[np.complex128], shape: Floats) -> Floats:
        out: Floats = np.fft.irfft(spectrum * np.conj(np.fft.rfft(shape)), n=TURN, axis=1)
        return out

    many = around.sum()
    spread = np.maximum(against(squares, around) - against(there, around) ** 2 / many, 0)
    spread += 0.1 * many
    size = against(there, arc) / np.linalg.norm(arc)
    most = LIMIT / 2 * (off <= HALF).sum() / np.linalg.norm(arc)
    fits: Floats = size * np.abs(size) / np.sqrt(spread) / most
    return fits


def _head(level: Singles, row: int, middle: int, wide: int) -> float:
    """How many times two a head, brighter than what is about it, shows better on both sides of its
    shaft at the clockwise end of an arrow than at the other one."""
    import cv2

    around = np.pad(level, ((0, 0), (TURN // 2, TURN // 2)), mode="wrap")
    uneven = around - cv2.blur(around, (int(60 * STEPS) + 1, 1))
    field = uneven / (1.4826 * np.median(np.abs(uneven)) + STEP / 2)
    # what noise is rarely, and a barb is over a part of the end
    bright = np.clip(field - 2, 0, LIMIT)
    # positions count anticlockwise
    shown = []
    for sense in (-1, 1):
        reach = np.array([HALF - INSIDE, HALF + BEYOND]) * sense * STEPS
        first, last = np.sort(np.rint(reach).astype(int) + middle + TURN // 2)
        rows = bright[:, first:last].sum(axis=1) / np.sqrt(last - first)
        sides = []
        for half in HEADS:
            away = np.arange(wide + 1, wide + 1 + round(half * FINE))
            if away[-1] > row or row + away[-1] >= len(rows):
                break
            barbs = (rows[row + way * away].sum() for way in (-1, 1))
            sides.append(sum(map(np.sqrt, barbs)) ** 2 / np.sqrt(len(away)))
        shown.append(max([NOISE, *sides]))
    return float(np.log2(shown[0] / shown[1]))
