"""The view `matrix`: the lamps while the disc is read, then the scrolling message."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.export.clip.views import Painted, Surroundings
from sonify.light.lamp_grid import Box
from sonify.light.lamp_levels import LampLevels
from sonify.light.panel import Panel
from sonify.light.room import Room

__all__ = ["MatrixView"]

_STEP = 17  # levels go in sixteen steps while a lamp fades


class MatrixView:
    """The lamps; if not `reading`, only while the message scrolls."""

    def __init__(self, around: Surroundings, box: Box, *, reading: bool = True) -> None:
        show = around.show
        matrix = show.setup.player.matrix
        self.panel: Panel | Room
        if around.look.view == "room":
            self.panel = Room(around.look, matrix, around.picture, box)
        else:
            self.panel = Panel(around.look, matrix, around.picture, box, around.cell)
        fade = around.look.fade
        # the most that a level may change from frame to frame
        self._most = 255 * float(1 / around.fps) / fade if fade else np.inf
        lights = show.lights if reading else show.lights[:0]
        scroll = show.scroll if "message" in around.clip.views else None
        self._lamps = LampLevels(lights, matrix, scroll)
        self.forget()

    def forget(self) -> None:
        """Paint everything again next time."""
        self.panel.forget()
        self._shown: NDArray[np.float64] | None = None
        self._moving = False

    def show(self, time_s: float) -> Painted:
        """Paint what has changed by a moment."""
        before, lamps = self._lamps.state, self._lamps.at(time_s)
        if self._shown is not None and self._lamps.state == before and not self._moving:
            return []
        if self._shown is None or self._most == np.inf:
            self._shown, self._hue = (lamps & 255).astype(np.float64), lamps & 0xFF00
        else:
            # a lamp keeps its colour while it fades out
            levels = lamps & 255
            self._hue = np.where(levels > 0, lamps & 0xFF00, self._hue)
            self._shown += np.clip(levels - self._shown, -self._most, self._most)
            self._moving = bool((self._shown != levels).any())
            steps = (np.rint(self._shown / _STEP) * _STEP).astype(np.uint16)
            lamps = np.where(steps > 0, steps | self._hue, np.uint16(0))
        done = self.panel.update(lamps)
        return [] if done is None else [done]
