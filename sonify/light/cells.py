"""The light of a picture in the flash meter's cells."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sonify.light.lamp_grid import Box
from sonify.light.look import F32, to_linear
from sonify.light.planes import Format, Picture, halved

__all__ = ["cells_of", "means"]

_FINE = 4095


@lru_cache(maxsize=2)
def _linear(top: int = _FINE) -> NDArray[np.float32]:
    return to_linear(np.arange(top + 1) / top).astype(np.float32)


@lru_cache(maxsize=4)
def _to_rgb(fmt: Format) -> NDArray[np.float64]:
    """The matrix from a format's numbers and 1 to red, green and blue from 0 to 255."""
    zero = fmt.rgb(list(np.zeros((3, 1), np.float32)))[:, 0].astype(np.float64)
    unit = np.eye(3, dtype=np.float32)[:, :, None]
    columns = [fmt.rgb(list(unit[k]))[:, 0] - zero for k in range(3)]
    return np.column_stack([*columns, zero]) * 255


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
        while fmt.bits == 8 and s < cell and not (part.shape[0] % 2 or part.shape[1] % 2):
            # halves are ten times as fast as other sizes
            half = part.shape[1] // 2, part.shape[0] // 2
            part, s = cv2.resize(part, half, interpolation=cv2.INTER_AREA), 2 * s
        if part.shape != size[::-1]:
            part = cv2.resize(
                part, size,
                interpolation=cv2.INTER_AREA if cell > s else cv2.INTER_NEAREST,
            )  # fmt: skip
        parts.append(part)
    if fmt.bits == 8 and not fmt.alpha:
        # as a display shows it, in 8 bits, which takes a tenth of the time
        if fmt.yuv:
            parts = list(cv2.split(cv2.transform(cv2.merge(parts), _to_rgb(fmt))))
        light = np.empty((3, size[1], size[0]), np.float32)
        for out, part in zip(light, parts, strict=True):
            cv2.LUT(np.ascontiguousarray(part), _linear(255), dst=out)
        return left, top, light
    rgb = fmt.rgb(parts[:3])
    if fmt.alpha:
        rgb *= parts[3].astype(np.float32) / np.float32(fmt.top)
    rgb *= _FINE
    rgb += 0.5
    np.clip(rgb, 0, _FINE, out=rgb)
    return left, top, _linear()[rgb.astype(np.uint16)]
