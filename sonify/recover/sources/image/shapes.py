"""Shapes on a map of the disc by radius and angle, looked for by matched filters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.sources.image.ring import View, project
from sonify.recover.sources.image.sites import sample

__all__ = ["LIMIT", "drawn", "fit", "polar_map"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

LIMIT = 8.0  # of what is so many times the noise, more counts no more


def polar_map(image: NDArray[np.float32], view: View, rho: Floats, count: int) -> Singles:
    """The logarithm of the brightness at each radius and at `count` angles."""
    angle = 2 * np.pi * np.arange(count) / count
    turn = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    with np.errstate(all="ignore"):
        level = np.log(sample(image, project(view.matrix, rho[:, None, None] * turn)))
    seen = np.isfinite(level)
    return np.where(seen, level, np.median(level[seen]) if seen.any() else 0).astype(np.float32)


def drawn(corners: Floats, area: bool, thick: int = 1) -> Singles:
    """A template, without its mean, of a shape as an area or as the lines through its corners.

    Parameters
    ----------
    corners : ndarray, shape (corners, 2)
        x and y from 0 on.
    """
    import cv2

    points = [np.rint(8 * (corners + 2)).astype(np.int32)]
    width, height = np.rint(corners.max(axis=0)).astype(int) + 5
    shape = np.zeros((height, width), np.uint8)
    if area:
        cv2.fillPoly(shape, points, 255, cv2.LINE_AA, 3)
    else:
        cv2.polylines(shape, points, False, 255, thick, cv2.LINE_AA, 3)
    soft = cv2.GaussianBlur(shape.astype(np.float32), (0, 0), 0.6)
    return np.asarray(soft - soft.mean(), np.float32)


def fit(field: Singles, shape: Singles) -> tuple[Floats, Floats]:
    """How strongly a shape fits at each place, below 0 where it is dark, and how well (the
    correlation)."""
    import cv2

    size, well = (
        np.asarray(cv2.matchTemplate(field, shape, how), float)
        for how in (cv2.TM_CCOEFF, cv2.TM_CCOEFF_NORMED)
    )
    return size / np.linalg.norm(shape), well
