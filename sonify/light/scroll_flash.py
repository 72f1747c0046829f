"""The flash meter for a scroll: it measures each column once, and knows when others show the same.

Each column of lamps shows what the one to its right showed a step before. So most columns of cells
have the history of another one, some steps later, and only a few are measured. The judgement is the
same.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.light.flash import Flashing, FlashMeter, Mask, Tally, window_start
from sonify.light.lamp_grid import LampGrid

__all__ = ["ScrollMeter", "scroll_meter"]

I64 = NDArray[np.int64]

# Steps that are judged together: more take no less time.
_TOGETHER = 128


class Repeats(NamedTuple):
    """Columns of cells that show what others showed before.

    Attributes
    ----------
    own : ndarray of int64
        The columns that are measured.
    column, ago : ndarray of int64, shape (columns,)
        For each column, which of `own` it repeats, and how many steps later.
    """

    own: I64
    column: I64
    ago: I64


def scroll_meter(grid: LampGrid) -> ScrollMeter | None:
    """The meter for a scroll; None if it does not run along the picture's rows, or if fields lie
    one below the other, which columns don't tell apart."""
    meter = ScrollMeter(grid)
    flat = not grid.mounting.turned and not grid.mounting.mirrored
    return meter if flat and meter.shape[0] <= meter.field[0] else None


class ScrollMeter(FlashMeter):
    """Measures a scroll as it is made: of each step, only the columns of `repeats.own`.

    Parameters
    ----------
    grid : LampGrid
        A matrix as the viewer sees it, neither turned nor mirrored.
    """

    def __init__(self, grid: LampGrid) -> None:
        super().__init__(*grid.size, coarse=True)
        self.repeats = _repeats(grid, self.cell, self.shape[1])
        self._tallies = [
            _RepeatedTally(kind, self.shape, self.field, self.area, self.repeats)
            for kind in ("general", "red")
        ]
        self._begin((self.shape[0], len(self.repeats.own)), *self._tallies)

    @property
    def worst(self) -> Flashing:
        for tally in self._tallies:
            tally.judge()
        return super().worst


def _repeats(grid: LampGrid, cell: int, across: int) -> Repeats:
    columns, pixels = grid.columns, np.arange(across * cell)
    lamp = np.searchsorted(columns.edge, pixels, side="right") - 1
    # the last two columns of lamps are lit, or lit by a neighbour, from the first step on
    alike = (lamp >= 0) & (lamp < len(columns.bands) - 2)
    lamp[~alike] = 0
    kind = np.where(alike, np.array(columns.alike)[lamp], -1)
    place = np.where(alike, pixels - columns.edge[lamp], pixels)
    lamp, kind, place = (one.reshape(across, cell) for one in (lamp, kind, place))
    first = lamp[:, 0]
    keys = [one.tobytes() for one in np.stack([kind, place, lamp - first[:, None]], axis=1)]
    # what the rightmost one shows, the others show later
    latest = {key: k for k, key in enumerate(keys)}
    own = np.array(sorted(latest.values()))
    source = np.array([latest[key] for key in keys])
    return Repeats(own, np.searchsorted(own, source), first[source] - first)


