"""Discs by their outlines: ellipses in a picture, and rings of holes that are concentric to them.

Opposite points of an ellipse have opposite gradients and its centre midway, so pairs of such edge
points vote for centres (as in P. S. Nair and A. T. Saunders, Hough transform based ellipse
detection algorithm, 1996). The rim of a disc is as clear as its holes, and far longer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from sonify.recover.sources.image.spots import Spots

__all__ = ["WELL_SEEN", "outlines_in", "rings_within"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SIDE = 480
"""Pixels of the longer side on which outlines are looked for: a disc of a quarter of it is then
known to half a percent."""
EDGES = 5000  # strongest edge points
HEADINGS = 48
LEANING = 0.87
"""Cosine of the angle between gradient and diameter: 0.94 for a disc tilted by 45 degrees."""
CENTRES = 5
WAVES = (0, 0.0), (1, 0.0), (1, np.pi / 2), (2, 0.0), (2, np.pi / 2)
COVERED = 0.35  # of an outline's directions that must be seen
WELL_SEEN = 0.6
"""The same of an outline that may be the rim: a hand and the picture's edge take a third."""
BOOSTS = 0.28, 20
"""How far perspective moves the middle in radii, at most, and steps of it each way: a camera that
sees 27 degrees to each side, filled by a disc tilted by 35 degrees."""
STEEP = 0.2, 6, 0.15
"""Perspectives by which holes of one size look so unlike that their sizes are compared as seen from
the front: how far the middle moves, in how many directions, and the reach of each."""
RINGS = 5
ALIKE = 0.5
"""Ratio of two holes' radii as a logarithm: 1.2 by perspective, 1.2 by measuring, and as much again
between groups."""
MOST_CONTRAST = 3.0  # ratio of holes: what shows through them may be patterned
EVEN = 0.12
"""Root mean square of the gaps of a ring, in positions; 0.29 is chance."""


