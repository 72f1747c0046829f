"""Many readings side by side, so that one pass makes the notes of many trial discs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream, Index
from sonify.player.timeline import Timeline

__all__ = ["Before", "Trials"]


@dataclass(frozen=True, eq=False)
class Before:
    """What schemes remember of the bits before the rows of a trial, shape (trials,).

    Attributes
    ----------
    ones, zeros : ndarray of int64
        Their numbers.
    run : ndarray of int64
        Length of the last run of equal bits.
    last : ndarray of int64
        The bit of that run: 1, 0 or -1; 2 where nothing was read before.
    gap : ndarray of int64
        Positions since the last one; -1 where there was none.
    """

    ones: Index
    zeros: Index
    run: Index
    last: Index
    gap: Index

    @classmethod
    def of(cls, bits: NDArray[np.int8]) -> Before:
        """The summary of bits in the order of reading, shape (trials, bits)."""
        lots, count = bits.shape
        if not count:
            none = np.zeros(lots, np.int64)
            return cls(none, none, none, none + 2, none - 1)
        back = bits[:, ::-1]
        unlike = back != back[:, :1]
        run = np.where(unlike.any(axis=1), unlike.argmax(axis=1), count)
        one = back > 0
        gap = np.where(one.any(axis=1), one.argmax(axis=1), -1)
        return cls(one.sum(axis=1), (bits == 0).sum(axis=1), run, back[:, 0].astype(np.int64), gap)

    def keep(self, which: Index) -> Before:
        """Only these trials."""
        return Before(
            self.ones[which], self.zeros[which], self.run[which], self.last[which], self.gap[which]
        )

    def repeated(self, times: int) -> Before:
        """Each trial repeated so many times."""
        return self.keep(np.repeat(np.arange(len(self.ones)), times))


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
    first_row : int
        The window's first row.
    trials : int
    apart : int
        Slots from one trial to the next, more than any event lasts.
    before : Before
    """

    whole: Timeline
    first_row: int
    trials: int
    apart: int
    before: Before

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
        rows = span // whole.positions
        # rules delay events by less than this
        apart = 1 << (int(whole.end_slot) + 16384).bit_length()
        slots = whole.row_slot[first_row : first_row + rows]
        starts = (np.arange(trials, dtype=np.int64)[:, None] * apart + slots).reshape(-1)
        first = np.tile(whole.row_first[first_row : first_row + rows], trials)
        return cls(
            bits=np.ascontiguousarray(bits).reshape(-1),
            timeline=Timeline(whole.positions, whole.position_s, starts, first),
            unit_bits=unit_bits,
            whole=whole,
            first_row=first_row,
            trials=trials,
            apart=apart,
            before=Before.of(bits[:, :0]) if before is None else before,
        )

    @property
    def span(self) -> int:
        """Positions of a trial."""
        return len(self.bits) // self.trials

    @property
    def window(self) -> int:
        """Rows of a trial."""
        return self.span // self.positions

    @property
    def rows(self) -> int:
        return self.whole.rows

    @property
    def lines(self) -> int:
        return self.trials * self.window

    def row(self, index: Index) -> Index:
        return self.first_row + self.line(index) % self.window

    def nth(self, index: Index) -> Index:
        return self.first_row * self.positions + index % self.span

    def since_start(self, slot: NDArray[Any]) -> NDArray[Any]:
        return slot % self.apart

    def trial(self, slot: NDArray[Any]) -> Index:
        """The trials that slots belong to."""
        out: Index = (slot // self.apart).astype(np.int64)
        return out

    @property
    def end_slot(self) -> int:
        return self.whole.end_slot

    @cached_property
    def gaps(self) -> Index:
        return np.tile(self.whole.gaps[self.first_row : self.first_row + self.window], self.trials)

    def place(self, index: Index) -> Index:
        return self.row(index) * self.positions + self.position(index)

    def index_of(self, place: Index) -> NoReturn:
        raise TypeError("a place in the grid stands for one in every trial")

    @cached_property
    def grid(self) -> NDArray[np.int8]:
        if self.timeline.straight:
            return self.bits
        index = np.arange(len(self.bits))
        out = np.empty_like(self.bits)
        out[self.line(index) * self.positions + self.position(index)] = self.bits
        return out

    @cached_property
    def unit_values(self) -> Index:
        """The values of each trial's code units, from the one in which its window begins."""
        width = self.unit_bits
        lead = self.first_row * self.positions % width
        count = -(-(lead + self.span) // width)
        ones = np.zeros((self.trials, count * width), np.int64)
        ones[:, lead : lead + self.span] = self.grid.reshape(self.trials, -1) > 0
        weights = 1 << np.arange(width - 1, -1, -1)
        out: Index = ones.reshape(self.trials, count, width) @ weights
        return out

    def value(self, index: Index, back: int = 0) -> Index:
        unit = self.character(index) - back
        at = np.maximum(unit - self.first_row * self.positions // self.unit_bits, 0)
        return np.where(unit >= 0, self.unit_values[index // self.span, at], 0)

    def character_starts(self) -> Index:
        one = np.flatnonzero(self.in_character(np.arange(self.span)) == 0)
        return (np.arange(self.trials)[:, None] * self.span + one).reshape(-1)

    def _counted(self, which: NDArray[np.bool_], before: Index) -> Index:
        each = np.cumsum(which.reshape(self.trials, -1), axis=1, dtype=np.int64)
        return (each + before[:, None]).reshape(-1)

    @cached_property
    def _ones(self) -> Index:
        return self._counted(self.bits > 0, self.before.ones)

    def ones_until(self, index: Index) -> Index:
        return self._ones[index]

    def steps_until(self, index: Index, up: int, down: int) -> Index:
        zeros = self._counted(self.bits == 0, self.before.zeros)
        return up * self._ones[index] - down * zeros[index]

    def one_at(self, index: Index, back: int) -> NDArray[np.bool_]:
        at = index - back
        mine = at >= index // self.span * self.span
        out: NDArray[np.bool_] = (self.bits[np.maximum(at, 0)] > 0) & mine
        return out

    def run_until(self, index: Index) -> Index:
        each = self.bits.reshape(self.trials, -1)
        new = np.ones(each.shape, bool)
        new[:, 1:] = each[:, 1:] != each[:, :-1]
        at = np.arange(self.span)
        start = np.maximum.accumulate(np.where(new, at, 0), axis=1)
        on = (start == 0) & (each[:, :1] == self.before.last[:, None])
        run = at - start + np.where(on, self.before.run[:, None], 0)
        out: Index = run.reshape(-1)[index]
        return out

    def gap_until(self, index: Index) -> Index:
        each = self.bits.reshape(self.trials, -1)
        at = np.arange(self.span)
        last = np.maximum.accumulate(np.where(each > 0, at, -1), axis=1)
        before = np.concatenate([np.full((self.trials, 1), -1), last[:, :-1]], axis=1)
        gap = self.before.gap[:, None]
        far = np.where(gap >= 0, at + gap, 0)
        out: Index = np.where(before >= 0, at - before - 1, far).reshape(-1)[index]
        return out

    def recent(self, index: Index, window: int) -> tuple[Index, Index]:
        begin = index // self.span * self.span
        first = np.maximum(index + 1 - window, begin)
        ones = self._ones[index] - np.where(
            first > begin,
            self._ones[np.maximum(first - 1, 0)],
            self.before.ones[begin // self.span],
        )
        return ones, np.minimum(self.nth(index) + 1, window)
