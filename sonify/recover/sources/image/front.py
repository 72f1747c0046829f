"""The disc seen straight from the front, and everything on it that looks like a clock hole.

The clock row shows what a hole looks like in this picture, whatever the light, the material and
the focus: the median of its holes is the template of a matched filter. Engraving, grain and glare
are unlike it, or do not lie on the grid of the positions.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.sources.image.ring import View, project
from sonify.recover.sources.rings import Ring, rings_of, row_ladder

__all__ = ["find_rows", "innermost"]

Floats = NDArray[np.float64]

HOLE = 3.5
"""Radius of a hole in pixels of the front view: the template is then 9 pixels wide, which shows
the shape of a hole, and a disc of 120 positions is about 600 pixels across."""
AROUND = 1.25
"""Half the width of the template in radii of a hole: webs are as narrow as half a hole."""
ON_GRID = 0.35
"""Radii of a hole by which a hole may be off its place; in 11 pictures no hole of a row was further
off."""
ALIKE = 0.5, 0.8
"""Correlations with the template between which the limit for a hole lies; chosen by eye. In sharp
pictures, clock holes reach 0.95, and holes beside a hand or a glare less."""
LARGEST = 4000  # pixels across


class Front(NamedTuple):
    """What looks like a clock hole: places in the disc's plane, and whether on the grid."""

    radius: Floats
    position: NDArray[np.int64]
    on_grid: NDArray[np.bool_]
    sure: NDArray[np.bool_]


def innermost(view: View) -> float:
    """The least radius at which there is room for all positions side by side; blur makes holes look
    up to a sixth larger."""
    return max(2.2 * view.hole, 2 * view.hole / 1.17 * view.positions / (2 * np.pi))


def _straightened(
    image: NDArray[np.float32], view: View, reach: float
) -> tuple[NDArray[np.float32], float]:
    """The logarithm of the picture, seen from the front; pixels for one unit of the plane."""
    import cv2

    scale = min(HOLE / view.hole, LARGEST / (2 * reach))
    half = int(np.ceil(reach * scale))
    there = view.matrix @ [[1 / scale, 0, -half / scale], [0, 1 / scale, -half / scale], [0, 0, 1]]
    middle = project(view.matrix, np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]]))
    across = np.linalg.norm(middle[[1, 3]] - middle[[0, 2]], axis=1).mean() / 2
    shrink = 1.2 * scale / across
    if shrink < 0.8:
        small = cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        image = np.asarray(small, np.float32)
        there = [[shrink, 0, (shrink - 1) / 2], [0, shrink, (shrink - 1) / 2], [0, 0, 1]] @ there
    size, how = (2 * half + 1, 2 * half + 1), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(image, there, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.log(flat), np.float32), scale


