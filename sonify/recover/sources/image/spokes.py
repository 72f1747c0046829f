"""The disc's middle and positions from its spokes: holes of a position lie on a line through it.

With few positions, a hole's nearest neighbours are those of its own position, so their lines meet
in the middle. Angles about it repeat with the positions, once the tilt is taken out.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np
from numpy.typing import NDArray

from sonify.recover.sources.image.spots import Spots

__all__ = ["rings_about"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CELLS = 256  # of the picture's longer side, in which lines are counted
HEADINGS = 36
MIDDLES = 3
NEIGHBOURS = 6
ALIKE = 1.5  # ratio of two holes' radii: 1.2 by perspective, 1.2 by measuring
TIGHTEST = 60
"""Most positions that are looked for: beyond, neighbours on the clock row are the nearest, and the
row shows by itself."""
FULL = 0.75  # of the clock row that must be seen


def rings_about(spots: Spots, fewest: int) -> Iterator[tuple[Ints, Ints, int]]:
    """Rings that may be the clock row: spots, the place of each, and the positions."""
    if len(spots) < 2 * fewest:
        return
    a, b = _pairs(spots)
    for middle in _middles(spots, a, b):
        spoke = _passing(spots.centre[a], spots.centre[b], middle)
        which = np.unique(np.concatenate([a[spoke], b[spoke]]))
        if len(which) < 2 * fewest:
            continue
        usual = np.median(spots.area[which])
        which = which[np.abs(np.log(spots.area[which] / usual)) < 2 * np.log(ALIKE)]
        found = _turns(spots.centre[which], middle, fewest)
        if found is not None:
            yield from _full_rings(which, spots, *found)


def _pairs(spots: Spots) -> tuple[Ints, Ints]:
    """Near neighbours of about the same size."""
    xy, radius = spots.centre, np.sqrt(spots.area / np.pi)
    far = np.linalg.norm(xy[:, None] - xy[None], axis=2)
    far[np.abs(np.log(radius[:, None] / radius[None])) > np.log(ALIKE)] = np.inf
    far[np.abs(np.log(spots.contrast[:, None] / spots.contrast[None])) > np.log(2.0)] = np.inf
    far[far < 1.5 * radius[:, None]] = np.inf
    near = np.argsort(far, axis=1)[:, :NEIGHBOURS]
    a, b = np.repeat(np.arange(len(xy)), near.shape[1]), near.reshape(-1)
    ok = np.isfinite(far[a, b]) & (far[a, b] < 20 * radius[a])
    return a[ok], b[ok]


def _middles(spots: Spots, a: Ints, b: Ints) -> Floats:
    """Where lines of the most headings meet."""
    import cv2

    xy = spots.centre
    cell = float(xy.max()) / CELLS
    step = xy[b] - xy[a]
    heading = np.arctan2(step[:, 1], step[:, 0]) % np.pi
    along = np.arange(-CELLS // 2, CELLS // 2) * cell
    unit = step / np.linalg.norm(step, axis=1, keepdims=True)
    at = np.rint((xy[a][:, None] + along[None, :, None] * unit[:, None]) / cell).astype(np.int64)
    inside = ((at >= 0) & (at <= CELLS)).all(axis=2)
    way = np.broadcast_to(
        (heading / np.pi * HEADINGS).astype(int)[:, None] % HEADINGS, inside.shape
    )
    index = (at[..., 1] * (CELLS + 1) + at[..., 0]) * HEADINGS + way
    votes = np.bincount(index[inside], minlength=(CELLS + 1) ** 2 * HEADINGS)
    votes = np.minimum(votes, 6).reshape(CELLS + 1, CELLS + 1, HEADINGS).sum(axis=2)
    smooth = cv2.GaussianBlur(votes.astype(np.float32), (0, 0), 1.0)
    out = []
    for _ in range(MIDDLES):
        y, x = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
        out.append((x * cell, y * cell))
        smooth[max(0, y - 6) : y + 7, max(0, x - 6) : x + 7] = 0
    return np.array(out)


def _passing(a: Floats, b: Floats, middle: Floats) -> NDArray[np.bool_]:
    """Whether the lines through pairs of points pass near a middle, as seen from the points."""
    step, out = b - a, middle - (a + b) / 2
    cross = step[:, 0] * out[:, 1] - step[:, 1] * out[:, 0]
    off = np.abs(cross) / (np.linalg.norm(step, axis=1) * np.linalg.norm(out, axis=1) + 1e-9)
    near: NDArray[np.bool_] = off < 0.12
    return near


def _turns(xy: Floats, middle: Floats, fewest: int) -> tuple[Floats, Floats, int] | None:
    """Points about the middle with the tilt taken out; their angles in positions; how many."""
    reach = float(np.percentile(np.linalg.norm(xy - middle, axis=1), 90))
    bends = [np.eye(2)]
    for share, turn in product(np.arange(1, 6) * 0.05, np.arange(8) * np.pi / 8):
        c, s = np.cos(turn), np.sin(turn)
        turned = np.array([[c, s], [-s, c]])
        bends.append(turned.T @ np.diag([1 / (1 - share), 1.0]) @ turned)
    # first the tilt, then the middle, twice
    count, points, fit = 0, xy - middle, 0.0
    for k in range(3):
        if k % 2 == 0:
            ways = np.einsum("bij,nj->bni", np.array(bends), points)
        else:
            ways = (
                points
                + np.array(list(product(np.linspace(-0.04, 0.04, 9), repeat=2)))[:, None] * reach
            )
        fit, points, count = _most_regular(ways, fewest)
        if fit < (0.3, 0.5, 0.6)[k]:
            return None
    angle = np.arctan2(points[:, 1], points[:, 0]) * count / (2 * np.pi)
    phase = np.angle(np.exp(2j * np.pi * angle).mean()) / (2 * np.pi)
    return points, angle - phase, count


def _most_regular(ways: Floats, fewest: int) -> tuple[float, Floats, int]:
    """Of several placings of points, shape (placings, points, 2), the one whose angles repeat
    best, from 0 to 1, and how often in a turn."""
    turn = np.exp(1j * np.arctan2(ways[..., 1], ways[..., 0])).astype(np.complex64)
    power = turn ** (fewest - 1)
    best = []
    for _ in range(fewest, TIGHTEST + 1):
        power = power * turn
        mean = np.abs(power.mean(axis=1))
        k = int(np.argmax(mean))
        best.append((float(mean[k]), k))
    top = max(b[0] for b in best)
    # twice as many positions fit nearly as well
    at = next(i for i, b in enumerate(best) if b[0] > 0.85 * top)
    return best[at][0], ways[best[at][1]], fewest + at


def _full_rings(
    which: Ints, spots: Spots, points: Floats, turn: Floats, count: int
) -> Iterator[tuple[Ints, Ints, int]]:
    """Rings with a hole at nearly every position, under the perspective that makes rings sharp."""
    on = np.abs(turn - np.rint(turn)) < 0.25
    which, points, place = which[on], points[on], np.rint(turn[on]).astype(np.int64) % count
    far = np.linalg.norm(points, axis=1)
    reach, hole = float(far.max()), float(np.sqrt(np.median(spots.area[which]) / np.pi))
    best: tuple[int, Ints] = (0, which[:0])
    for v in product(np.linspace(-0.2, 0.2, 17), repeat=2):
        radius = far / (1 + points @ np.array(v) / reach)
        order = np.argsort(radius)
        # the places that a ring as wide as half a hole takes in
        last = np.searchsorted(radius[order], radius[order] + hole, "right")
        for k in np.flatnonzero(last - np.arange(len(last)) >= FULL * count):
            ring = order[k : last[k]]
            seen, first = np.unique(place[ring], return_index=True)
            if len(seen) > best[0]:
                best = (len(seen), ring[first])
    if best[0] >= FULL * count:
        # positions run anticlockwise in the picture, where y points down
        yield which[best[1]], place[best[1]], count
