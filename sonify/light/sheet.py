"""A sheet: flat shapes and text on a picture, of which only changes are painted."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.light.lamp_grid import Box
from sonify.light.look import F32
from sonify.light.planes import Picture, bounds, over

__all__ = ["Sheet"]

# Steps of a colour's coverage, from none to full (by eye: enough for smooth letters).
LEVELS = 8

_LEVEL_OF = np.rint(np.arange(256) / 255 * (LEVELS - 1)).astype(np.uint8)


class Sheet:
    """Flat colours on a picture.

    Parameters
    ----------
    picture : Picture
    box : tuple of int
        Its rectangle, made smaller to even numbers.
    colours : sequence of (r, g, b)
        At most 31, from 0 to 255.

    Attributes
    ----------
    ink : ndarray of uint8, shape (h, w)
        What to show: colour * LEVELS + level of coverage. Draw on it, then call `show`.
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
        """Its rectangle on the picture."""
        return self.x, self.y, self.width, self.height

    def wipe(self) -> None:
        """Remove all ink."""
        self.ink[:] = 0

    def text(self, x: int, y: int, mask: NDArray[np.uint8], colour: int) -> None:
        """Draw a mask, cropped at the edges."""
        h, w = mask.shape
        top, left = max(y, 0), max(x, 0)
        below, right = min(y + h, self.height), min(x + w, self.width)
        if top >= below or left >= right:
            return
        level = _LEVEL_OF[mask[top - y : below - y, left - x : right - x]]
        part = self.ink[top:below, left:right]
        np.copyto(part, level + np.uint8(colour * LEVELS), where=level > 0)

    def block(self, x: int, y: int, w: int, h: int, colour: int, level: int = LEVELS - 1) -> None:
        """Fill a rectangle, cropped at the edges."""
        self.ink[max(y, 0) : max(y + h, 0), max(x, 0) : max(x + w, 0)] = colour * LEVELS + level

    def forget(self) -> None:
        """Paint everything again next time."""
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
            The strength of all ink, from 0 to 1.

        Returns
        -------
        list
            The rectangle that was painted, or nothing.
        """
        box = (0, 0, self.width, self.height)
        if self._seen is not None:
            again = strength != self.strength
            box = bounds((self.ink | self._seen) > 0 if again else self.ink != self._seen)
        self.strength = strength
        self._seen = self.ink.copy()
        left, top, right, below = box
        if right <= left:
            return []
        left, top = left & ~1, top & ~1
        right, below = (right + 1) & ~1, (below + 1) & ~1
        self._paint(left, top, right, below)
        return [((self.x + left, self.y + top, right - left, below - top), None)]

    def _paint(self, left: int, top: int, right: int, below: int) -> None:
        picture = self.picture
        box = (self.x + left, self.y + top, right - left, below - top)
        ink = self.ink[top:below, left:right]
        numbers = picture.format.values(self._rgba[:, :3])
        cover = self._rgba[:, 3] * np.float32(self.strength)
        over(
            picture.format,
            picture.cut(picture.planes, *box),
            picture.cut(picture.ground, *box),
            numbers[ink],
            cover[ink],
        )