def outlines_in(channel: NDArray[np.uint8]) -> list[tuple[Floats, float]]:
    """Ellipses: matrices from the unit circle to pixels, and the share of each that is seen.

    The largest that is well seen comes first, for of several discs it is the one to read; those
    that are not come last, the clearest first.
    """
    import cv2

    shrink = min(1.0, SIDE / max(channel.shape))
    small = cv2.resize(channel, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    image = cv2.GaussianBlur(np.log(small.astype(np.float32) + 6), (0, 0), 1.2)
    dx, dy = cv2.Sobel(image, cv2.CV_32F, 1, 0), cv2.Sobel(image, cv2.CV_32F, 0, 1)
    size = np.hypot(dx, dy)
    # thinned: the tops of the gradient, across the edge
    scale = 8000 / max(float(size.max()), 1e-6)
    low = float(np.median(size)) * scale
    thin = cv2.Canny(
        (dx * scale).astype(np.int16), (dy * scale).astype(np.int16), low, 2 * low, L2gradient=True
    )
    y, x = np.nonzero(thin)
    if len(x) > EDGES:
        keep = np.argpartition(-size[y, x], EDGES)[:EDGES]
        y, x = y[keep], x[keep]
    xy = np.column_stack([x, y]).astype(float)
    g = np.column_stack([dx[y, x], dy[y, x]]).astype(float) / size[y, x, None]
    heading = np.arctan2(g[:, 1], g[:, 0]) % (2 * np.pi)
    a, b = _opposite(xy, g, (heading * HEADINGS / (2 * np.pi)).astype(int) % HEADINGS, small.shape)
    if len(a) == 0:
        return []
    middle = (xy[a] + xy[b]) / 2
    found = []
    for centre in _peaks(middle, heading[a], small.shape):
        near = np.abs(middle - centre).max(axis=1) < 2.5
        found += _ellipses(xy[a[near]], xy[b[near]])
    found.sort(
        key=lambda one: (np.linalg.det(one[1][:2, :2]) * (one[0] > WELL_SEEN), one[0]), reverse=True
    )
    half = 0.5 / shrink - 0.5
    back = np.array([[1 / shrink, 0, half], [0, 1 / shrink, half], [0, 0, 1.0]])
    return [(back @ matrix, covered) for covered, matrix in found]


def _opposite(xy: Floats, g: Floats, way: Ints, shape: tuple[int, ...]) -> tuple[Ints, Ints]:
    """Pairs of edge points with opposite gradients that face each other."""
    first, second = [], []
    for k in range(HEADINGS // 2):
        a, b = np.flatnonzero(way == k), np.flatnonzero(way == k + HEADINGS // 2)
        if len(a) == 0 or len(b) == 0:
            continue
        across = xy[b][None] - xy[a][:, None]
        far = np.linalg.norm(across, axis=2)
        lean = np.abs(np.einsum("abi,ai->ab", across, g[a]))
        i, j = np.nonzero(
            (far > 0.12 * min(shape)) & (far < 1.2 * max(shape)) & (lean > LEANING * far)
        )
        first.append(a[i])
        second.append(b[j])
    return np.concatenate(first or [way[:0]]), np.concatenate(second or [way[:0]])


def _peaks(middle: Floats, heading: Floats, shape: tuple[int, ...]) -> list[Floats]:
    """Where midpoints of the most headings meet."""
    import cv2

    h, w = (v // 2 + 1 for v in shape)
    way = (heading * HEADINGS / (2 * np.pi)).astype(int) % (HEADINGS // 2)
    at = (middle / 2).astype(int)
    index = (way * h + at[:, 1].clip(0, h - 1)) * w + at[:, 0].clip(0, w - 1)
    votes = np.bincount(index, minlength=HEADINGS // 2 * h * w).reshape(-1, h, w)
    # a pattern of lines has many pairs of one heading
    total = np.minimum(votes, 4).sum(axis=0).astype(np.float32)
    smooth = cv2.GaussianBlur(total, (0, 0), 1.0)
    smooth -= cv2.blur(total, (31, 31))
    out = []
    for _ in range(CENTRES):
        y, x = np.unravel_index(int(np.argmax(smooth)), smooth.shape)
        out.append(np.array([2.0 * x + 1, 2.0 * y + 1]))
        smooth[max(0, y - 4) : y + 5, max(0, x - 4) : x + 5] = -np.inf
    return out


def _ellipses(a: Floats, b: Floats) -> list[tuple[float, Floats]]:
    """The ellipses about one centre on which the most pairs lie, and how much of each is seen."""
    if len(a) < 12:
        return []
    centre = np.median((a + b) / 2, axis=0)
    half = ((a - b) / 2).astype(float)
    angle = np.arctan2(half[:, 1], half[:, 0]) % np.pi
    bin_of = (angle * 36 / np.pi).astype(int) % 36
    out: list[tuple[float, Floats]] = []
    turns, ratios = np.arange(12) * np.pi / 12, np.arange(1.0, 1.5, 0.08)
    shapes = []
    for t in turns:
        for q in ratios:
            c, s = np.cos(t), np.sin(t)
            axes = np.array([[c, s], [-s, c]])
            shapes.append(axes.T @ np.diag([1 / q, 1.0]) @ axes)
    left = np.ones(len(half), bool)
    for _ in range(2):
        if left.sum() < 12:
            break
        r = np.linalg.norm(np.einsum("sij,nj->sni", np.array(shapes), half[left]), axis=2)
        step = (np.log(np.maximum(r, 1.0)) / 0.04).astype(int)
        wide = int(step.max()) + 2
        index = (np.arange(len(shapes))[:, None] * wide + step) * 36 + bin_of[left]
        seen = np.bincount(index.ravel(), minlength=len(shapes) * wide * 36) > 0
        count = seen.reshape(len(shapes), wide, 36).sum(axis=2)
        k, at = np.unravel_index(int(np.argmax(count)), count.shape)
        on = np.zeros(len(half), bool)
        on[left] = step[k] == at
        for tight in (0.06, 0.03, 0.02):
            if on.sum() < 6:
                break
            x, y = half[on].T
            conic, *_ = np.linalg.lstsq(
                np.column_stack([x * x, 2 * x * y, y * y]), np.ones(len(x)), rcond=None
            )
            form = conic[[0, 1, 1, 2]].reshape(2, 2)
            size = np.einsum("ni,ij,nj->n", half, form, half)
            on = left & (np.abs(size - 1) < 2 * tight)
        covered = len(np.unique(bin_of[on])) / 36
        if on.sum() < 6 or covered < COVERED:
            break
        value, axes = np.linalg.eigh(form)
        left &= ~(np.abs(size - 1) < 0.15)
        if value[0] <= 0:
            continue
        matrix = np.eye(3)
        matrix[:2, :2] = axes @ np.diag(value**-0.5) @ axes.T
        matrix[:2, 2] = np.median((a[on] + b[on]) / 2, axis=0) if on.any() else centre
        out.append((covered, matrix))
    return out


def _boosted(points: Floats, v: Floats) -> Floats:
    """Points under the projective maps that keep the unit circle and move its middle.

    Shapes (points, 2) and (maps, 2) give (maps, points, 2).
    """
    square = (v**2).sum(axis=1)
    gamma = 1 / np.sqrt(1 - square)
    along = v @ points.T
    scale = np.where(square > 0, (gamma - 1) / np.maximum(square, 1e-12), 0.0)
    moved = points + (scale[:, None] * along - gamma[:, None])[:, :, None] * v[:, None]
    out: Floats = moved / (gamma[:, None] * (1 - along))[:, :, None]
    return out


def rings_within(spots: Spots, outline: Floats, fewest: int) -> Iterator[tuple[Ints, Ints, int]]:
    """Rings concentric to an outline: spots, the place of each, and how many positions."""
    plane = (spots.centre - outline[:2, 2]) @ np.linalg.inv(outline[:2, :2]).T
    most, steps = BOOSTS
    axis = np.linspace(-most, most, 2 * steps + 1)
    v = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    v = v[np.linalg.norm(v, axis=1) <= most]
    inner = np.flatnonzero(np.linalg.norm(plane, axis=1) < 1.02)
    far, ways, reach = STEEP
    turn = 2 * np.pi * np.arange(ways) / ways
    for view in np.vstack([[0, 0], far * np.column_stack([np.cos(turn), np.sin(turn)])]):
        among = v[np.linalg.norm(v - view, axis=1) <= reach] if view.any() else v
        # the map's Jacobian determinant
        shown = ((1 - view @ view) ** 0.5 / (1 - plane[inner] @ view)) ** 3
        seen = Spots(spots.centre[inner], spots.area[inner] * shown, spots.contrast[inner])
        for alike in _alike(seen, fewest):
            usual, least = np.median(seen.area[alike]), seen.contrast[alike].min() / 2
            odd = np.abs(np.log(seen.area / usual)) / 2
            wide = (odd < ALIKE) & (seen.contrast > least)
            hole = float(np.sqrt(usual / np.pi / np.linalg.det(outline[:2, :2])))
            yield from _rings_of(inner[alike], inner[wide], odd[wide], plane, among, hole, fewest)


def _alike(spots: Spots, fewest: int) -> Iterator[Ints]:
    """Groups of spots of about the same size and contrast, those that stand out most first."""
    size = np.log(spots.area) / 2
    found = []
    for least in np.arange(size.min(initial=0), size.max(initial=0), ALIKE / 2):
        group = np.flatnonzero((size >= least) & (size < least + ALIKE))
        if len(group) < fewest:
            continue
        contrast = spots.contrast[group]
        tenth = np.partition(contrast, -fewest)[-fewest]
        group = group[contrast > tenth / MOST_CONTRAST]
        found.append((float(tenth) * np.exp(least), group))
    found.sort(key=lambda one: -one[0])
    yield from (group for _, group in found)


def _rings_of(
    inner: Ints, wider: Ints, odd: Floats, plane: Floats, v: Floats, hole: float, fewest: int
) -> Iterator[tuple[Ints, Ints, int]]:
    """The rings that the fewest of a group of spots form, with all spots that lie on each."""
    # how many spots a ring as wide as a hole's diameter has, under each perspective
    moved = _boosted(plane[inner], v)
    ring = (np.linalg.norm(moved, axis=2) / hole).astype(int)
    wide = int(ring.max()) + 2
    count = np.bincount((np.arange(len(v))[:, None] * wide + ring).ravel(), minlength=len(v) * wide)
    count = count.reshape(len(v), wide)
    count[:, 1:] += count[:, :-1]
    # most of all, and most against spots spread evenly over the disc
    chance = len(inner) * 4 * np.arange(wide) * hole**2
    excess = (count - chance) / np.sqrt(chance + 1)
    for standing in (count.copy(), np.where(count < fewest, 0, excess)):
        for _ in range(RINGS):
            k, at = np.unravel_index(int(np.argmax(standing)), count.shape)
            if count[k, at] < fewest or standing[k, at] <= 0:
                break
            curve = _curve(moved[k], hole, at * hole)
            points = _boosted(plane[wider], v[k : k + 1])[0]
            on = np.abs(np.linalg.norm(points, axis=1) - curve(points)) < 0.8 * hole
            found = _around(*_apart(wider[on], points[on], odd[on], hole), fewest)
            if found is not None:
                yield found
            # rings of other spots next, or these under quite another perspective
            near = np.linalg.norm(v - v[k], axis=1) < BOOSTS[0] / 3
            standing[near, max(0, at - 2) : at + 3] = 0


def _apart(which: Ints, points: Floats, odd: Floats, hole: float) -> tuple[Ints, Floats]:
    """Spots about the middle, without the odder one of two that are too near to be two holes."""
    angle = np.arctan2(-points[:, 1], points[:, 0])
    order = np.argsort(angle)
    which, points, odd = which[order], points[order], odd[order]
    while len(which) > 1:
        after = np.r_[1 : len(which), 0]
        near = np.linalg.norm(points - points[after], axis=1) < 1.5 * hole
        odder = np.where(odd > odd[after], np.arange(len(which)), after)[near]
        if len(odder) == 0:
            break
        kept = np.setdiff1d(np.arange(len(which)), odder)
        which, points, odd = which[kept], points[kept], odd[kept]
    return which, points


def _curve(points: Floats, hole: float, radius: float) -> Callable[[Floats], Floats]:
    """The radius at places about the middle of a ring that is nearly round: an outline's thickness
    shifts it, and a hand at it bends it."""

    def waves(at: Floats) -> Floats:
        angle = np.arctan2(at[:, 1], at[:, 0])
        return np.column_stack([np.cos(k * angle + q) for k, q in WAVES])

    off = np.linalg.norm(points, axis=1) - radius
    known, fit = waves(points), np.zeros(len(WAVES))
    for wide in (2.0, 1.5, 1.2, 1.0, 0.8):
        on = np.abs(off - known @ fit) < wide * hole
        if on.sum() < 2 * len(WAVES):
            break
        fit = np.linalg.lstsq(known[on], off[on], rcond=None)[0]
    return lambda at: radius + waves(at) @ fit


def _around(which: Ints, points: Floats, fewest: int) -> tuple[Ints, Ints, int] | None:
    """Spots about the middle, numbered by the gaps between them, if these are even."""
    if len(which) < fewest:
        return None
    angle = np.arctan2(-points[:, 1], points[:, 0]) % (2 * np.pi)
    order = np.argsort(angle)
    gap = np.diff(angle[order], append=angle[order[0]] + 2 * np.pi)
    usual = 1 / _rate(angle[order], gap)
    steps = gap / usual
    whole = np.rint(steps)
    count = int(whole.sum())
    if count < fewest or len(gap) < 0.6 * count or count > 3 * len(gap):
        return None
    uneven = float(np.sqrt(np.mean(np.clip(steps - whole, -0.5, 0.5) ** 2)))
    if uneven > EVEN:
        return None
    place = np.r_[0, np.cumsum(whole[:-1])].astype(np.int64)
    first = np.unique(place % count, return_index=True)[1]
    return which[order[first]], place[first] % count, count


def _rate(angle: Floats, gap: Floats) -> Floats:
    """How many positions there are to a radian about each gap, smoothly round the ring."""
    k = min(4, (len(gap) - 1) // 2)
    near = np.lib.stride_tricks.sliding_window_view(np.r_[gap[-k:], gap, gap[:k]], 2 * k + 1)
    usual = np.median(near, axis=1)
    middle = angle + gap / 2
    waves = np.column_stack([np.cos(k * middle + q) for k, q in WAVES])
    single = np.abs(gap / usual - 1) < 0.3
    if single.sum() < 2 * len(WAVES):
        return np.asarray(1 / usual)
    fit = np.linalg.lstsq(waves[single], 1 / gap[single], rcond=None)[0]
    return np.asarray(np.maximum(waves @ fit, 0.5 / usual))
