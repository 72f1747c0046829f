"""Velocity curves: loudness over a character, a row, a turn or the whole piece."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream, Events
from sonify.music.machine import NOTHING, Lead, Refusal
from sonify.music.rhythm.following import Follower
from sonify.settings import Settings

__all__ = ["Curve"]

Level = Annotated[float, msgspec.Meta(ge=0, le=2)]


class Curve(Settings, frozen=True):
    """A velocity curve: `points` spread evenly over a character, a row, the rows or the piece.

    It is interpolated linearly; 1 is the voice's own velocity, 0.5 half of it. "position" spreads
    the points over the positions of a turn (where on the disc a hole lies), "row" over the time
    from a row's start to its end, "rows" over the rows from first to last.
    """

    over: Literal["position", "character", "row", "rows", "piece"] = "piece"
    points: Annotated[tuple[Level, ...], msgspec.Meta(min_length=1, max_length=256)] = (1.0,)

    def follow(self, f: Follower) -> None:
        """Have a machine's core multiply the velocities of a voice by it.

        Raises
        ------
        Refusal
            It can't be followed bit by bit, and why.
        """
        m = f.machine
        count = {"position": m.positions, "character": m.unit_bits, "row": m.positions}
        if len(self.points) == 1:
            f.multiply(NOTHING, np.asarray(self.points))
        elif self.over == "row":
            self._follow_row(f)
        elif self.over in count:
            lead = Lead("PLACE" if self.over == "character" else "POSITION", count[self.over])
            f.multiply(lead, self.along(np.arange(lead.count), lead.count))
        else:
            what = "the rows" if self.over == "rows" else "the piece"
            raise Refusal(
                f"a velocity curve over {what}: the disc's length is known only at its end (use "
                'over = "row")'
            )

    def _follow_row(self, f: Follower) -> None:
        """Each kind of note in a row begins at a point of its own of the curve."""
        count = f.machine.positions
        for factors, onsets in zip(f.factors, f.onsets, strict=True):
            if onsets is None:
                raise Refusal(
                    "a velocity curve over the row, with notes repeated one by one or at random: "
                    "each would need a table (use a curve over position or character)"
                )
            factors.append((Lead("STEP", count), self.along(onsets, count)))

    def along(self, at: NDArray[Any], count: int) -> NDArray[np.float64]:
        """The factors at numbers from 0 to `count` - 1."""
        share = np.clip(at / max(count - 1, 1), 0.0, 1.0)
        out: NDArray[np.float64] = np.interp(
            share, np.linspace(0, 1, len(self.points)), np.asarray(self.points)
        )
        return out

    def scale(self, e: Events, m: BitStream) -> NDArray[np.float64]:
        """The factor on each event's velocity scale, shape (events,)."""
        if self.over == "row":
            return self.along(e.onset - m.line_start(e.index), m.positions)
        if self.over == "piece":
            return self.along(m.since_start(e.onset), m.end_slot)
        if self.over == "rows":
            return self.along(m.row(e.index), m.rows)
        if self.over == "character":
            return self.along(m.in_character(e.index), m.unit_bits)
        return self.along(m.position(e.index), m.positions)
