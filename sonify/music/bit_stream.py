"""The bits as they are read, and the events that become notes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.player.timeline import Timeline

__all__ = ["BitStream", "Events"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]


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
    """

    bits: NDArray[np.int8]
    timeline: Timeline
    unit_bits: int
    characters: NDArray[np.void] | None = None

    @property
    def positions(self) -> int:
        """Positions per row."""
        return self.timeline.positions

    @property
    def rows(self) -> int:
        """Number of rows."""
        return self.timeline.rows

    def row(self, index: Index) -> Index:
        """The rows of positions given by their index in the order of reading."""
        return index // self.positions

    @property
    def lines(self) -> int:
        """Number of lines: stretches as long as a row. Trials have several for each row."""
        return self.timeline.rows

    def line(self, index: Index) -> Index:
        """The lines that positions lie in."""
        return index // self.positions

    def nth(self, index: Index) -> Index:
        """Their numbers in the whole reading, from 0."""
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

    def slot(self, index: Index) -> Index:
        """The slots in which positions are read."""
        row, step = np.divmod(index, self.positions)
        out: Index = self.timeline.row_slot[row] + step
        return out

    def position(self, index: Index) -> Index:
        """Their positions within their rows."""
        row, step = np.divmod(index, self.positions)
        if self.timeline.straight:
            return step
        out: Index = (self.timeline.row_first[row] + step) % self.positions
        return out

    def place(self, index: Index) -> Index:
        """Their indices into the grid, row by row."""
        if self.timeline.straight:
            return index
        return self.row(index) * self.positions + self.position(index)

    def index_of(self, place: Index) -> Index:
        """The index in the order of reading of places in the grid."""
        if self.timeline.straight:
            return place
        row, position = np.divmod(place, self.positions)
        out: Index = row * self.positions + (
            (position - self.timeline.row_first[row]) % self.positions
        )
        return out

    def in_character(self, index: Index) -> Index:
        """Their places within their code units, 0 for the first bit."""
        return self.place(index) % self.unit_bits

    def character(self, index: Index) -> Index:
        """The code units that they belong to, from 0 in the order of the grid."""
        return self.place(index) // self.unit_bits

    @cached_property
    def grid(self) -> NDArray[np.int8]:
        """The bits in the order of the grid, shape (n,)."""
        if self.timeline.straight:
            return self.bits
        out = np.empty_like(self.bits)
        out[self.timeline.places()] = self.bits
        return out

    @cached_property
    def unit_values(self) -> Index:
        """The value of each code unit, first bit highest; unknown bits count as zeros."""
        width = self.unit_bits
        count = -(-len(self.grid) // width)
        ones = np.zeros(count * width, np.int64)
        ones[: len(self.grid)] = self.grid > 0
        weights = 1 << np.arange(width - 1, -1, -1)
        out: Index = ones.reshape(count, width) @ weights
        return out

    def value(self, index: Index, back: int = 0) -> Index:
        """The values of their code units, or of those `back` before; 0 before the first."""
        unit = self.character(index) - back
        if not back:
            return self.unit_values[unit]
        return np.where(unit >= 0, self.unit_values[np.maximum(unit, 0)], 0)

    def character_starts(self) -> Index:
        """The first bit of each code unit, in the order of reading.

        All code units, whether or not they turn out to be characters: a machine can't know
        about the fill of the last row before it has read it.
        """
        return np.sort(self.index_of(np.arange(0, len(self.bits), self.unit_bits, dtype=np.int64)))

    def ones_until(self, index: Index) -> Index:
        """Number of ones read so far, their own bits included."""
        out: Index = np.cumsum(self.bits > 0, dtype=np.int64)[index]
        return out

    def steps_until(self, index: Index, up: int, down: int) -> Index:
        """The sum of steps so far: `up` for each one and `-down` for each zero."""
        steps = np.where(self.bits > 0, up, np.where(self.bits == 0, -down, 0))
        out: Index = np.cumsum(steps)[index]
        return out

    def one_at(self, index: Index, back: int) -> NDArray[np.bool_]:
        """Whether the bit read `back` positions earlier is a one."""
        at = index - back
        ones = self.bits > 0
        out: NDArray[np.bool_] = ones[np.maximum(at, 0)] & (at >= 0)
        return out

    def run_until(self, index: Index) -> Index:
        """Number of equal bits read right before them."""
        new = np.ones(len(self.bits), bool)
        new[1:] = self.bits[1:] != self.bits[:-1]
        start = np.maximum.accumulate(np.where(new, np.arange(len(self.bits)), 0))
        out: Index = index - start[index]
        return out

    def gap_until(self, index: Index) -> Index:
        """Number of positions between them and the last one before; 0 if there is none."""
        last = np.maximum.accumulate(np.where(self.bits > 0, np.arange(len(self.bits)), -1))
        before = np.where(index > 0, last[np.maximum(index - 1, 0)], -1)
        return np.where(before >= 0, index - before - 1, 0)

    def recent(self, index: Index, window: int) -> tuple[Index, Index]:
        """Number of ones in the last `window` positions, their own included, and of positions."""
        ones = np.concatenate(([0], np.cumsum(self.bits > 0)))
        first = np.maximum(index + 1 - window, 0)
        return ones[index + 1] - ones[first], index + 1 - first


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
    def at(cls, index: Index, material: BitStream) -> Events:
        """An event of one step at each of these positions."""
        n = len(index)
        return cls(
            index=index,
            onset=material.slot(index).astype(np.float64),
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
        return Events(
            self.index[which],
            self.onset[which],
            self.length[which],
            self.velocity_scale[which],
            self.shift[which],
        )

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
        return Events(
            np.concatenate([p.index for p in parts]),
            np.concatenate([p.onset for p in parts]),
            np.concatenate([p.length for p in parts]),
            np.concatenate([p.velocity_scale for p in parts]),
            np.concatenate([p.shift for p in parts]),
        ).sorted()
