"""Many readings side by side, so that one pass makes the notes of many trial discs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline
from sonify.music.bit_stream import Before, BitStream, Index

__all__ = ["Before", "Trials"]


@dataclass(frozen=True, eq=False, kw_only=True)
class Trials(BitStream):
    """Some rows of many trial discs, which the mapping treats as one long reading.

    `bits` holds the trials one after another, `timeline` one line for each row of each. The slots
    of trial k begin at k * `apart`. Schemes continue counting from what came `before`; those that
    look back (`number`, `density`) see no further than the first row of the window.

    Attributes
    ----------
    whole : Timeline
        The whole reading that the rows belong to.
    apart : int
        Slots from one trial to the next, more than any event lasts.
    """

    whole: Timeline
    apart: int

    @classmethod
    def side_by_side(
        cls,
        bits: NDArray[np.int8],
        whole: Timeline,
        unit_bits: int,
        first_row: int = 0,
        before: Before | None = None,
    ) -> Trials:
        """Trials from their bits in the order of reading, shape (trials, rows * positions)."""
        trials, span = bits.shape
        rows = slice(first_row, first_row + span // whole.positions)
        # rules delay events by less than this
        apart = 1 << (int(whole.end_slot) + 16384).bit_length()
        starts = np.arange(trials, dtype=np.int64)[:, None] * apart + whole.row_slot[rows]
        first = np.tile(whole.row_first[rows], trials)
        return cls(
            bits=np.ascontiguousarray(bits).reshape(-1),
            timeline=Timeline(whole.positions, whole.position_s, starts.reshape(-1), first),
            unit_bits=unit_bits,
            whole=whole,
            first_row=first_row,
            trials=trials,
            apart=apart,
            before=Before.of(bits[:, :0]) if before is None else before,
        )

    @property
    def window(self) -> int:
        """Rows of a trial."""
        return self.span // self.positions

    @property
    def rows(self) -> int:
        return self.whole.rows

    def row(self, index: Index) -> Index:
        line = self.line(index)
        return self.first_row + (line if self.trials == 1 else line % self.window)

    def slot(self, index: Index) -> Index:
        if self.trials == 1:
            return super().slot(index)
        # all trials have the same slots from their starts on
        trial = index // self.span
        slots = (self.timeline.row_slot[: self.window, None] + np.arange(self.positions)).reshape(
            -1
        )
        out: Index = trial * self.apart + slots[index - trial * self.span]
        return out

    def planned(self, table: int, index: Index) -> Index:
        if self.plan is None or self.trials == 1:
            return super().planned(table, index)
        # all trials have the same entries
        line, step = np.divmod(np.arange(self.span), self.positions)
        entries = self.plan.at(table, self.first_row + line, step)
        out: Index = entries[index - index // self.span * self.span]
        return out

    def nth(self, index: Index) -> Index:
        if self.trials == 1:
            return self.first_row * self.positions + index
        return self.first_row * self.positions + index - index // self.span * self.span

    def since_start(self, slot: NDArray[Any]) -> NDArray[Any]:
        return slot % self.apart

    @property
    def end_slot(self) -> int:
        return self.whole.end_slot

    @property
    def widest_gap(self) -> int:
        return int(self.whole.gaps.max(initial=0))

    @cached_property
    def gaps(self) -> Index:
        return np.tile(self.whole.gaps[self.first_row : self.first_row + self.window], self.trials)
