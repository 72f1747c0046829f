"""A sheet: flat shapes and text on a picture, painted again only where they change."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.light.lamp_grid import Box
from sonify.light.look import F32
from sonify.light.planes import Picture, halved

__all__ = ["Sheet"]

LEVELS = 8
"""Steps of coverage of a colour; the first is none."""

_LEVEL_OF = np.rint(np.arange(256) / 255 * (LEVELS - 1)).astype(np.uint8)


class Sheet:
    """Flat colours on a picture.

    Parameters
    ----------
    picture : Picture
    box : tuple of int
        Where on it; taken in to even numbers.
    colours : sequence of (r, g, b)
        At most 31, from 0 to 255.

    Attributes
    ----------
    ink : ndarray of uint8, shape (h, w)
        What is to be seen: colour * LEVELS + level of coverage. Draw on it, then `show`.
    """

    def __init__(self, picture: Picture, box: Box, colours: Sequence[tuple[int, int, int]]):
        x, y, w, h = box
        self.picture = picture
        self.x, self.y = x + x % 2, y + y % 2
        self.width, self.height = (w - x % 2) & ~1, (h - y % 2) & ~1
        self.colours = np.array(colours, np.float32).reshape(-1, 3)
        self.ink = np.zeros((self.height, self.width), np.uint8)
        self._seen: NDArray[np.uint8] | None = None
        self.strength = 1.0

    @property
    def box(self) -> Box:
        """Where on the picture it is."""
        return self.x, self.y, self.width, self.height

    def wipe(self) -> None:
        """Take all ink away."""
        self.ink[:] = 0

    def text(self, x: int, y: int, mask: NDArray[np.uint8], colour: int) -> None:
        """Draw a mask, cut off at the edges."""
        h, w = mask.shape
        top, left = max(y, 0), max(x, 0)
        below, right = min(y + h, self.height), min(x + w, self.width)
        if top >= below or left >= right:
            return
        level = _LEVEL_OF[mask[top - y : below - y, left - x : right - x]]
        part = self.ink[top:below, left:right]
        np.copyto(part, level + np.uint8(colour * LEVELS), where=level > 0)

    def block(self, x: int, y: int, w: int, h: int, colour: int, level: int = LEVELS - 1) -> None:
        """Fill a rectangle, cut off at the edges."""
        self.ink[max(y, 0) : max(y + h, 0), max(x, 0) : max(x + w, 0)] = colour * LEVELS + level

    def forget(self) -> None:
        """Paint all of it again next time."""
        self._seen = None

    @cached_property
    def _rgba(self) -> NDArray[Any]:
        n = len(self.colours)
        out = np.zeros((n, LEVELS, 4), np.float32)
        out[..., :3] = self.colours[:, None] / 255
        out[..., 3] = np.linspace(0, 1, LEVELS)
        return out.reshape(-1, 4)

    def show(self, strength: float = 1.0) -> list[tuple[Box, F32 | None]]:
        """Paint what changed.

        Parameters
        ----------
        strength : float
            Of all the ink, from 0 to 1.

        Returns
        -------
        list
            The rectangle that was painted, or nothing.
        """
        if self._seen is None or strength != self.strength:
            self.strength = strength
            inked = self.ink > 0
            if self._seen is not None:
                inked |= self._seen > 0
            left, top, right, below = 0, 0, self.width, self.height
            if self._seen is not None:
                left, top, right, below = _bounds(inked)
            self._seen = self.ink.copy()
        else:
            left, top, right, below = _bounds(self.ink != self._seen)
            if right > left:
                self._seen[top:below, left:right] = self.ink[top:below, left:right]
        if right <= left:
            return []
        left, top = left & ~1, top & ~1
        right, below = (right + 1) & ~1, (below + 1) & ~1
        self._paint(left, top, right, below)
        return [((self.x + left, self.y + top, right - left, below - top), None)]

    def _paint(self, left: int, top: int, right: int, below: int) -> None:
        picture, fmt = self.picture, self.picture.format
        x, y = self.x + left, self.y + top
        box = (x, y, right - left, below - top)
        out = picture.cut(picture.planes, *box)
        under = picture.cut(picture.ground, *box)
        ink = self.ink[top:below, left:right]
        numbers = fmt.values(self._rgba[:, :3])
        cover = self._rgba[:, 3] * np.float32(self.strength)
        full = cover[ink]
        below_cover: F32 | None = None
        if fmt.alpha:
            below_cover = under[3].astype(np.float32) / np.float32(fmt.top)
            out[3][:] = np.rint((full + below_cover * (1 - full)) * fmt.top)
        for k in range(3):
            weighted, share, rest = (numbers[:, k] * cover)[ink], full, below_cover
            if fmt.half and k > 0:
                weighted, share = halved(weighted), halved(full)
                rest = None if rest is None else halved(rest)
            old = under[k].astype(np.float32)
            if rest is None:
                out[k][:] = np.rint(weighted + old * (1 - share))
            else:
                kept = rest * (1 - share)
                total = share + kept
                mixed = (weighted + old * kept) / np.maximum(total, 1e-6)
                out[k][:] = np.rint(np.where(total > 0, mixed, old))


def _bounds(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what is marked; right = left where nothing is."""
    rows = np.flatnonzero(mask.any(axis=1))
    if not len(rows):
        return 0, 0, 0, 0
    columns = np.flatnonzero(mask[rows[0] : rows[-1] + 1].any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
