"""Spots: round patches that are darker or brighter than their surroundings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Spots", "find_spots"]

MOST = 3000
FEWEST_PIXELS = 16


@dataclass(frozen=True, eq=False)
class Spots:
    """Spots in a picture: centres (x, y) and areas in pixels."""

    centre: NDArray[np.float64]
    area: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.area)


def _components(mask: NDArray[np.uint8], largest: float) -> tuple[NDArray[np.float64], ...]:
    import cv2

    _, _, stats, centres = cv2.connectedComponentsWithStats(mask, connectivity=4)
    _, _, width, height, area = stats[1:].T.astype(float)  # CC_STAT_WIDTH, _HEIGHT and _AREA
    fill = area / (width * height)
    ratio = width / height
    # an ellipse fills pi/4 of its box; a slanted one less of it
    ok = (area >= FEWEST_PIXELS) & (area <= largest) & (fill > 0.55) & (fill < 0.92)
    ok &= (ratio > 0.5) & (ratio < 2.0)
    return centres[1:][ok], area[ok], np.abs(fill[ok] - np.pi / 4)


def find_spots(channel: NDArray[np.uint8], dark: bool) -> Spots:
    """Spots darker (or brighter) than the mean around them, at several sizes.

    Parameters
    ----------
    channel : ndarray of uint8, shape (height, width)
    dark : bool

    Returns
    -------
    Spots
        Each once; where two sizes of window see the same spot, the rounder one is kept.
    """
    import cv2

    side = min(channel.shape)
    smooth = cv2.GaussianBlur(channel, (3, 3), 0)
    found = []
    for share in (24, 12, 6):
        window = max(11, side // share)
        mean = cv2.blur(smooth, (window, window))
        step = cv2.subtract(mean, smooth) if dark else cv2.subtract(smooth, mean)
        # a hole stands out by more than the texture of the surface
        limit = max(5.0, 0.35 * float(np.percentile(step[::4, ::4], 98)))
        mask = (step > limit).astype(np.uint8)
        found.append(_components(mask, (window * 0.8) ** 2))
    return _once(*map(np.concatenate, zip(*found, strict=True)))


def _once(
    centre: NDArray[np.float64], area: NDArray[np.float64], off: NDArray[np.float64]
) -> Spots:
    order = np.argsort(off, kind="stable")[: 3 * MOST]
    centre, area = centre[order], area[order]
    keep = np.ones(len(centre), bool)
    for shift in ((0, 0), (2, 0), (0, 2), (2, 2)):
        key = (np.round((centre + shift) / 4).astype(np.int64) * [1, 1 << 20]).sum(axis=1)
        _, first = np.unique(key, return_index=True)
        again = np.ones(len(centre), bool)
        again[first] = False
        keep &= ~again
    keep_at = np.flatnonzero(keep)[:MOST]
    return Spots(centre[keep_at], area[keep_at])
