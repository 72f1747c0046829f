"""How far from its row the data detector was in each reading, by how deep its holes look.

Each hypothesis says where the stage stops: at its rows; off by more with each row, if its step is
wrong; off by the same from the second row on, if its drive has play. From geometry follows how much
of each hole the detector then sees, and so how likely every level of the log is. A channel that
dies instead shows holes in full and then none at all, between rows neither.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design, signs_of
from sonify.recover.diagnosis.stage_move import OPEN
from sonify.recover.diagnosis.stage_path import Player

__all__ = ["RowOffsets", "row_offsets"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SPOTS = (0.1, 0.3, 0.6, 1.0)
"""Of the holes' diameter: diameters of the detector's spot that are tried."""

PLAY = np.arange(-0.9, 0.91, 0.05)
"""Rows by which the detector may be off from the second row on: a whole one is a missed step."""

LEAST_STEP, MOST_STEP, STEPS = 0.1, 0.7, 40
"""Of the rows' distance: by how much the last row must be off, at least, and each step, at most;
and how many steps are tried either way."""

NOISE, UNLIKE = 0.06, 0.15
"""Least standard deviation of a level, as a share of the usual depth, and that of a hole's depth,
as a share of its own (measured on this project's simulated players: a tenth)."""

STRAY, DEAD = 0.005, 5e-4
"""How often a level has nothing to do with the row, and how often a dead channel shows a hole."""

CROSSED = 0.1
"""How often a hole passes while the stage moves, which is fastest halfway between two rows: half of
the way shows a row, and half of its positions have a hole."""

MOVED = 0.5
"""Of the usual depth, by which the material's level may move from row to row: a recorder that
passes no constant level moves it by the share of holes, which is less."""

LOWEST, HIGHEST = -0.5, 1.5
"""Depths between which such levels lie, as shares of the usual one."""

FREE = math.log(20)
"""Price of a change to another row: one in so many steps goes astray."""

SURE = 12.0
"""The log likelihood that the first row must gain over coins: as it may begin in any of thousands
of slots, 9 may be chance."""

FAINT = 0.75
"""Of the usual depth: a threshold in the middle misses holes below one half."""

MOST_SLOTS = 20000
"""Slots that are compared: of a longer log, every second one or fewer."""


@dataclass(frozen=True, eq=False)
class RowOffsets:
    """Where the detector was.

    Attributes
    ----------
    kind : str
        "pitch": off by more with each row. "play": off by the same from the second row on. "dead":
        at its rows, but the channel died. "rows": at its rows, or at other ones.
    others : tuple of str
        What else explains the levels nearly as well.
    start : ndarray of int64, shape (rows,)
        The slot in which each reading began.
    phase : int
        Slot k is position (k + phase) % positions.
    step, play : float
        By how much each step is too long, and the first one besides, in rows.
    spot : float
        Diameter of the detector's spot, in rows' distances.
    edge : float
        How far from a row the detector sees its holes, in rows' distances.
    """

    kind: str
    others: tuple[str, ...]
    start: Index
    phase: int
    step: float
    play: float
    spot: float
    edge: float

    @property
    def beside(self) -> bool:
        """Whether the detector stood beside its rows."""
        return self.kind in ("pitch", "play")

    def explains(self, bits: NDArray[np.int8], grid: NDArray[np.int8]) -> bool:
        """Whether most wrong bits are holes missed where they look shallow, or another row's."""
        every = np.arange(len(grid))
        off = np.abs(self.step * every + self.play * (every > 0))
        faint, other = self.edge - off < FAINT * self.spot, 1 - off < self.edge
        missed, added = (bits == 0) & (grid == 1), (bits == 1) & (grid == 0)
        meant = missed[faint].sum() + added[other].sum()
        return bool(meant > (missed.sum() + added.sum()) / 2)

    def under(self, grid: NDArray[np.int8]) -> NDArray[np.int8]:
        """The bits of the row under the detector in each reading; none between two rows."""
        every = np.arange(len(grid))
        where = every + self.step * every + self.play * (every > 0)
        near = np.clip(np.rint(where), 0, len(grid) - 1).astype(np.int64)
        met = np.abs(where - near) < self.edge
        return np.where(met[:, None], grid[near], 0).astype(np.int8)


class _Try(NamedTuple):
    """A hypothesis with its log likelihood."""

    value: float
    start: Index
    phase: int
    step: float = 0.0
    play: float = 0.0
    spot: float = 0.0


def row_offsets(
    depth: Reals, web: Reals, design: Design, alignment: Alignment, passed: Reals, window: float
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
    """
    full = np.ones(design.rows) if design.widths is None else np.minimum(design.widths / window, 1)
    best: dict[str, _Try] = {}
    starts = [(alignment.start, alignment.phase)]
    for begin in _beginnings(depth, signs_of(design.grid[0]).astype(float)):
        phase = -begin % design.positions
        player = Player(design.index, design, phase, passed, design.move_s)
        start = [begin]
        for _ in range(design.rows - 1):
            start.append(player.following(start[-1]))
        starts.append((np.array(start), phase))
    for slots, phase in starts:
        for kind, one in _tries(depth, web, design, slots, phase, alignment, passed, full):
            if kind not in best or one.value > best[kind].value:
                best[kind] = one
    if not best:
        return None
    # a little depth more or less is no sign of another place
    kind = max(best, key=lambda k: best[k].value)
    if best[kind].value < best["rows"].value + SURE:
        kind = "rows"
    top = best[kind]
    others = sorted((k for k in best if k != kind), key=lambda k: -best[k].value)
    others = [k for k in others if best[k].value > top.value - OPEN]
    return RowOffsets(kind, tuple(others), *top[1:], edge=(design.hole + top.spot) / 2)


def _beginnings(depth: Reals, first: Reals) -> list[int]:
    """Slots in which the first row may begin: where it fits best, and whole turns from there."""
    n = len(first)
    seen = np.clip(2 * depth / max(float(np.percentile(depth, 98)), 1e-9) - 1, -1, 1)
    if len(seen) < n:
        return []
    fit = np.correlate(seen, first, "valid")
    best = int(np.argmax(fit))
    return [k for k in range(best % n, len(fit), n) if fit[k] > 0.8 * fit[best]]


def _tries(
    depth: Reals,
    web: Reals,
    design: Design,
    start: Index,
    phase: int,
    alignment: Alignment,
    passed: Reals,
    full: Reals,
) -> Iterator[tuple[str, _Try]]:
    """Each hypothesis at its best, if the readings begin so."""
    rows, n = design.grid.shape
    end = max(0, min(len(depth), int(start[-1]) + n))
    slot = np.arange(0, end, 1 + end // MOST_SLOTS)
    # the stage stays at a row until that is read, then it moves
    at = np.searchsorted(start + n, slot, "right")
    moves = slot < (start + n)[at - 1] + design.move_s / float(np.median(np.diff(passed)))
    at = np.where((at > 0) & moves, -1, at)
    holes = np.vstack([design.grid == 1, np.zeros((1, n), bool)])
    shows = holes * np.append(full / full[0], 0.0)[:, None]
    place = (slot + phase) % n
    first = depth[slot[(at == 0) & holes[0, place]]]
    usual = float(np.median(first)) if len(first) else 0.0
    solid = [np.median(web[slot[at == r]]) for r in range(rows) if (at == r).any()]
    if usual <= 0 or np.ptp(solid) > MOVED * usual:
        return
    level = depth[slot] / usual
    low = level[np.abs(level) < 0.3]
    noise = max(NOISE, 1.4826 * float(np.median(np.abs(low - np.median(low)))))

    def density(due: Reals, stray: float = STRAY) -> Reals:
        """Of each level, where some depth is due."""
        wide = np.hypot(noise, UNLIKE * due)
        bell = np.exp(-0.5 * ((level - due) / wide) ** 2) / (wide * math.sqrt(2 * math.pi))
        return stray / (HIGHEST - LOWEST) + (1 - stray) * bell

    bare, dead = (np.log(density(np.zeros(1), stray)) for stray in (STRAY, DEAD))
    moving = np.log((1 - CROSSED) * np.exp(bare) + CROSSED / (HIGHEST - LOWEST))

    def likely(off: Reals, spot: float) -> Reals:
        """Of each slot, if the detector was so far beside each row."""
        flat, edge = ((1 + s * spot) / 2 * design.hole for s in (-1, 1))
        where = at + off[at]
        below = np.floor(where).astype(np.int64)
        due = np.zeros(len(level))
        for row in (below, below + 1):
            share = np.clip((edge - np.abs(where - row)) / (edge - flat), 0, 1)
            due += share * shows[np.where((row >= 0) & (row < rows), row, rows), place]
        return np.where(at < 0, moving, np.log(density(due)))

    every = np.arange(rows)
    sound = likely(np.zeros(rows), SPOTS[0])
    coin = np.log((np.exp(bare) + density(np.ones(1))) / 2)
    if (sound - coin)[at == 0].sum() < SURE:
        return
    died = np.append(0.0, np.cumsum(sound)) + np.append(np.cumsum(dead[::-1])[::-1], 0.0)
    yield "dead", _Try(_mean(died), start, phase)
    met = (alignment.seen_row - every).astype(float)
    for off in (met, 0 * met):
        price = FREE * float(np.count_nonzero(np.diff(off, prepend=0.0)))
        yield "rows", _Try(float(likely(off, SPOTS[0]).sum()) - price, start, phase)
    if rows < 2:
        return
    ways = np.geomspace(LEAST_STEP / (rows - 1), MOST_STEP, STEPS)
    for kind, by, off in (
        ("pitch", np.concatenate([-ways, ways]), every),
        ("play", PLAY, (every > 0).astype(float)),
    ):
        value = np.array([[likely(x * off, spot).sum() for x in by] for spot in SPOTS])
        spot, way = np.unravel_index(int(np.argmax(value)), value.shape)
        step, play = (float(by[way]) * (kind == k) for k in ("pitch", "play"))
        yield kind, _Try(_mean(value), start, phase, step, play, SPOTS[spot] * design.hole)


def _mean(logs: Reals) -> float:
    """Log likelihood of a hypothesis, from that at each of its equally likely parameters."""
    return float(np.logaddexp.reduce(logs, axis=None)) - math.log(logs.size)
