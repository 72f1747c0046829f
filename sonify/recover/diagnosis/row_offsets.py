"""How far from its row the data detector was in each reading, by how deep its holes look.

Hypotheses of where the stage stops are compared by how likely they make every level of the log,
for each way in which the readings may begin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.beside_rows import BESIDE, SURE, Way, overlap, ways_beside
from sonify.recover.diagnosis.stage_move import OPEN
from sonify.recover.diagnosis.stage_path import Player
from sonify.recover.diagnosis.under_detector import Dwell

__all__ = ["RowOffsets", "row_offsets"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

FAINT = 0.75
"""Of the usual depth: a threshold in the middle misses holes below one half."""

EVEN = 3
"""Slots by which the distances of even readings differ at the most: the motor drifts, and a row
starts at a whole slot (own choice)."""


@dataclass(frozen=True, eq=False)
class RowOffsets:
    """Where the detector was.

    Attributes
    ----------
    kind : str
        "stretch": at its rows, but light or the channel hid holes for a while. "other": at its
        rows, but from one on their bits are no more like the disc's than coins. "pitch": off by
        more with each row. "play": off by the same from the second row on. "step":
        from any row on. "loose": off by another length at each row. "dead": at its rows, but the
        channel died. "moved": at its rows, but it moved at other times than set, perhaps while they
        were read. "rows": at its rows, or at other ones.
    ways : dict of str to Way
        That, and what else explains the levels nearly as well, by kind.
    hole : float
        The holes' diameter, in rows' distances.
    """

    kind: str
    ways: dict[str, Way]
    hole: float

    @property
    def way(self) -> Way:
        """What explains the levels best."""
        return self.ways[self.kind]

    @property
    def even(self) -> bool:
        """Whether readings follow one another evenly: a machine that waits now and then explains
        anything."""
        start = self.way.start
        return len(start) > 1 and bool(np.ptp(np.diff(start)) <= EVEN)

    @property
    def beside(self) -> bool:
        """Whether the detector stood beside its rows."""
        return self.kind in BESIDE

    def less(self, kind: str) -> float:
        """The log likelihood of a kind, less that of the best one."""
        return self.ways[kind].value - max(way.value for way in self.ways.values())

    @property
    def _edge(self) -> float:
        """How far from a row the detector sees its holes."""
        return (self.hole + self.way.spot) / 2

    def explains(self, bits: NDArray[np.int8], grid: NDArray[np.int8], known: int = 0) -> bool:
        """Whether most wrong bits are holes missed where they look shallow, or another row's, and
        so many are known: rows that are put outside the log have no errors either."""
        off = np.abs(self.way.beside(grid))
        shown, beyond = (overlap(x / self.hole, self.way.spot / self.hole) for x in (off, 1 - off))
        faint, other = shown < FAINT, beyond > 1 - FAINT
        missed, added = (bits == 0) & (grid == 1), (bits == 1) & (grid == 0)
        meant = (missed & faint).sum() + (added & other).sum()
        told = bool((bits >= 0).sum() >= known)
        return told and bool(meant > (missed.sum() + added.sum()) / 2)

    def under(self, grid: NDArray[np.int8]) -> NDArray[np.int8]:
        """The bits under the detector in each reading; none between two rows."""
        where = np.arange(len(grid))[:, None] + self.way.beside(grid)
        near = np.clip(np.rint(where), 0, len(grid) - 1).astype(np.int64)
        bits = np.take_along_axis(grid, near, axis=0)
        return np.where(np.abs(where - near) < self._edge, bits, 0).astype(np.int8)


def row_offsets(
    depth: Reals,
    web: Reals,
    design: Design,
    alignment: Alignment,
    passed: Reals,
    window: float,
    stays: list[Dwell],
) -> RowOffsets | None:
    """The likeliest places of the detector; None if not even the first row shows.

    Parameters
    ----------
    depth : ndarray, shape (slots,)
        By how much each level differs from that of the material beside it, towards the holes'.
    web : ndarray, shape (slots,)
        That material's level. If it moves, light does, and the holes' depth tells nothing.
    design : Design
    alignment : Alignment
        By the bits alone.
    passed : ndarray
        When slots passed, in s, from a turn before the first one on.
    window : float
        Positions that a level is averaged over.
    stays : list of Dwell
        The rows that were seen, at its phase.
    """
    full = np.ones(design.rows) if design.widths is None else np.minimum(design.widths / window, 1)
    best: dict[str, Way] = {}
    starts = [(alignment.start, alignment.phase)]
    for begin in _beginnings(depth, design.grid[0] == 1, alignment.phase):
        phase = -begin % design.positions
        player = Player(design.index, design, phase, passed, design.move_s)
        seen = stays if phase == alignment.phase else []
        for part in ([], seen)[: 1 + bool(seen)]:
            starts.append((_starts(begin, player, part), phase))
    tried = set()
    for slots, phase in starts:
        if (key := tuple(slots.tolist())) in tried:
            continue
        tried.add(key)
        for kind, one in ways_beside(depth, web, design, slots, phase, alignment, passed, full):
            if kind not in best or one.value > best[kind].value:
                best[kind] = one
    if not best:
        return None
    # a little depth more or less is no sign of another place
    kind = max(best, key=lambda k: best[k].value)
    if best[kind].value < best["rows"].value + SURE:
        kind = "rows"
    ways = sorted(best, key=lambda k: (k != kind, -best[k].value))
    near = best[kind].value - OPEN
    return RowOffsets(kind, {k: best[k] for k in ways if best[k].value > near}, design.hole)


def _starts(begin: int, player: Player, stays: list[Dwell]) -> Index:
    """When rows begin: one after the other as the player is set to, or, if it waited in between,
    just before the stage was seen to leave them."""
    n, start = player.design.positions, [begin]
    left = {stay.row: stay.ends for stay in stays}
    for row in range(player.design.rows):
        if row:
            start.append(player.following(start[-1]))
        low, high = left.get(row, (0, 0))
        wait = player.waits(low - n - start[-1], high - n - start[-1])[:1]
        start[-1] += max(0, *wait, 0)
    return np.array(start)


def _beginnings(depth: Reals, first: NDArray[np.bool_], phase: int) -> list[int]:
    """Slots in which the first row may begin: where it fits best, or best at a phase that is known
    already, and whole turns from there."""
    n = len(first)
    if len(depth) < n:
        return []
    # correlation with each stretch of the log, whatever its levels
    parts = np.lib.stride_tricks.sliding_window_view(depth, n)
    fit = parts @ (first - first.mean()) / np.maximum(parts.std(axis=1), 1e-9)
    out: set[int] = set()
    for k in {int(np.argmax(fit)) % n, -phase % n}:
        best = fit[k::n].max(initial=0.0)
        out |= {i for i in range(k, len(fit), n) if fit[i] > 0.8 * best > 0}
    return sorted(out)
