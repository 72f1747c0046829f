"""The sound of a clip, read in step with its frames."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.export.clip.memory import give_back
from sonify.export.clip.plan import FramePlan

if TYPE_CHECKING:
    from sonify.export.sound.master import Master
    from sonify.performance import Performance

__all__ = ["RATE", "Soundtrack"]

RATE = 48_000
_FADE = RATE // 50
# Bytes of sound that are kept in memory, most of which the encoder needs.
_IN_MEMORY = 8 << 20


class Soundtrack:
    """The finished sound of a clip's range, placed where its pieces begin.

    Parameters
    ----------
    show : Performance
    plan : FramePlan
    """

    def __init__(self, show: Performance, plan: FramePlan) -> None:
        self.fps = plan.fps
        self.frames = plan.frames
        self.starts = [self.sample(p.first) for p in plan.pieces]
        self.size = self.sample(plan.frames)
        self.seamless = plan.join > 0
        self.master = _master(show, plan) if plan.pieces else None
        give_back()
        self._at = 0

    def sample(self, frame: int) -> int:
        """The sample with which a frame begins."""
        return round(Fraction(frame * RATE) / self.fps)

    def until(self, frame: int) -> NDArray[np.float32]:
        """The samples up to the beginning of a frame, shape (samples, 2)."""
        begin, end = self._at, self.sample(frame)
        self._at = end
        out = np.zeros((end - begin, 2), np.float32)
        if self.master is not None:
            # the end of a seamless clip rings on in its start
            wrapped = [start - self.size for start in self.starts] if self.seamless else []
            for start in (*self.starts, *wrapped):
                a, b = max(begin - start, 0), min(end - start, self.master.size)
                if a < b:
                    out[a + start - begin : b + start - begin] += self.master.read(a, b)
        if end > self.size - _FADE and not self.seamless:
            # fade out what still rings at the end of the file
            left = np.clip((self.size - np.arange(begin, end)) / _FADE, 0, 1)
            out *= left[:, None].astype(np.float32)
        return out


def _master(show: Performance, plan: FramePlan) -> Master | None:
    from sonify.export.sound.master import mastered
    from sonify.export.sound.options import SoundOptions
    from sonify.export.sound.soundfont import forget

    # `span_of` refuses shorter ranges
    if not len(show.notes) or plan.start_s >= show.music_s - 1e-9:
        return None
    options = SoundOptions(from_s=plan.start_s, to_s=plan.end_s)
    made = mastered(show, options, in_memory=_IN_MEMORY)
    # the encoder needs the room
    forget()
    return made
