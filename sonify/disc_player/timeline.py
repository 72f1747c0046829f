"""Reading: when each position of each row passes the detector.

All times are whole multiples of the time that one position lasts, T = 60 / (rpm * positions). A
`Timeline` counts in these *slots* and converts them to seconds last, so that errors don't add up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Player
from sonify.ranges import row_range

__all__ = ["READING", "Pace", "Timeline", "read_times", "reading_of"]

READING = np.dtype([("time_s", "f8"), ("row", "i4"), ("position", "i4"), ("bit", "i1")])
"""One position read: when, which, and its bit (1, 0, or -1 for unknown)."""

_FUZZ = 1e-9


@dataclass(frozen=True, eq=False)
class Pace:
    """A speed that changes: from each slot on, a position lasts as long as given.

    Attributes
    ----------
    slot : ndarray of float64, shape (changes,)
        Rising, from 0.
    position_s : ndarray of float64, shape (changes,)
    """

    slot: NDArray[np.float64]
    position_s: NDArray[np.float64]

    @cached_property
    def time_s(self) -> NDArray[np.float64]:
        """When each change comes, in s."""
        return np.concatenate([[0.0], np.cumsum(np.diff(self.slot) * self.position_s[:-1])])

    def seconds(self, slot: NDArray[Any]) -> NDArray[np.float64]:
        """The times of slots, in s."""
        k = np.maximum(np.searchsorted(self.slot, slot, side="right") - 1, 0)
        out: NDArray[np.float64] = self.time_s[k] + (slot - self.slot[k]) * self.position_s[k]
        return out

    def slots(self, time_s: NDArray[Any]) -> NDArray[np.float64]:
        """The slots of times in s, in fractions."""
        k = np.maximum(np.searchsorted(self.time_s, time_s, side="right") - 1, 0)
        out: NDArray[np.float64] = self.slot[k] + (time_s - self.time_s[k]) / self.position_s[k]
        return out


@dataclass(frozen=True, eq=False)
class Timeline:
    """When rows are read.

    Attributes
    ----------
    positions : int
        Positions per row.
    position_s : float
        How long a position lasts at the player's speed, T, in s.
    row_slot : ndarray of int64, shape (rows,)
        The slot in which each row's first position is read. Slot k lies at k * T, or where the
        pace has it.
    row_first : ndarray of int64, shape (rows,)
        Which position of the row is read first, counted from 0.
    pace : Pace or None
        How the speed changes; None if it is even.
    """

    positions: int
    position_s: float
    row_slot: NDArray[np.int64]
    row_first: NDArray[np.int64]
    pace: Pace | None = None

    def seconds(self, slot: NDArray[Any]) -> NDArray[np.float64]:
        """The times of slots, in s."""
        if self.pace is not None:
            return self.pace.seconds(slot)
        out: NDArray[np.float64] = slot * np.float64(self.position_s)
        return out

    def slots_at(self, time_s: NDArray[Any]) -> NDArray[np.float64]:
        """The slots of times in s, in fractions."""
        if self.pace is not None:
            return self.pace.slots(time_s)
        out: NDArray[np.float64] = time_s / np.float64(self.position_s)
        return out

    def at_speed(self, speed: float) -> Timeline:
        """The same reading, so many times as fast."""
        pace = self.pace and Pace(self.pace.slot, self.pace.position_s / speed)
        return replace(self, position_s=self.position_s / speed, pace=pace)

    @property
    def least_s(self) -> float:
        """How long the shortest position lasts, in s."""
        return self.position_s if self.pace is None else float(self.pace.position_s.min())

    @property
    def rows(self) -> int:
        """How many rows are read."""
        return len(self.row_slot)

    @property
    def end_slot(self) -> int:
        """The slot after the last one in which a position is read."""
        return int(self.row_slot[-1]) + self.positions

    @property
    def end_s(self) -> float:
        """When the last position has passed, in s."""
        return float(self.seconds(np.array(self.end_slot)))

    @cached_property
    def straight(self) -> bool:
        """Whether every row is read from its position 0."""
        return not self.row_first.any()

    def row_start_s(self) -> NDArray[np.float64]:
        """When each row's first position is read, in s, shape (rows,)."""
        return self.seconds(self.row_slot)

    def row_end_s(self) -> NDArray[np.float64]:
        """When each row's last position has passed, in s, shape (rows,)."""
        return self.seconds(self.row_slot + self.positions)

    def span_of_rows(self, rows: str) -> tuple[float, float]:
        """When the rows of a range such as "2-5" begin and end, in s.

        A row ends where the next one begins; the last row has no end (infinity).

        Raises
        ------
        InputError
            Not a range, or rows that the disc does not have.
        """
        first, last = row_range(rows, self.rows)
        starts = np.append(self.row_start_s(), np.inf)
        return float(starts[first]), float(starts[last + 1])

    def slots(self) -> NDArray[np.int64]:
        """The slot of each position in the order of reading, shape (rows * positions,)."""
        return (self.row_slot[:, None] + np.arange(self.positions)).reshape(-1)

    def places(self) -> NDArray[np.int64]:
        """For each position in the order of reading, its index into the grid read row by row."""
        if self.straight:
            return np.arange(self.rows * self.positions)
        at = (self.row_first[:, None] + np.arange(self.positions)) % self.positions
        return (at + (np.arange(self.rows) * self.positions)[:, None]).reshape(-1)

    def in_order(self, grid: NDArray[np.int8]) -> NDArray[np.int8]:
        """The bits of a grid in the order of reading, shape (rows * positions,)."""
        flat = grid.reshape(-1)
        return flat if self.straight else flat[self.places()]

    def slot_of(self, place: NDArray[np.int64]) -> NDArray[np.int64]:
        """The slot in which the position at an index into the grid is read."""
        row, position = np.divmod(place, self.positions)
        out: NDArray[np.int64] = (
            self.row_slot[row] + (position - self.row_first[row]) % self.positions
        )
        return out

    @cached_property
    def gaps(self) -> NDArray[np.int64]:
        """How many slots lie between each row's end and the next one's start; 0 after the last."""
        return np.append(self.row_slot[1:] - self.row_slot[:-1] - self.positions, 0)

    def first_rows(self, rows: int) -> Timeline:
        """The reading of only so many rows."""
        return replace(self, row_slot=self.row_slot[:rows], row_first=self.row_first[:rows])


