"""The view `matrix`: the lamps while the disc is read, then the scrolling message."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.export.clip.views import Painted, Surroundings
from sonify.light.lamp_grid import Box
from sonify.light.panel import Panel

__all__ = ["MatrixView"]

_STEP = 17  # levels go in sixteen steps while a lamp fades


class MatrixView:
    """The lamps; if not `reading`, only while the message scrolls."""

    def __init__(self, around: Surroundings, box: Box, *, reading: bool = True) -> None:
        show = around.show
        matrix = show.setup.player.matrix
        self.panel = Panel(around.look, matrix, around.picture, box, around.cell)
        fade = around.look.fade
        # the most that a level may change from frame to frame
        self._most = 255 * float(1 / around.fps) / fade if fade else np.inf
        lights = show.lights if reading else show.lights[:0]
        self._time, self._led, self._level = (
            np.ascontiguousarray(lights[name]) for name in ("time_s", "led", "level")
        )
        self.scroll = show.scroll if "message" in around.clip.views else None
        self._wanted: NDArray[np.uint8] = np.zeros((matrix.height, matrix.width), np.uint8)
        self.forget()

    def forget(self) -> None:
        """Paint everything again next time."""
        self.panel.forget()
        self._wanted[:] = 0
        self._shown: NDArray[np.float64] | None = None
        self._at, self._step = 0, -1
        self._moving = False

    def _follow(self, time_s: float) -> bool:
        """Bring the wanted levels up to a moment, and return whether they changed."""
        scroll = self.scroll
        if scroll is not None and time_s >= scroll.start_s:
            step = int((time_s - scroll.start_s) / scroll.column_s + 1e-9)
            before, self._step = self._step, min(step, scroll.steps)
            if self._step != before:
                self._wanted[:] = scroll.levels(self._step)
            return self._step != before
        stop = int(np.searchsorted(self._time, time_s, side="right"))
        fresh = slice(self._at, stop)
        # of several changes of one lamp, the last one counts
        self._wanted.reshape(-1)[self._led[fresh]] = self._level[fresh]
        before, self._at = self._at, stop
        return stop != before

    def show(self, time_s: float) -> Painted:
        """Paint what has changed by a moment."""
        changed = self._follow(time_s)
        if self._shown is not None and not changed and not self._moving:
            return []
        levels = self._wanted
        if self._shown is None or self._most == np.inf:
            self._shown = levels.astype(np.float64)
        else:
            self._shown += np.clip(levels - self._shown, -self._most, self._most)
            self._moving = bool((self._shown != levels).any())
            levels = (np.rint(self._shown / _STEP) * _STEP).astype(np.uint8)
        done = self.panel.update(levels)
        return [] if done is None else [done]
