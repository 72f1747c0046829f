"""The lamps at any moment of a performance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.scroll import Scroll

__all__ = ["LampLevels"]


class LampLevels:
    """The levels of the matrix while the disc is read and the message scrolls.

    Moments asked for in ascending order cost only the changes between them.

    Parameters
    ----------
    lights : ndarray of LIGHTS
    matrix : Matrix
    scroll : Scroll, optional

    Attributes
    ----------
    time : ndarray of float64
        Of each change while the disc is read.
    state : int
        Differs from that of an earlier moment if a lamp may have changed.
    """

    def __init__(
        self, lights: NDArray[np.void], matrix: Matrix, scroll: Scroll | None = None
    ) -> None:
        self._scroll = scroll
        self.time, self._led = (np.ascontiguousarray(lights[name]) for name in ("time_s", "led"))
        self._shown = lights["level"] + np.uint16(256) * lights["hue"]
        self._now = np.zeros((matrix.height, matrix.width), np.uint16)
        self.state = 0

    def at(self, time_s: float) -> NDArray[np.uint16]:
        """What lamps show at a moment, level and hue times 256, shape (height, width).

        The next call may overwrite it.
        """
        scroll, before = self._scroll, self.state
        if scroll is not None and time_s >= scroll.start_s:
            step = int((time_s - scroll.start_s) / scroll.column_s + 1e-9)
            self.state = -1 - min(step, scroll.steps)
            if self.state != before:
                self._now[:] = scroll.levels(-1 - self.state)
            return self._now
        self.state = int(np.searchsorted(self.time, time_s, side="right"))
        if not 0 <= before <= self.state:
            self._now[:] = before = 0
        # of several changes of a lamp, the last one counts
        fresh = slice(before, self.state)
        self._now.reshape(-1)[self._led[fresh]] = self._shown[fresh]
        return self._now
