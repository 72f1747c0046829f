"""The lamps at any moment of a performance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Lamps"]


class Lamps:
    """Levels of the matrix. Moments asked for in ascending order cost only the changes between."""

    def __init__(self, show: Performance) -> None:
        m = show.setup.player.matrix
        self._show, self._shape = show, (m.height, m.width)
        self._lights = show.lights
        self._time = np.ascontiguousarray(self._lights["time_s"])
        self._now = np.zeros(m.lamps, np.uint8)
        self._next = 0

    def at(self, time_s: float) -> NDArray[np.uint8]:
        """The levels at a moment, shape (height, width)."""
        scroll = self._show.scroll
        if scroll is not None and time_s >= scroll.start_s:
            step = int((time_s - scroll.start_s) / scroll.column_s)
            return scroll.levels(min(step, scroll.steps))
        end = int(np.searchsorted(self._time, time_s, side="right"))
        if end < self._next:
            self._now[:] = 0
            self._next = 0
        part = self._lights[self._next : end]
        self._now[part["led"]] = part["level"]
        self._next = end
        return self._now.reshape(self._shape)
