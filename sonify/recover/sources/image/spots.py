"""Spots: round patches that are darker or brighter than their surroundings.

Extrema of differences of Gaussians over place and size (D. Lowe, Distinctive image features from
scale-invariant keypoints, 2004), of the logarithm of the picture, so that uneven light does not
matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["Spots", "find_spots"]

Floats = NDArray[np.float64]

MOST = 3000
FINEST = 1.0  # pixels of the narrowest Gaussian: a hole's radius is then 1.6 pixels
STEPS = 3  # sizes an octave
SIGMAS = 4.0
"""Noise that a spot stands out by: 1 pixel in 30,000 does so by chance."""
TILES = 12  # across the picture, in which noise is measured and the strongest spots are taken
USUAL = 4
FAINT = 0.25
"""A spot is left out if its contrast is less than this share of that of its tile's fifth spot: a
shadow or a glare halves the contrast of holes at most."""
LONGEST = 3.5
"""Ratio of the curvatures along and across a spot at most; a disc tilted by 45 degrees has 2."""


@dataclass(frozen=True, eq=False)
class Spots:
    """Spots in a picture: centres (x, y), areas in pixels, and contrasts as logarithms."""

    centre: Floats
    area: Floats
    contrast: Floats

    def __len__(self) -> int:
        return len(self.area)

    def __getitem__(self, which: NDArray[np.integer] | NDArray[np.bool_]) -> Spots:
        return Spots(self.centre[which], self.area[which], self.contrast[which])


def find_spots(channel: NDArray[np.uint8], most: int = MOST) -> tuple[Spots, Spots]:
    """Dark and bright spots, those that stand out most first.

    Parameters
    ----------
    channel : ndarray of uint8, shape (height, width)
    most : int
        Spots of each kind.
    """
    import cv2

    table = np.log(np.arange(256, dtype=np.float32) + 6)
    image = cv2.LUT(channel, table)
    found: tuple[list[Floats], list[Floats]] = ([], [])
    scale = 1.0
    noise: NDArray[np.floating] = np.empty(0, np.float32)
    while min(image.shape) >= 48:
        sigmas = FINEST * 2 ** (np.arange(STEPS + 3) / STEPS)
        levels = [cv2.GaussianBlur(image, (0, 0), s) for s in sigmas]
        steps = [b - a for a, b in pairwise(levels)]
        noise = _noise(steps[0]) if scale == 1 else noise[::2, ::2] / 2
        for k in range(1, STEPS + 1):
            for dark in (True, False):
                sign = 1 if dark else -1
                near = [sign * s for s in steps[k - 1 : k + 2]]
                found[not dark].append(_extrema(near, noise * FINEST / sigmas[k], sigmas[k], scale))
        image = levels[STEPS][::2, ::2]
        scale *= 2
    longest = max(channel.shape)
    return _strongest(found[0], longest, most), _strongest(found[1], longest, most)


def _noise(step: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much a level varies about each place, as the standard deviation of a normal law."""
    import cv2

    h, w = step.shape
    side = max(8, max(h, w) // TILES)
    rows, columns = h // side, w // side
    part = np.abs(step[: rows * side, : columns * side]).reshape(rows, side, columns, side)
    few = part[:, ::2, :, ::2].transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    quiet = np.partition(few, few.shape[2] // 5, axis=2)[:, :, few.shape[2] // 5]
    return np.asarray(cv2.resize(quiet / 0.2533, (w, h)), np.float32)


def _extrema(
    near: list[NDArray[np.float32]], noise: NDArray[np.floating], sigma: float, scale: float
) -> Floats:
    """Maxima over place and size: columns of x, y, area and contrast."""
    import cv2

    below, here, above = near
    peak = (here == cv2.dilate(here, np.ones((3, 3), np.uint8))) & (here > SIGMAS * noise + 0.002)
    peak[[0, -1]] = peak[:, [0, -1]] = False
    y, x = np.nonzero(peak)
    value = here[y, x]
    low, high = below[y, x], above[y, x]
    dxx = here[y, x - 1] + here[y, x + 1] - 2 * value
    dyy = here[y - 1, x] + here[y + 1, x] - 2 * value
    dxy = (here[y - 1, x - 1] + here[y + 1, x + 1] - here[y - 1, x + 1] - here[y + 1, x - 1]) / 4
    det = dxx * dyy - dxy**2
    ok = (value > low) & (value >= high) & (det > 0)
    ok &= (dxx + dyy) ** 2 < det * (LONGEST + 1) ** 2 / LONGEST
    y, x, value, low, high = y[ok], x[ok], value[ok], low[ok], high[ok]
    dxx, dyy, dxy, det = dxx[ok], dyy[ok], dxy[ok], det[ok]
    # the tops of the parabolas through the neighbours in place and in size
    gx = (here[y, x + 1] - here[y, x - 1]) / 2
    gy = (here[y + 1, x] - here[y - 1, x]) / 2
    dx = np.clip((dxy * gy - dyy * gx) / det, -0.7, 0.7)
    dy = np.clip((dxy * gx - dxx * gy) / det, -0.7, 0.7)
    finer = np.clip((high - low) / (2 * (2 * value - low - high) + 1e-9), -0.5, 0.5)
    # a disc of radius r answers most to the pair of Gaussians about r / sqrt(2)
    radius = np.sqrt(2.0) * sigma * 2 ** ((finer + 0.5) / STEPS) * scale
    place = np.column_stack([x + dx, y + dy]) * scale
    return np.column_stack([place, np.pi * radius**2, value]).astype(float)


def _strongest(found: list[Floats], longest: int, most: int) -> Spots:
    """The strongest spots of the picture and of each tile, so that neither a patterned table can
    crowd out a pale disc, nor the grain of a wide table a small one."""
    every = np.concatenate([np.empty((0, 4)), *found])
    every = every[np.argsort(-every[:, 3], kind="stable")]
    tile = (every[:, :2] * TILES / longest).astype(int) @ [1, TILES + 1]
    order = np.argsort(tile, kind="stable")
    first = np.searchsorted(tile[order], tile[order])
    rank = np.empty(len(every), int)
    rank[order] = np.arange(len(every)) - first
    # beside holes, which are alike, grain is faint
    last = np.searchsorted(tile[order], tile[order], "right") - 1
    usual = np.empty(len(every))
    usual[order] = every[order[np.minimum(first + USUAL, last)], 3]
    every, rank = every[every[:, 3] > FAINT * usual], rank[every[:, 3] > FAINT * usual]
    every = every[
        np.sort(np.r_[: min(most // 2, len(every)), np.argsort(rank, kind="stable")[: most // 2]])
    ]
    every = every[np.unique(every, axis=0, return_index=True)[1]]
    every = every[np.argsort(-every[:, 3], kind="stable")]
    # each once, at the size at which it is strongest; much smaller, it is the hole's shaded side
    radius = np.sqrt(every[:, 2] / np.pi)
    x, y = every[:, 0], every[:, 1]
    near = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2 < (0.8 * radius[:, None]) ** 2
    near &= radius[:, None] < 1.4 * radius
    every = every[~np.tril(near, -1).any(axis=1)]
    return Spots(every[:, :2], every[:, 2], every[:, 3])
