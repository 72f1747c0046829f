"""Patches of a picture measured by the flash meter on their way to an encoder."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sonify.light.flash import Flashing, FlashMeter
from sonify.light.look import to_linear
from sonify.write.frames import Patch

__all__ = ["Metered"]


class Metered:
    """Measures pictures of palette indices.

    Parameters
    ----------
    width, height : int
        Of the picture, in pixels.
    palette : ndarray of uint8, shape (n, 3)
    """

    def __init__(self, width: int, height: int, palette: NDArray[np.uint8]) -> None:
        self.meter = FlashMeter(width, height)
        self._light = to_linear(palette / 255).T.astype(np.float32)
        c = self.meter.cell
        self._size = (height, width)
        self._whole = np.zeros((self.meter.shape[0] * c, self.meter.shape[1] * c), np.uint8)

    @property
    def worst(self) -> Flashing:
        """The worst second so far."""
        return self.meter.worst

    def of(self, patches: Iterator[Patch]) -> Iterator[Patch]:
        """The same patches, each measured."""
        c = self.meter.cell
        for patch in patches:
            h, w = patch.pixels.shape
            if c == 1:
                self.meter.add(patch.time_s, patch.x, patch.y, self._light[:, patch.pixels])
            else:
                self._whole[patch.y : patch.y + h, patch.x : patch.x + w] = patch.pixels
                left, top = patch.x // c, patch.y // c
                right, below = -(-(patch.x + w) // c), -(-(patch.y + h) // c)
                fine = self._light[:, self._whole[top * c : below * c, left * c : right * c]]
                cells = fine.reshape(3, below - top, c, right - left, c).mean(axis=(2, 4))
                self.meter.add(patch.time_s, left, top, cells)
            yield patch
