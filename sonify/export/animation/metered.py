"""Measures the patches of a picture with the flash meter on their way to an encoder."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sonify.export.animation.frames import Patch, Pixels
from sonify.light.flash import RED_SHARE, Flashing, FlashMeter, relative_luminance
from sonify.light.look import F32, to_linear

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
        self.meter = FlashMeter(width, height, coarse=True)
        self._light = to_linear(palette / 255).T.astype(np.float32)
        red, green, blue = self._light
        self._luminance = relative_luminance(red, green, blue)
        # a mean of colours is no redder than the reddest of them
        self._red = bool((red >= RED_SHARE * (red + green + blue)).any() and red.any())
        c = self.meter.cell
        self._whole = np.zeros((self.meter.shape[0] * c, self.meter.shape[1] * c), np.uint8)

    @property
    def worst(self) -> Flashing:
        """The worst second so far."""
        return self.meter.worst

    def of(self, patches: Iterator[Patch]) -> Iterator[Patch]:
        """The same patches, each measured."""
        c, meter = self.meter.cell, self.meter
        luminance = np.resize(self._luminance, 256).tolist()
        light = [np.resize(one, 256).tolist() for one in self._light]
        for patch in patches:
            h, w = patch.pixels.shape
            self._whole[patch.y : patch.y + h, patch.x : patch.x + w] = patch.pixels
            left, top = patch.x // c, patch.y // c
            right, below = -(-(patch.x + w) // c), -(-(patch.y + h) // c)
            part = self._whole[top * c : below * c, left * c : right * c]
            if self._red:
                parts = [_cells(part, one, c) for one in light]
                meter.add(patch.time_s, left, top, np.stack(parts))
            else:
                meter.add_plain(patch.time_s, left, top, _cells(part, luminance, c))
            yield patch


def _cells(part: Pixels, table: list[float], cell: int) -> F32:
    """The mean light of each square of `cell` pixels a side, by a table of 256 palette colours."""
    return np.array(Image.fromarray(part).point(table, "F").reduce(cell))