def _front_of(image: NDArray[np.float32], view: View, reach: float) -> Front:
    """Everything that looks like a clock hole, as far out as `reach`."""
    import cv2

    flat, scale = _straightened(image, view, reach)
    half = len(flat) // 2
    n = view.positions
    angle = 2 * np.pi * np.arange(n) / n
    clock = half + scale * np.column_stack([np.cos(angle), np.sin(angle)])
    edge = round(AROUND * scale * view.hole)
    side = 2 * edge + 1
    patches = np.stack([cv2.getRectSubPix(flat, (side, side), (x, y)) for x, y in clock])
    template = np.median(patches - patches.mean(axis=(1, 2), keepdims=True), axis=0)
    like = cv2.matchTemplate(flat, template, cv2.TM_CCOEFF_NORMED)
    size = cv2.matchTemplate(flat, template, cv2.TM_CCOEFF)
    near = np.rint(clock).astype(int) - edge
    around = np.stack([like[y - 1 : y + 2, x - 1 : x + 2].max() for x, y in near])
    strong = np.median(size[near[:, 1], near[:, 0]])
    middle, low = np.percentile(around, (50, 10))
    # as far below the middle again as one clock hole in ten is
    strict = 2 * low - middle
    limit = float(np.clip(strict, *ALIKE))
    close = np.ones((2 * (edge // 2) + 1,) * 2, np.uint8)
    peak = (like == cv2.dilate(like, close)) & (like > limit) & (size > 0.4 * strong)
    y, x = np.nonzero(peak)
    plane = (np.column_stack([x, y]) + edge - half) / scale
    # beyond the picture's edge its last pixels go on
    place = project(view.matrix, plane)
    seen = ((place >= 0) & (place <= np.array(image.shape[::-1]) - 1)).all(axis=1)
    x, y, plane = x[seen], y[seen], plane[seen]
    radius = np.hypot(*plane.T)
    turn = np.arctan2(plane[:, 1], plane[:, 0]) * n / (2 * np.pi)
    position = np.rint(turn).astype(np.int64)
    off = np.abs(turn - position) * 2 * np.pi * radius / n
    return Front(radius, position % n, off < ON_GRID * view.hole, like[y, x] > strict)


def find_rows(
    image: NDArray[np.float32], view: View, reach: float
) -> tuple[Floats, list[str], float]:
    """Radii of the rows, outermost first, in radii of the clock row, and what to say of them.

    Last comes the radius of the ring with the most holes, which is the clock row; 1 if the view
    is right.

    Parameters
    ----------
    image : ndarray of float32
        With the brightness from 1 on.
    view : View
    reach : float
        Radius of the outermost row that is looked for.
    """
    h, w = image.shape
    edge = np.array([[x, y] for x in (0, w / 2, w) for y in (0, h / 2, h)])
    farthest = float(np.nanmax(np.linalg.norm(view.plane(edge), axis=1)))
    front = _front_of(image, view, max(min(reach, farthest, view.rim), 1 + 2 * view.hole))
    # rows stand on one side of the clock row, or on both
    outer = _ladder(front, view, front.radius - 1.0 > 1.6 * view.hole)
    inner = _ladder(
        front, view, (1.0 - front.radius > 1.6 * view.hole) & (front.radius > innermost(view))
    )
    # a lone hole or two on the other side of the clock row are the mark or engraving
    sides = [side for side, _ in (outer, inner)]
    many = [sum(_holes_at(front, view, r) for r in side) for side in sides]
    least = min(max(many), 0.12 * view.positions)
    sides = [s if m >= least else s[:0] for s, m in zip(sides, many, strict=True)]
    radii = np.concatenate(sides)
    fullest = max((1.0, *radii), key=lambda r: (_holes_at(front, view, r), r == 1.0))
    return radii, outer[1] + inner[1], float(fullest)


def _holes_at(front: Front, view: View, radius: float) -> int:
    """At how many positions of a ring there is a hole."""
    at = front.on_grid & (np.abs(front.radius - radius) < 0.6 * view.hole)
    return len(np.unique(front.position[at]))


def _ladder(front: Front, view: View, side: NDArray[np.bool_]) -> tuple[Floats, list[str]]:
    """The rows on one side of the clock row."""
    hole = 2 * view.hole
    which = np.flatnonzero(side & front.on_grid)
    if len(which) == 0:
        return np.empty(0), []
    stray = front.radius[side & ~front.on_grid]
    rings = []
    for ring in rings_of(front.radius[which], hole):
        members = np.unique(front.position[which[ring.members]])
        near = int((np.abs(stray - ring.radius) < hole).sum())
        # of strays about as many lie on the grid by chance
        chance = 2 * ON_GRID * view.hole / (2 * np.pi * ring.radius / view.positions)
        # a lone one may be a stroke of engraving
        alone = len(members) == 1 and not front.sure[which[ring.members]].any()
        if len(members) > 3 * near * chance and not alone:
            rings.append(Ring(ring.radius, members))
    full = [r for r in rings if len(r.members) >= max(3, 0.12 * view.positions)]
    if not full:
        return (np.array([r.radius for r in rings]), []) if len(rings) == 1 else (np.empty(0), [])
    if len(full) > 1:
        rings = _together(rings, full)
    ladder = row_ladder(rings, view.positions, hole, 1.0)
    return ladder.radii, ladder.notes


def _together(rings: list[Ring], full: list[Ring]) -> list[Ring]:
    """Rings without those that lie more than two rows away from all others."""
    pitch = float(np.min(-np.diff([r.radius for r in full])))
    first, last = full[0].radius, full[-1].radius
    kept = [r for r in rings if last <= r.radius <= first]
    for r in sorted(rings, key=lambda r: min(abs(r.radius - first), abs(r.radius - last))):
        if r in kept:
            continue
        if min(abs(r.radius - k.radius) for k in kept) < 1.5 * pitch:
            kept.append(r)
    return sorted(kept, key=lambda r: -r.radius)