def read_times(rows: int, positions: int, player: Player) -> Timeline:
    """When a player reads a disc of `rows` by `positions`.

    With `row_start` "index" the next row starts at the first index pass at or after the end of
    this row's turn plus stage plus settle. With "next-position" it starts at the first position
    after the last one read plus stage plus settle.
    """
    turn = player.turn_s
    position_s = turn / positions
    move = player.stage + player.settle
    row = np.arange(rows, dtype=np.int64)
    if player.row_start == "index":
        turns = 1 + math.ceil(move / turn - _FUZZ)
        return Timeline(positions, position_s, row * (turns * positions), np.zeros_like(row))
    on = positions - 1 + math.floor(move / position_s + _FUZZ) + 1
    return Timeline(positions, position_s, row * on, (row * on) % positions)


def reading_of(grid: NDArray[np.int8], timeline: Timeline) -> NDArray[np.void]:
    """The reading of a grid: an array of `READING`, in order of time.

    Parameters
    ----------
    grid : ndarray of int8, shape (rows, positions)
    timeline : Timeline

    Returns
    -------
    ndarray of READING, shape (rows * positions,)
    """
    n = timeline.positions
    out = np.empty((timeline.rows, n), READING)
    out["time_s"] = timeline.seconds(timeline.row_slot[:, None] + np.arange(n))
    out["row"] = np.arange(timeline.rows)[:, None]
    out["position"] = (timeline.row_first[:, None] + np.arange(n)) % n
    flat = out.reshape(-1)
    flat["bit"] = timeline.in_order(grid)
    return flat
