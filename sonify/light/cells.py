"""The light of a picture in the flash meter's cells."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sonify.light.lamp_grid import Box
from sonify.light.look import F32, to_linear
from sonify.light.planes import Picture, halved

__all__ = ["cells_of", "means"]

_FINE = 4095


@lru_cache(maxsize=1)
def _linear() -> NDArray[np.float32]:
    return to_linear(np.arange(_FINE + 1) / _FINE).astype(np.float32)


def means(fine: F32, cell: int) -> F32:
    """The mean of each square of `cell` (a power of two) pixels a side."""
    while cell > 1:
        fine = halved(fine)
        cell //= 2
    return fine


def cells_of(picture: Picture, box: Box, cell: int) -> tuple[int, int, F32]:
    """The linear light of the cells that a rectangle of pixels touches.

    Pixels without coverage count as black. A cell's colour is the mean of its pixels' encoded
    values, because a cell is smaller than 0.1 degree.

    Returns
    -------
    tuple
        Column and row of the first cell, and the light, shape (3, h, w).
    """
    import cv2

    x, y, w, h = box
    left, top = x // cell, y // cell
    right = min(-(-(x + w) // cell), -(-picture.width // cell))
    below = min(-(-(y + h) // cell), -(-picture.height // cell))
    size = (right - left, below - top)
    fmt = picture.format
    parts = []
    for k, plane in enumerate(picture.planes):
        s = picture.step(k)
        part = plane[
            top * cell // s : -(-below * cell // s), left * cell // s : -(-right * cell // s)
        ]
        if part.shape != size[::-1]:
            part = cv2.resize(
                part, size,
                interpolation=cv2.INTER_AREA if cell > s else cv2.INTER_NEAREST,
            )  # fmt: skip
        parts.append(part)
    rgb = fmt.rgb(parts[:3])
    if fmt.alpha:
        rgb *= parts[3].astype(np.float32) / np.float32(fmt.top)
    rgb *= _FINE
    rgb += 0.5
    np.clip(rgb, 0, _FINE, out=rgb)
    return left, top, _linear()[rgb.astype(np.uint16)]
