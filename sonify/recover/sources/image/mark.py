"""Where the rows of a disc in a photograph begin: its index mark, and the arrow about its bore.

Both are looked for in the shape that `sonify draw` gives them: a triangle that points at the
holes, and an arc of 100 degrees whose middle lies at the same angle. What else stands out beside
one position only, as a notch at the rim may, counts too.

Both matched filters are weighed by how much a place looks like the shape (the correlation), so
that the edge of a shadow or of a hand does not pass for it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sonify.recover.search.arrangement import ELSEWHERE
from sonify.recover.sources.image.ring import View, project
from sonify.recover.sources.image.sites import STANDS_OUT, STEP, sample

__all__ = ["start_evidence"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

UNLIKE = 4.0
"""Bits of evidence that something is the mark that stands out, but not like one: of 24 in pictures
by another generator, 18 were it."""
FINE = 5  # steps of a map of the disc for the radius of a hole
SIZES = np.geomspace(1.2, 5.0, 6)  # of a triangle, in radii of a hole
NEAR = 8  # radii of a hole, within which light is taken for even
ABOUT = 24  # radii of a hole, within which noise is taken for even
LIMIT = 8.0  # of what is so many times the noise, more counts no more
LEAST = 4  # radii at which a mark is looked for
TURN = 720  # steps of the angle in which the arrow is looked for
HALF = 50.0  # degrees, half the arc of the arrow in a drawing
ARROW = 0.5
"""Share of the most that an arrow can reach, above which there is one. Of 211 pictures by three
generators 83 lay above it, 81 of them with the arrow within two positions of its place."""
CLEARER = 0.3
"""By which share the best place for an arrow must be better than others to be certain: of 41 of the
83, 40 were better by as much."""


def start_evidence(
    image: NDArray[np.float32], view: View, radii: Floats, hidden: NDArray[np.bool_]
) -> tuple[Floats, bool]:
    """Bits of evidence that the rows begin at each position, and whether the mark itself is clear.

    Parameters
    ----------
    image : ndarray of float32
    view : View
    radii : ndarray
        Of the rows, in radii of the clock row.
    hidden : ndarray of bool, shape (positions,)
        Where something may lie over the disc.

    Returns
    -------
    evidence : ndarray, shape (positions,)
        From 0 to `ELSEWHERE`, which is that of a mark that can't be mistaken.
    clear : bool
    """
    inner, outer = min(1.0, radii.min()), max(1.0, radii.max())
    mark = _triangle(image, view, outer, hidden)
    if not mark.any():
        mark = _unlike(image, view, outer, hidden)
    evidence: Floats = mark + _arrow(image, view, inner)
    evidence -= max(evidence.max() - ELSEWHERE, 0.0)
    return np.maximum(evidence, 0.0), bool(mark.max() >= ELSEWHERE)


def _map(image: NDArray[np.float32], view: View, rho: Floats, count: int) -> Singles:
    """The logarithm of the brightness at each radius and at `count` angles."""
    angle = 2 * np.pi * np.arange(count) / count
    turn = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    with np.errstate(all="ignore"):
        level = np.log(sample(image, project(view.matrix, rho[:, None, None] * turn)))
    seen = np.isfinite(level)
    return np.where(seen, level, np.median(level[seen]) if seen.any() else 0).astype(np.float32)


def _triangle(
    image: NDArray[np.float32], view: View, outer: float, hidden: NDArray[np.bool_]
) -> Floats:
    """Evidence of a triangle between the outermost holes and the rim that points at the holes."""
    import cv2

    r, n = view.hole, view.positions
    rim = view.rim if view.rim < np.inf else outer + 6 * r
    rho = np.arange(outer + 1.05 * r, rim + 0.3 * r, r / FINE)
    if len(rho) < 1.2 * FINE:
        return np.zeros(n)
    per = int(np.ceil(np.pi * (rho[0] + rho[-1]) / (r / FINE) / n))
    level = _map(image, view, rho, n * per)
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
    """How strongly and how well a shape fits at each radius and angle."""
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


def _arrow(image: NDArray[np.float32], view: View, inner: float) -> Floats:
    """Evidence of the arc about the bore, by the angle of its middle."""
    r = view.hole
    rho = np.arange(0.06, inner - 1.2 * r, r / 6)
    if len(rho) < 12:
        return np.zeros(view.positions)
    level = _map(image, view, rho, TURN)
    beyond = _bore(level, rho < inner - 2.5 * r)
    if beyond > len(rho) - 6:
        return np.zeros(view.positions)
    like = np.max([_arc(level, wide, beyond) for wide in (1, 3)], axis=0)
    best = int(like.argmax())
    off = np.abs((np.arange(TURN) - best + TURN // 2) % TURN - TURN // 2) * 360 / TURN
    chance = max(float(like[off > HALF].max()), 0.01)
    if like[best] < max(ARROW, chance):
        return np.zeros(view.positions)
    most = ELSEWHERE * min((like[best] / chance - 1) / CLEARER, 1.0)
    at = np.arange(view.positions) * TURN / view.positions
    share = (np.interp(at, np.arange(TURN), like, period=TURN) - chance) / (like[best] - chance)
    out: Floats = most * np.clip(share, 0, 1)
    return out


def _bore(level: Singles, which: NDArray[np.bool_]) -> int:
    """The first radius beyond the edge of the bore, which is seen all around."""
    step = np.median(np.abs(level[4:] - level[:-4]), axis=1)
    edges = np.flatnonzero((step > 3 * np.median(step) + 2 * STEP) & which[2:-2])
    return int(edges[-1]) + 8 if len(edges) else 0


def _arc(level: Singles, wide: int, beyond: int) -> Floats:
    """How strongly and how well an arc of a line `2 * wide + 1` radii apart from what lies beside
    it fits about each angle; 1 at most."""
    import cv2

    smooth = cv2.blur(level, (3, wide))
    out, into = (smooth - np.roll(smooth, way * (2 * wide + 1), axis=0) for way in (-1, 1))
    # a line is unlike both sides, and in the same sense
    line = np.where(out * into > 0, np.sign(out) * np.minimum(np.abs(out), np.abs(into)), 0)
    line[: max(beyond, 2 * wide + 1)] = line[-2 * wide - 1 :] = 0
    usual = np.median(np.abs(line[beyond:])) + STEP / 2
    noise = cv2.blur(np.minimum(np.abs(line), 5 * usual).astype(np.float32), (91, 9)) + STEP / 2
    line = np.clip(line / noise, -LIMIT / 2, LIMIT / 2)
    off = np.minimum(np.arange(TURN), TURN - np.arange(TURN)) * 360 / TURN
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
    fit: Floats = size**2 / np.sqrt(spread) / most
    best: Floats = fit.max(axis=0)
    return best


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