class _RepeatedTally(Tally):
    """Counts changes in the columns that are measured, and judges them wherever they come again."""

    def __init__(
        self, kind: str, shape: tuple[int, int], field: tuple[int, int], area: float,
        repeats: Repeats,
    ) -> None:  # fmt: skip
        super().__init__(kind, shape, field, area)
        self.repeats = repeats
        across = len(repeats.own)
        self.back = int(repeats.ago.max())
        # rises and falls of the steps that still count, and of those to be judged
        self.times: list[float] = []
        self.turned_cells = np.zeros((2, _TOGETHER, shape[0], across), bool)
        self.judged = 0
        # of the last steps: cells of each column that flash once, twice, ... or more often
        self.marks: list[NDArray[np.uint16]] = []

    def add(self, time_s: float, ys: slice, xs: slice, up: Mask, down: Mask) -> None:
        step = len(self.times)
        if step == self.turned_cells.shape[1]:
            more = np.zeros_like(self.turned_cells[:, :_TOGETHER])
            self.turned_cells = np.concatenate([self.turned_cells, more], axis=1)
        self.times.append(time_s)
        self.turned_cells[:, step] = False
        self.turned_cells[0, step, ys, xs] = up
        self.turned_cells[1, step, ys, xs] = down
        if step + 1 - self.judged == _TOGETHER:
            self.judge()

    def judge(self) -> None:
        """Judge the steps that were not judged yet."""
        times, first, last = np.array(self.times), self.judged, len(self.times)
        if first == last:
            return
        turns = self.turned_cells[:, :last]
        count = self._counted(times, turns)
        at = np.arange(first, last)[:, None] - self.repeats.ago
        begun, at = at >= 0, np.maximum(at, 0)
        for flashes in range(1, int(count.max()) // 2 + 1):
            if len(self.marks) < flashes:
                self.marks.append(np.zeros((first, len(self.repeats.own)), np.uint16))
            new = np.add.reduce((count >= 2 * flashes).view(np.uint8), axis=1, dtype=np.uint16)
            self.marks[flashes - 1] = np.concatenate([self.marks[flashes - 1], new])
        for flashes, marks in enumerate(self.marks, 1):
            if len(marks) < last:
                none = np.zeros((last - first, marks.shape[1]), np.uint16)
                self.marks[flashes - 1] = marks = np.concatenate([marks, none])
            most = self._most(marks[at, self.repeats.column] * begun)
            k = int(most.argmax())
            self._take(self._found(self.times[first + k], flashes, self._share(float(most[k]))))
        self._judge_fields(turns, at, begun)
        # what is still needed
        kept = max(self.back, last - int(np.searchsorted(times, window_start(times[-1]), "right")))
        gone = max(0, last - kept)
        self.turned_cells[:, : last - gone] = self.turned_cells[:, gone:last].copy()
        self.times, self.judged = self.times[gone:], last - gone
        self.marks = [one[gone:] for one in self.marks]

    def _counted(self, times: NDArray[np.float64], turns: Mask) -> NDArray[np.uint16]:
        """The changes of each cell in the second before each step that is to be judged."""
        total = np.zeros((len(times) + 1, *turns.shape[2:]), np.uint16)
        # step by step, as a cumulative sum over whole arrays takes six times as long
        for k, changed in enumerate(turns[0] | turns[1]):
            np.add(total[k], changed, out=total[k + 1])
        begins = np.searchsorted(times, window_start(times[self.judged :]), side="right")
        return total[self.judged + 1 :] - total[begins]

    def _most(self, cells: NDArray[np.integer]) -> I64:
        """The most cells in any field, from those of each column, shape (steps, columns)."""
        w = min(self.field[1], cells.shape[1])
        across = np.zeros((len(cells), cells.shape[1] + 1), np.int64)
        np.cumsum(cells, axis=1, out=across[:, 1:])
        out: I64 = (across[:, w:] - across[:, :-w]).max(axis=1)
        return out

    def _judge_fields(self, turns: Mask, at: I64, begun: Mask) -> None:
        sums = np.add.reduce(turns.view(np.uint8), axis=2, dtype=np.int64)
        both = (sums[:, at, self.repeats.column] * begun).sum(axis=2).max(axis=0)
        for k in np.flatnonzero(both > self.area).tolist():
            time_s = self.times[self.judged + k]
            self._forget(time_s)
            whole = turns[:, at[k], :, self.repeats.column] & begun[k][:, None, None]
            up, down = whole[:, 0].T, whole[:, 1].T
            self._by_field(time_s, slice(None), slice(None), up, down)

    def _take(self, found: Flashing) -> None:
        if (found.rank, -found.time_s) > (self.worst.rank, -self.worst.time_s):
            self.worst = found
