"""Measures the patches of a picture with the flash meter on their way to an encoder."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from sonify.export.animation.frames import Patch, Pixels
from sonify.light.flash import RED_SHARE, Flashing, FlashMeter, relative_luminance
from sonify.light.lamp_grid import LampGrid
from sonify.light.look import F32, to_linear
from sonify.light.scroll_flash import ScrollMeter, scroll_meter

__all__ = ["Metered"]

# Pictures of a scroll that are turned into light together.
_TOGETHER = 32


class Metered:
    """Measures pictures of palette indices.

    Parameters
    ----------
    width, height : int
        Of the picture, in pixels.
    palette : ndarray of uint8, shape (n, 3)
    scrolling : LampGrid, optional
        The lamps, if what they show is a scroll.
    step_s : float
        How long its steps last.
    """

    def __init__(
        self, width: int, height: int, palette: NDArray[np.uint8],
        scrolling: LampGrid | None = None, step_s: float = 0.0,
    ) -> None:  # fmt: skip
        self._scroll = None if scrolling is None else scroll_meter(scrolling)
        self._step_s = step_s
        self.meter = self._scroll or FlashMeter(width, height, coarse=True)
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
        if self._scroll is not None:
            yield from self._scrolling(patches, self._scroll)
            return
        c = self.meter.cell
        for patch in patches:
            h, w = patch.pixels.shape
            self._whole[patch.y : patch.y + h, patch.x : patch.x + w] = patch.pixels
            left, top = patch.x // c, patch.y // c
            right, below = -(-(patch.x + w) // c), -(-(patch.y + h) // c)
            part = self._whole[top * c : below * c, left * c : right * c]
            self._add([patch.time_s], left, top, part)
            yield patch

    def _scrolling(self, patches: Iterator[Patch], meter: ScrollMeter) -> Iterator[Patch]:
        c = meter.cell
        # runs of columns that are measured
        cuts = np.flatnonzero(np.diff(meter.repeats.own) > 1) + 1
        runs = [slice(one[0] * c, one[-1] * c + c) for one in np.split(meter.repeats.own, cuts)]
        times: list[float] = []
        parts: list[Pixels] = []
        last = self._whole[:, :0]
        step = 0
        for patch in patches:
            # columns that repeat others change in steps in which those don't
            now = round(patch.time_s / self._step_s)
            for k in range(step, now):
                times.append(k * self._step_s)
                parts.append(last)
            step = now + 1
            h, w = patch.pixels.shape
            self._whole[patch.y : patch.y + h, patch.x : patch.x + w] = patch.pixels
            times.append(patch.time_s)
            last = np.hstack([self._whole[:, run] for run in runs])
            parts.append(last)
            if len(parts) >= _TOGETHER:
                self._add(times, 0, 0, np.vstack(parts))
                times, parts = [], []
            yield patch
        if parts:
            self._add(times, 0, 0, np.vstack(parts))

    def _add(self, times: list[float], left: int, top: int, parts: Pixels) -> None:
        """Measure a part of the picture at some times, one below the other."""
        each = len(parts) // self.meter.cell // len(times)
        if not self._red:
            cells = _cells(parts, self._luminance, self.meter.cell)
            for k, time_s in enumerate(times):
                self.meter.add_plain(time_s, left, top, cells[k * each : k * each + each])
        else:
            light = np.stack([_cells(parts, one, self.meter.cell) for one in self._light])
            for k, time_s in enumerate(times):
                self.meter.add(time_s, left, top, light[:, k * each : k * each + each])


def _cells(part: Pixels, table: F32, cell: int) -> F32:
    """The mean light of each square of `cell` pixels a side, by a table of palette colours."""
    return np.array(Image.fromarray(part).point(np.resize(table, 256).tolist(), "F").reduce(cell))
