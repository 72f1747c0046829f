"""The view `matrix`: the lamps while the disc is read, and then the message scrolling by."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.export.clip.views import Painted, Surroundings
from sonify.light.lamp_grid import Box
from sonify.light.panel import Panel

__all__ = ["MatrixView"]

_STEP = 17  # levels go in sixteen steps while a lamp fades


class MatrixView:
    """The lamps.

    Parameters
    ----------
    around : Surroundings
    box : tuple of int
        Where on the picture.
    """

    def __init__(self, around: Surroundings, box: Box, *, reading: bool = True) -> None:
        show = around.show
        self.matrix = show.setup.player.matrix
        self.panel = Panel(around.look, self.matrix, around.picture, box, around.cell)
        self.fade = around.look.fade
        self.reading = reading
        lights = show.lights
        self._time = np.ascontiguousarray(lights["time_s"])
        self._led = np.ascontiguousarray(lights["led"])
        self._level = np.ascontiguousarray(lights["level"])
        self.scroll = show.scroll if "message" in around.clip.views else None
        self.frame_s = float(1 / around.fps)
        self._wanted: NDArray[np.uint8] = np.zeros(self.matrix.lamps, np.uint8)
        self._shown: NDArray[np.float64] | None = None
        self._at = 0
        self._step = -1
        self._fresh = True
        self._moving = False

    def forget(self) -> None:
        """Paint all of it again next time."""
        self.panel.forget()
        self._wanted[:] = 0
        self._shown = None
        self._at, self._step = 0, -1
        self._fresh = True

    def _grid(self, levels: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return levels.reshape(self.matrix.height, self.matrix.width)

    def _follow(self, time_s: float) -> bool:
        """Bring the wanted levels up to a moment; whether they changed."""
        scroll = self.scroll
        if scroll is not None and time_s >= scroll.start_s:
            step = int((time_s - scroll.start_s) / scroll.column_s + 1e-9)
            step = min(step, scroll.steps)
            if step == self._step:
                return False
            self._step = step
            now = scroll.levels(step) if step < scroll.steps else np.uint8(0)
            self._grid(self._wanted)[:] = now
            return True
        if not self.reading:
            return False
        stop = int(np.searchsorted(self._time, time_s, side="right"))
        if stop == self._at:
            return False
        # of several changes of one lamp the last one stands
        self._wanted[self._led[self._at : stop]] = self._level[self._at : stop]
        self._at = stop
        return True

    def show(self, time_s: float) -> Painted:
        """Paint what changes until a moment."""
        changed = self._follow(time_s)
        if self.fade == 0 or self._fresh:
            if not changed and not self._fresh:
                return []
            self._shown = self._wanted.astype(np.float64)
            levels = self._wanted
        else:
            if not changed and not self._moving:
                return []
            assert self._shown is not None
            most = 255 * self.frame_s / self.fade
            self._shown += np.clip(self._wanted - self._shown, -most, most)
            self._moving = bool((self._shown != self._wanted).any())
            levels = (np.rint(self._shown / _STEP) * _STEP).astype(np.uint8)
        self._fresh = False
        done = self.panel.update(self._grid(levels))
        return [] if done is None else [done]
