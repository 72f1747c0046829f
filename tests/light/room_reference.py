"""A slow rendering of a matrix in a room, to judge the fast one by.

The front is rendered by `reference.py`. Each pixel of the room is then looked up on the panel along
its rays, several a pixel, in linear light; bloom and reflection are sums over all pixels, at full
size. Only the room's own figures (corners, shares of light) are taken from `sonify.light.room`.
"""

from __future__ import annotations

import math

import numpy as np

from sonify.light import room as figures
from tests.light.reference import encoded

RAYS = 4  # a side of a pixel


def _homography(corners: np.ndarray, width: float, height: float) -> np.ndarray:
    """From the room's picture to the panel's: eight equations for four pairs of points."""
    on_panel = [(0, 0), (width, 0), (width, height), (0, height)]
    rows, right = [], []
    for (x, y), (u, v) in zip(corners, on_panel, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(np.linalg.solve(np.array(rows), np.array(right)), 1).reshape(3, 3)


def _spread(light: np.ndarray, across: float, down: float) -> np.ndarray:
    """Light spread by a Gaussian: sums over whole columns and rows, dark beyond the picture."""
    for axis, wide in ((0, down), (1, across)):
        at = np.arange(light.shape[axis])
        weight = np.exp(-0.5 * ((at[:, None] - at[None]) / wide) ** 2)
        weight /= wide * math.sqrt(2 * math.pi)
        light = np.moveaxis(np.tensordot(weight, light, (1, axis)), 0, axis)
    return light


def in_room(
    front: np.ndarray, corners: np.ndarray, width: int, height: int
) -> tuple[np.ndarray, np.ndarray]:
    """The picture as sRGB numbers, not rounded, from the panel's front in linear light, and how
    much of each pixel the panel covers."""
    tall, wide = front.shape[:2]
    front = front.copy()
    line = max(1, tall // 160)
    for band in (front[:line], front[-line:], front[:, :line], front[:, -line:]):
        band += 0.012
    turn = _homography(corners, wide, tall)
    seen = np.zeros((height, width, 3))
    cover = np.zeros((height, width, 1))
    for dy in range(RAYS):
        for dx in range(RAYS):
            y, x = np.mgrid[0:height, 0:width]
            x, y = x + (dx + 0.5) / RAYS, y + (dy + 0.5) / RAYS
            u, v, w = np.tensordot(turn, np.stack([x, y, np.ones_like(x)]), 1)
            u, v = u / w, v / w
            there = (u >= 0) & (u < wide) & (v >= 0) & (v < tall)
            texel = front[np.clip(v.astype(int), 0, tall - 1), np.clip(u.astype(int), 0, wide - 1)]
            seen += np.where(there[..., None], texel, 0) / RAYS**2
            cover += there[..., None] / RAYS**2
    y, x = np.mgrid[0:height, 0:width]
    y, x = y / height, x / width
    wall = figures._WALL * (0.4 + 0.6 * y / 0.72)
    table = figures._TABLE * (1 - 0.7 * np.clip((y - 0.72) / 0.28, 0, 1))
    tone = np.where(y < 0.72, wall, table) * (1 - 0.5 * np.abs(x - 0.45))
    light = tone[..., None] * np.array([0.95, 1.0, 1.15]) * (1 - cover) + seen
    for share, size in figures._BLOOMS:
        light += share * _spread(seen, size * height, size * height)
    foot = (corners[2, 1] + corners[3, 1]) / 2 + 0.04 * height
    below = round(foot)
    mirrored = np.zeros_like(seen)
    n = min(height - below, below)
    mirrored[below : below + n] = seen[below - n : below][::-1]
    soft = _spread(mirrored, 0.02 * width, 0.03 * height)
    down = np.arange(height)[:, None, None] - below
    light += np.where(
        down >= 0, figures._REFLECTED * soft * np.exp(-np.maximum(down, 0) / (0.18 * height)), 0
    )
    return encoded(light), cover
