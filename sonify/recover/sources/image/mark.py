"""Where the rows of a disc in a photograph begin, and how it turns: its index mark and its arrow.

The mark is looked for in the shape that `sonify draw` gives it, a triangle that points at the
holes. What else stands out beside one position only, as a notch at the rim may, counts too.

Matched filters are weighed by how much a place looks like the shape (the correlation), so that the
edge of a shadow or of a hand does not pass for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.search.arrangement import ELSEWHERE
from sonify.recover.sources.image.arrow import arrow_evidence
from sonify.recover.sources.image.ring import View, project
from sonify.recover.sources.image.sites import LIMIT, STANDS_OUT, STEP, polar_map, sample

__all__ = ["Marks", "marks_of"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

UNLIKE = 4.0
"""Bits of evidence that something is the mark that stands out, but not like one: of 24 in pictures
by another generator, 18 were it."""
FINE = 5  # steps of a map of the disc for the radius of a hole
SIZES = np.geomspace(1.2, 5.0, 6)  # of a triangle, in radii of a hole
NEAR = 8  # radii of a hole, within which light is taken for even
ABOUT = 24  # radii of a hole, within which noise is taken for even
LEAST = 4  # radii at which a mark is looked for


class Marks(NamedTuple):
    """What the marks on a disc tell, in bits of evidence.

    Attributes
    ----------
    start : ndarray, shape (positions,)
        That the rows begin at each position, from 0 to `ELSEWHERE`, which is that of a mark that
        can't be mistaken.
    clockwise : float
        That the disc turns clockwise; below 0, that it turns the other way.
    mark, arrow : float
        The most that the index mark alone, and the arrow alone, tell of the start.
    """

    start: Floats
    clockwise: float
    mark: float
    arrow: float


def marks_of(
    image: NDArray[np.float32], view: View, radii: Floats, hidden: NDArray[np.bool_]
) -> Marks:
    """What the index mark and the arrow about the bore tell.

    Parameters
    ----------
    image : ndarray of float32
    view : View
    radii : ndarray
        Of the rows, in radii of the clock row.
    hidden : ndarray of bool, shape (positions,)
        Where something may lie over the disc.
    """
    inner, outer = min(1.0, radii.min()), max(1.0, radii.max())
    r = view.hole
    rim = view.rim if view.rim < np.inf else outer + 6 * r
    mark = _triangle(image, view, np.arange(outer + 1.05 * r, rim + 0.3 * r, r / FINE), hidden)
    arrow, clockwise = arrow_evidence(image, view, inner)
    near = (int(arrow.argmax()) + np.arange(-2, 3)) % view.positions
    if not mark.any() and arrow.any():
        # where the rim has no room, the mark stands on the hub, among what is engraved there
        hub = np.arange(inner - 1.05 * r, max(inner - 6 * r, r), -r / FINE)
        mark[near] = _triangle(image, view, hub, hidden)[near]
    if not mark.any():
        mark = _unlike(image, view, outer, hidden)
    start: Floats = mark + arrow
    start = np.maximum(start - max(start.max() - ELSEWHERE, 0.0), 0.0)
    # a mark about its middle shows that it is an arrow
    clockwise *= float(start[near].max()) / ELSEWHERE
    return Marks(start, clockwise, float(mark.max()), float(arrow.max()))


def _triangle(
    image: NDArray[np.float32], view: View, rho: Floats, hidden: NDArray[np.bool_]
) -> Floats:
    """Evidence of a triangle that points at the holes, within radii that lead away from them."""
    import cv2

    n = view.positions
    if len(rho) < 1.2 * FINE:
        return np.zeros(n)
    per = int(np.ceil(np.pi * (rho[0] + rho[-1]) / (view.hole / FINE) / n))
    level = polar_map(image, view, rho, n * per)
    about = ABOUT * FINE
    around = np.pad(level, ((0, 0), (about, about)), mode="wrap")
    uneven = around - cv2.blur(around, (NEAR * FINE + 1, 1))
    size = np.abs(uneven)
    noise = cv2.blur(np.minimum(size, 3 * np.median(size) + 2 * STEP), (about + 1, FINE))
    # 1.25 times the mean of the size is the deviation of noise
    field = np.clip(uneven / (1.25 * noise + STEP / 2), -LIMIT, LIMIT).astype(np.float32)
    field = np.pad(field, ((2, 2), (0, 0)))
    like = [
        np.max(_likeness(field, shape, about, n * per), axis=0)
        for shape in _triangles(min(len(rho) - 1, 5 * FINE))
        if shape.shape[0] <= len(field)
    ]
    if not like:
        return np.zeros(n)
    along = np.max(like, axis=0)
    wide = max(1, min(per // 4, FINE // 2))
    along = np.max([np.roll(along, k) for k in range(-wide, wide + 1)], axis=0)
    at, between = np.where(hidden, 0.0, along[::per]), along[per // 2 :: per]
    # a mark may reach its neighbours
    best = int(at.argmax())
    near = (best + np.arange(-1, 2)) % n
    chance = max(np.delete(at, near).max(), np.delete(between, near).max(), 1.0)
    # the largest of m values of chance is about log(m) times their mean
    bits = (at / chance - 1) * np.log2(2 * n)
    bits -= max(0.0, bits[best] - min(at[best], ELSEWHERE))
    out = np.zeros(n)
    out[near] = np.maximum(bits[near], 0)
    return out


def _likeness(field: Singles, shape: Singles, first: int, count: int) -> Floats:
    """How strongly and how well a shape fits at each radius and angle, against its usual fit."""
    import cv2

    where = slice(first - shape.shape[1] // 2, first - shape.shape[1] // 2 + count)
    size = cv2.matchTemplate(field, shape, cv2.TM_CCOEFF)[:, where] / np.linalg.norm(shape)
    well = cv2.matchTemplate(field, shape, cv2.TM_CCOEFF_NORMED)[:, where]
    usual = 1.4826 * np.median(np.abs(size), axis=1, keepdims=True) + 0.3
    out: Floats = np.abs(size * well / usual)
    return out


def _triangles(largest: int) -> Iterator[Singles]:
    """Templates of triangles whose tips point inwards: lines and areas."""
    import cv2

    for size in np.unique(np.rint(np.minimum(SIZES * FINE, largest)).astype(int)).tolist():
        corners = np.array([[size / 2, 0], [0, size], [size, size]]) + 2
        points = [np.rint(8 * corners).astype(np.int32)]
        for draw in ("line", "area"):
            shape = np.zeros((size + 5, size + 5), np.uint8)
            if draw == "line":
                cv2.polylines(shape, points, True, 255, 1, cv2.LINE_AA, 3)
            else:
                cv2.fillPoly(shape, points, 255, cv2.LINE_AA, 3)
            soft = cv2.GaussianBlur(shape.astype(np.float32), (0, 0), 0.6)
            yield soft - soft.mean()


def _unlike(
    image: NDArray[np.float32], view: View, outer: float, hidden: NDArray[np.bool_]
) -> Floats:
    """Evidence of anything about one position only, between the outermost holes and the rim."""
    r, n = view.hole, view.positions
    rho = np.linspace(outer + 1.2 * r, min(view.rim - 0.2 * r, outer + 4.6 * r), 12)
    if rho[-1] - rho[0] < LEAST * r / FINE:
        return np.zeros(n)
    angle = 2 * np.pi * np.arange(n) / n
    turn = angle[:, None, None] + np.linspace(-1.0, 1.0, 9) * r / outer
    points = rho[:, None, None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    with np.errstate(all="ignore"):
        patch: Floats = np.log(sample(image, project(view.matrix, points)))
    fine: NDArray[np.bool_] = np.all(np.isfinite(patch), axis=2) & ~hidden[:, None]
    patch = np.where(np.isfinite(patch), patch, 0.0)
    patch -= np.median(patch, axis=2, keepdims=True)
    # how uneven each strip across a position is, and how unlike the usual strip there
    unlike = np.sqrt(np.mean((patch - np.median(patch, axis=0)) ** 2, axis=2))
    unlike = np.where(fine, unlike, 0.0)
    unlike = (unlike[:, 2:] + unlike[:, 1:-1] + unlike[:, :-2]) / 3
    typical = np.median(unlike, axis=0)
    spread = 1.4826 * np.median(np.abs(unlike - typical), axis=0)
    z = (unlike - typical) / (spread + 0.35 * typical + 0.004)
    best: tuple[float, int] | None = None
    for strip in z.T:
        k = int(np.argmax(strip))
        # a mark may reach its neighbours
        rest = max(float(np.delete(np.roll(strip, 1 - k), range(3)).max()), 1.0)
        # engraving goes on beside a position at which it stands out
        beside = z[(k + np.array([-3, -2, 2, 3])) % n].max()
        if strip[k] > max(STANDS_OUT, 1.6 * rest) and beside < STANDS_OUT:
            best = max(best or (0.0, 0), (float(strip[k] / rest), k))
    out = np.zeros(n)
    if best is not None:
        out[best[1]] = UNLIKE
    return out
