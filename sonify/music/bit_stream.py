"""The bits as they are read, and the events that become notes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline
from sonify.music.form.plan import Plan

__all__ = ["Before", "BitStream", "Events", "rank_in"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]

_SPACES = {5: 4, 7: 32, 8: 32}
"""A space as a code unit of so many bits, where the code is not known: ITU-T S.1, ISO/IEC 646."""


def rank_in(group: NDArray[Any]) -> Index:
    """Each item's number within its run of equal values, from 0."""
    at = np.arange(len(group))
    new = np.ones(len(group), bool)
    new[1:] = group[1:] != group[:-1]
    out: Index = at - np.maximum.accumulate(np.where(new, at, 0))
    return out


@dataclass(frozen=True, eq=False)
class Before:
    """What pitch schemes need to know of the bits before each trial; shapes are (trials,).

    Attributes
    ----------
    ones, zeros : ndarray of int64
        How many there were.
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
        """What bits in the order of reading, shape (trials, bits), leave behind."""
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

    def then(self, bits: NDArray[np.int8]) -> Before:
        """What is left behind when these bits, shape (trials, bits), have been read too."""
        new, count = Before.of(bits), bits.shape[1]
        if not count:
            return self
        goes_on = (new.run == count) & (new.last == self.last)
        far = np.where(self.gap >= 0, self.gap + count, -1)
        return Before(
            self.ones + new.ones, self.zeros + new.zeros, new.run + goes_on * self.run, new.last,
            np.where(new.gap >= 0, new.gap, far),
        )  # fmt: skip

    def keep(self, which: Index) -> Before:
        """Only these trials."""
        return Before(*(getattr(self, f.name)[which] for f in fields(self)))

    def repeated(self, times: int) -> Before:
        """Each trial, `times` times over."""
        return self.keep(np.repeat(np.arange(len(self.ones)), times))


_NOTHING = Before.of(np.zeros((1, 0), np.int8))


@dataclass(frozen=True, eq=False)
class BitStream:
    """The bits of a disc in the order of reading, with what the music needs to know about them.

    Attributes
    ----------
    bits : ndarray of int8, shape (n,)
        In the order of reading: 1, 0, and -1 for unknown.
    timeline : Timeline
    unit_bits : int
        Bits of a character's code unit (8 on a disc without a code).
    characters : ndarray of CHARACTERS or None
        The decoded characters; their bits are indices into the grid, row by row.
    space : int or None
        The value of a space's code unit, if the code is known.
    trials : int
        The number of discs of the same size laid end to end (see `sonify.music.trials`).
    first_row : int
        The row at which each of them begins.
    before : Before
        What was read before that row.
    plan : Plan or None
        The form, for those voices that follow it.
    """

    bits: NDArray[np.int8]
    timeline: Timeline
    unit_bits: int
    characters: NDArray[np.void] | None = None
    space: int | None = None
    trials: int = 1
    first_row: int = 0
    before: Before = _NOTHING
    plan: Plan | None = None

    @property
    def span(self) -> int:
        """Positions of a trial."""
        return len(self.bits) // self.trials

    @property
    def positions(self) -> int:
        """Positions per row."""
        return self.timeline.positions

    @property
    def rows(self) -> int:
        """Number of rows."""
        return self.timeline.rows

    def planned(self, table: int, index: Index) -> Index:
        """The entries of a table of the plan at positions."""
        if self.plan is None:
            return np.zeros_like(index)
        return self.plan.at(table, self.row(index), index % self.positions)

    def row(self, index: Index) -> Index:
        """The rows of positions given by their index in the order of reading."""
        return index // self.positions

    @property
    def lines(self) -> int:
        """Number of lines, each as long as a row. In trials, a row has several."""
        return self.timeline.rows

    def line(self, index: Index) -> Index:
        """The lines that positions lie in."""
        return index // self.positions

    def line_start(self, index: Index) -> Index:
        """The slots at which those lines start."""
        return self.timeline.row_slot[self.line(index)]

    def nth(self, index: Index) -> Index:
        """The numbers of positions in the whole reading, from 0."""
        return index

    def since_start(self, slot: NDArray[Any]) -> NDArray[Any]:
        """Slots counted from the start of the reading."""
        return slot

    @property
    def end_slot(self) -> int:
        """The slot after the last one in which a position is read."""
        return self.timeline.end_slot

    @cached_property
    def gaps(self) -> Index:
        """Slots from each line's end to the next row's start; 0 after the last."""
        return self.timeline.gaps

    @property
    def widest_gap(self) -> int:
        """The most slots between two rows of the whole reading."""
        return int(self.timeline.gaps.max(initial=0))

    @cached_property
    def moves(self) -> Index:
        """Slots in which the stage moves on after each line; 0 after the last row of the form."""
        if self.plan is None or not self.plan.closed:
            return self.gaps
        row = self.row(np.arange(self.lines) * self.positions)
        return np.where(row == self.plan.rows - 1, 0, self.gaps)

    def slot(self, index: Index) -> Index:
        """The slots in which positions are read."""
        # NumPy divides by one number ten times as fast without the remainder
        line = index // self.positions
        out: Index = self.timeline.row_slot[line] + (index - line * self.positions)
        return out

    def position(self, index: Index) -> Index:
        """Positions within their rows."""
        line = index // self.positions
        step = index - line * self.positions
        if self.timeline.straight:
            return step
        out: Index = (self.timeline.row_first[line] + step) % self.positions
        return out

    def place(self, index: Index) -> Index:
        """Indices into the grid, row by row."""
        if self.timeline.straight:
            return self.nth(index)
        return self.row(index) * self.positions + self.position(index)

    def in_character(self, index: Index) -> Index:
        """Places within code units, 0 for the first bit."""
        return self.place(index) % self.unit_bits

    def character(self, index: Index) -> Index:
        """The code units that positions belong to, from 0 in the order of the grid."""
        return self.place(index) // self.unit_bits

    @cached_property
    def unit_values(self) -> Index:
        """The values of code units from the one in which each trial begins, shape (trials, units).

        The first bit of a unit is the highest; unknown bits count as zeros.
        """
        width = self.unit_bits
        grid = self.bits
        if not self.timeline.straight:
            grid = np.empty_like(self.bits)
            grid[self.timeline.places()] = self.bits
        lead = self.first_row * self.positions % width
        count = -(-(lead + self.span) // width)
        ones = np.zeros((self.trials, count * width), np.int64)
        ones[:, lead : lead + self.span] = grid.reshape(self.trials, -1) > 0
        weights = 1 << np.arange(width - 1, -1, -1)
        out: Index = ones.reshape(self.trials, count, width) @ weights
        return out

    def value(self, index: Index, back: int = 0) -> Index:
        """The values of code units, or of those `back` units earlier; 0 before the first."""
        unit = self.character(index) - back
        at = np.maximum(unit - self.first_row * self.positions // self.unit_bits, 0)
        return np.where(unit >= 0, self.unit_values[index // self.span, at], 0)

    @cached_property
    def _word_starts(self) -> Index:
        """The unit in which the word of each unit began, shape (trials, units); a space is one."""
        values = self.unit_values
        known = _SPACES.get(self.unit_bits, -1) if self.space is None else self.space
        space = values == known
        new = space.copy()
        new[:, 1:] |= space[:, :-1]
        at = np.arange(values.shape[1])
        out: Index = np.maximum.accumulate(np.where(new, at, 0), axis=1)
        return out

    def motif_value(self, index: Index, of: str, back: int = 0) -> Index:
        """The value of the code unit that gives a motif at each position.

        Parameters
        ----------
        index : ndarray of int64
        of : str
            "letter": the position's own unit. "word": the first one of its word. "row": the one
            in which its row begins.
        back : int
            How many units earlier.
        """
        if of == "letter":
            return self.value(index, back)
        if of == "row":
            return self.value(index - index % self.positions, back)
        first = self.first_row * self.positions // self.unit_bits
        unit = np.maximum(self.character(index) - back - first, 0)
        trial = index // self.span
        out: Index = self.unit_values[trial, self._word_starts[trial, unit]]
        return out

    def character_starts(self) -> Index:
        """The first bit of each code unit, in the order of reading.

        Filling counts too, because a machine can't know it as such before it has read it.
        """
        return np.flatnonzero(self.in_character(np.arange(len(self.bits))) == 0)

    @property
    def _each(self) -> NDArray[np.int8]:
        """The bits, shape (trials, span)."""
        return self.bits.reshape(self.trials, -1)

    def _counted(self, which: NDArray[np.bool_], before: Index) -> Index:
        count = np.cumsum(which, axis=1, dtype=np.int64)
        count += before[:, None]
        return count.reshape(-1)

    @cached_property
    def _ones(self) -> Index:
        return self._counted(self._each > 0, self.before.ones)

    def ones_until(self, index: Index) -> Index:
        """Number of ones read so far, the positions' own bits included."""
        return self._ones[index]

    def steps_until(self, index: Index, up: int, down: int) -> Index:
        """The sum of steps so far: `up` for each one and `-down` for each zero."""
        zeros = self._counted(self._each == 0, self.before.zeros)
        return up * self._ones[index] - down * zeros[index]

    def one_at(self, index: Index, back: int) -> NDArray[np.bool_]:
        """Whether the bit read `back` positions earlier is a one."""
        at = index - back
        mine = at >= index // self.span * self.span
        out: NDArray[np.bool_] = (self.bits[np.maximum(at, 0)] > 0) & mine
        return out

    def run_until(self, index: Index) -> Index:
        """How long the run of equal bits already was before each position."""
        each = self._each
        new = np.ones(each.shape, bool)
        new[:, 1:] = each[:, 1:] != each[:, :-1]
        at = np.arange(self.span)
        start = np.maximum.accumulate(np.where(new, at, 0), axis=1)
        on = (start == 0) & (each[:, :1] == self.before.last[:, None])
        run = at - start + np.where(on, self.before.run[:, None], 0)
        out: Index = run.reshape(-1)[index]
        return out

    def gap_until(self, index: Index) -> Index:
        """Number of positions since the previous one; 0 if there was none."""
        at = np.arange(self.span)
        last = np.maximum.accumulate(np.where(self._each > 0, at, -1), axis=1)
        before = np.concatenate([np.full((self.trials, 1), -1), last[:, :-1]], axis=1)
        gap = self.before.gap[:, None]
        far = np.where(gap >= 0, at + gap, 0)
        out: Index = np.where(before >= 0, at - before - 1, far).reshape(-1)[index]
        return out

    def recent(self, index: Index, window: int) -> tuple[Index, Index]:
        """Number of ones in the last `window` positions up to each, and of those positions."""
        begin = index // self.span * self.span
        first = np.maximum(index + 1 - window, begin)
        before = self.before.ones[begin // self.span]
        seen = np.where(first > begin, self._ones[np.maximum(first - 1, 0)], before)
        return self._ones[index] - seen, np.minimum(self.nth(index) + 1, window)


@dataclass(frozen=True, eq=False)
class Events:
    """What rhythm rules work on: notes before they have pitches.

    All arrays have shape (events,), in the order of onsets.

    Attributes
    ----------
    index : ndarray of int64
        The position, in the order of reading, that an event belongs to and takes its pitch from.
    onset, length : ndarray of float64
        In slots.
    velocity_scale : ndarray of float64
        Factor on the voice's velocity.
    shift : ndarray of int64
        Scale degrees to add to its pitch.
    """

    index: Index
    onset: Reals
    length: Reals
    velocity_scale: Reals
    shift: Index

    @classmethod
    def at(cls, index: Index, m: BitStream) -> Events:
        """An event of one step at each of these positions."""
        n = len(index)
        return cls(
            index=index,
            onset=m.slot(index).astype(np.float64),
            length=np.broadcast_to(np.float64(1.0), n),
            velocity_scale=np.broadcast_to(np.float64(1.0), n),
            shift=np.broadcast_to(np.int64(0), n),
        )

    def __len__(self) -> int:
        return len(self.index)

    @property
    def end(self) -> Reals:
        """Ends in slots."""
        return self.onset + self.length

    def keep(self, which: NDArray[np.bool_] | Index) -> Events:
        """Only these events."""
        index = self.index[which]

        def kept(column: NDArray[Any]) -> NDArray[Any]:
            # a column of one value needs no copy
            same = column.strides == (0,) and len(column)
            return np.broadcast_to(column[0], len(index)) if same else column[which]

        others = (kept(getattr(self, f.name)) for f in fields(self) if f.name != "index")
        return Events(index, *others)

    def but(self, **arrays: NDArray[np.float64] | NDArray[np.int64]) -> Events:
        """The same events with some arrays replaced."""
        return replace(self, **arrays)  # type: ignore[arg-type]

    def sorted(self) -> Events:
        """In the order of onsets; a stable sort."""
        if len(self) < 2 or not (self.onset[1:] < self.onset[:-1]).any():
            return self
        return self.keep(np.argsort(self.onset, kind="stable"))

    @staticmethod
    def joined(parts: list[Events]) -> Events:
        """Several sets of events as one, sorted."""
        columns = ([getattr(p, f.name) for p in parts] for f in fields(Events))
        return Events(*map(np.concatenate, columns)).sorted()
