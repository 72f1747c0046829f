"""How far the disc has turned, and where the stage is, at any moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Turning", "stage_row"]


@dataclass(frozen=True)
class Turning:
    """The turning disc, counted in positions.

    While a row is read, the disc turns by one position in each slot. Between rows it turns at the
    speed nearest to this one that brings the next row's first position to the detector.

    Attributes
    ----------
    slots, positions : ndarray of float64
        Knots between which the disc turns evenly.
    timeline : Timeline
    """

    slots: NDArray[np.float64]
    positions: NDArray[np.float64]
    timeline: Timeline

    @classmethod
    def of(cls, t: Timeline) -> Turning:
        """The turning of a reading."""
        n = t.positions
        slot = t.row_slot.astype(np.int64)
        gap = np.diff(slot) - n
        wanted = np.diff(t.row_first)  # how much further than whole turns, over row and gap
        over = (wanted - gap) % n
        turned = gap + np.where(over * 2 > n, over - n, over)
        turned = np.where(turned < 0, turned + n, turned)
        begin = t.row_first[0] + np.concatenate([[0], np.cumsum(turned + n)])
        slots = np.stack([slot, slot + n], axis=1).reshape(-1).astype(float)
        positions = np.stack([begin, begin + n], axis=1).reshape(-1).astype(float)
        return cls(slots, positions, t)

    def position(self, time_s: float) -> float:
        """The position at the detector, counted on over all turns."""
        slot = float(self.timeline.slots_at(np.array(time_s)))
        if slot <= self.slots[0]:
            return float(self.positions[0] + slot - self.slots[0])
        if slot >= self.slots[-1]:
            return float(self.positions[-1] + slot - self.slots[-1])
        return float(np.interp(slot, self.slots, self.positions))


def stage_row(show: Performance, time_s: float) -> float:
    """The row over which the stage stands; a fraction while it moves."""
    t = show.timeline
    starts = t.row_start_s()
    row = int(np.searchsorted(starts, time_s, side="right")) - 1
    if row < 0:
        return 0.0
    if row + 1 >= t.rows:
        return float(t.rows - 1)
    begin = float(t.row_end_s()[row])
    left = float(starts[row + 1]) - begin
    move = min(max(show.setup.player.stage, 1e-3), left) if left > 0 else 1e-3
    share = min(max((time_s - begin) / move, 0.0), 1.0)
    return row + share * share * (3 - 2 * share)
