"""How far from its row the data detector was in each reading, by how deep its holes look.

Each hypothesis says where the stage stops: at its rows; off by more with each row, if its step is
wrong; off by the same from the second row on, if its drive has play. From geometry follows how much
of each hole the detector then sees, and so how likely every level of the log is. A channel that
dies instead shows holes in full and then none at all, between rows neither.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.stage_move import FAULTY, OPEN
from sonify.recover.diagnosis.stage_path import Player
from sonify.recover.diagnosis.under_detector import Dwell

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

BY_CHANCE = 4.0
"""Standard deviations that lie between the highest and the lowest median of twenty rows; one
scatters by 1.25 times what their mean does."""

PLAIN, MOSTLY = 0.05, 0.9
"""How near to 0 or 1 the levels of a comparator are, and how many: it changes within some windows.
"""

LOWEST, HIGHEST = -0.5, 1.5
"""Depths between which such levels lie, as shares of the usual one."""

SWINGS, WAYS = (0.1, 0.2, 0.3, 0.4), 8
"""Rows by which a disc that is off centre may move them towards the detector and away once a turn,
and directions of that."""

FREE = math.log(20)
"""Price of a change to another row: one in so many steps goes astray."""

SURE = 12.0
"""The log likelihood that the first row must gain over coins: as it may begin in any of thousands
of slots, 9 may be chance."""

FAINT = 0.75
"""Of the usual depth: a threshold in the middle misses holes below one half."""

MOST_SLOTS = 20000
"""Slots that are compared: of a longer log, every second one or fewer."""


class Way(NamedTuple):
    """A hypothesis with its log likelihood.

    Attributes
    ----------
    value : float
    start : ndarray of int64, shape (rows,)
        The slot in which each reading began.
    phase : int
        Slot k is position (k + phase) % positions.
    step, play : float
        By how much each step is too long, and the first one besides, in rows.
    swing : complex
        By how much a disc that is off centre moves each row, times the phase of the turn, in rows.
    spot : float
        Diameter of the detector's spot, in rows' distances.
    """

    value: float
    start: Index
    phase: int
    step: float = 0.0
    play: float = 0.0
    swing: complex = 0.0
    spot: float = 0.0

    def beside(self, grid: NDArray[np.int8]) -> Reals:
        """Where the detector was beside each place, in rows."""
        rows, n = grid.shape
        every = np.arange(rows)
        off: Reals = (self.step * every + self.play * (every > 0))[:, None] + _swung(
            self.swing, np.arange(n) / n
        )
        return off


@dataclass(frozen=True, eq=False)
class RowOffsets:
    """Where the detector was.

    Attributes
    ----------
    kind : str
        "pitch": off by more with each row. "play": off by the same from the second row on. "dead":
        at its rows, but the channel died. "moved": at its rows, but it moved at other times than
        set, perhaps while they were read. "rows": at its rows, or at other ones.
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
    def beside(self) -> bool:
        """Whether the detector stood beside its rows."""
        return self.kind in ("pitch", "play")

    @property
    def _edge(self) -> float:
        """How far from a row the detector sees its holes."""
        return (self.hole + self.way.spot) / 2

    def explains(self, bits: NDArray[np.int8], grid: NDArray[np.int8]) -> bool:
        """Whether most wrong bits are holes missed where they look shallow, or another row's."""
        off = np.abs(self.way.beside(grid))
        faint, other = self._edge - off < FAINT * self.way.spot, 1 - off < self._edge
        missed, added = (bits == 0) & (grid == 1), (bits == 1) & (grid == 0)
        meant = (missed & faint).sum() + (added & other).sum()
        return bool(meant > (missed.sum() + added.sum()) / 2)

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
        for kind, one in _tries(depth, web, design, slots, phase, alignment, passed, full):
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


def _swung(swing: complex, turn: Reals) -> Reals:
    """How far a disc that is off centre moves its rows, at each part of a turn."""
    out: Reals = (swing * np.exp(2j * np.pi * turn)).real
    return out


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


def _tries(
    depth: Reals,
    web: Reals,
    design: Design,
    start: Index,
    phase: int,
    alignment: Alignment,
    passed: Reals,
    full: Reals,
) -> Iterator[tuple[str, Way]]:
    """Each hypothesis at its best, if the readings begin so."""
    rows, n = design.grid.shape
    slot = np.arange(0, len(depth), 1 + len(depth) // MOST_SLOTS)
    due = np.searchsorted(start + n, slot, "right")
    after, due = due == rows, np.minimum(due, rows - 1)
    # the stage stays at a row until that is read, then it moves
    move = design.move_s / float(np.median(np.diff(passed)))
    at = np.where((due > 0) & (slot < (start + n)[due - 1] + move) & ~after, -1, due)
    # or it moves at any time between the middles of two readings
    part = np.searchsorted(start + n - n // 2, slot, "right")
    since, between = slot - (start + n)[part - 1], (part > 0) & (part < rows)
    holes = np.vstack([design.grid == 1, np.zeros((1, n), bool)])
    shows = holes * np.append(full / full[0], 0.0)[:, None]
    place = (slot + phase) % n
    first = depth[slot[(at == 0) & holes[0, place]]]
    usual = float(np.median(first)) if len(first) else 0.0
    solid = [np.median(web[slot[at == r]]) for r in range(rows) if (at == r).any()]
    chance = BY_CHANCE * 1.25 * _scatter(web[slot]) / math.sqrt(n)
    if usual <= 0 or np.ptp(solid) - chance > MOVED * usual:
        return
    level = depth[slot] / usual
    digital = _is_digital(depth)
    low = level[np.abs(level) < 0.3]
    noise = max(NOISE, 1.4826 * float(np.median(np.abs(low - np.median(low)))))

    def density(due: Reals, stray: float = STRAY) -> Reals:
        """Of each level, where some depth is due; a comparator shows part of a hole or not."""
        if digital:
            due = np.minimum(due, 1.0)
            return stray / 2 + (1 - stray) * np.where(level > 0.5, due, 1 - due)
        wide = np.hypot(noise, UNLIKE * due)
        bell = np.exp(-0.5 * ((level - due) / wide) ** 2) / (wide * math.sqrt(2 * math.pi))
        return stray / (HIGHEST - LOWEST) + (1 - stray) * bell

    bare, dead = (np.log(density(np.zeros(len(level)), stray)) for stray in (STRAY, DEAD))
    anything = 0.5 if digital else 1 / (HIGHEST - LOWEST)
    moving = np.log((1 - CROSSED) * np.exp(bare) + CROSSED * anything)

    def likely(off: Reals, spot: float, swing: complex = 0.0, at: Index = at) -> Reals:
        """Of each slot, if the detector was so far beside each row."""
        flat, edge = ((1 + s * spot) / 2 * design.hole for s in (-1, 1))
        where = at + off[at] + _swung(swing, place / n)
        below = np.floor(where).astype(np.int64)
        shown = np.zeros(len(level))
        for row in (below, below + 1):
            share = np.clip((edge - np.abs(where - row)) / (edge - flat), 0, 1)
            shown += share * shows[np.where((row >= 0) & (row < rows), row, rows), place]
        return np.where(at < 0, moving, np.log(density(shown)))

    every, in_line = np.arange(rows), np.zeros(rows)
    sound = likely(in_line, SPOTS[0])
    coin = np.log((np.exp(bare) + density(np.ones(len(level)))) / 2)
    if (sound - coin)[at == 0].sum() < SURE:
        return
    # after the last reading the stage stays, or moves on: to solid material, or anywhere
    gone = np.maximum(*(_suffixes(x[after]) for x in (coin, bare)))

    def whole(each: Reals) -> float:
        """Of all slots."""
        return float(each[~after].sum() + (_prefixes(each[after]) + gone).max())

    def swung(off: Reals, *spots: float) -> tuple[float, complex]:
        """How a disc that is off centre moves the rows, likeliest, and the spot."""
        return max(product(spots, swings), key=lambda one: whole(likely(off, *one)))

    swings = [cmath.rect(r, 2 * math.pi * k / WAYS) for r in SWINGS for k in range(WAYS)]
    met = (alignment.seen_row - every).astype(float)
    for spot, swing in ((SPOTS[0], 0.0), swung(in_line, *SPOTS)):
        price = math.log(len(SPOTS) * len(swings)) * (swing != 0)
        sound = likely(in_line, spot, swing)
        died = _prefixes(sound[~after]) + _suffixes(dead[~after])
        value = _mean(died) + float(dead[after].sum()) - price
        yield "dead", Way(value, start, phase, swing=swing)
        for off in (met, in_line):
            lost = FREE * float(np.count_nonzero(np.diff(off, prepend=0.0))) + price
            value = whole(likely(off, spot, swing)) - lost
            yield "rows", Way(value, start, phase, swing=swing)
            if rows > 1:
                old, new = (
                    likely(off, spot, swing, np.clip(r, 0, rows - 1)) for r in (part - 1, part)
                )
                # later by a turn, it leaves in time after another reading
                gain = _moved(old - new, moving - new, since, between, n + n // 2)
                yield "moved", Way(whole(new) + gain - FAULTY - lost, start, phase, swing=swing)
    if rows < 2:
        return
    steps = np.geomspace(LEAST_STEP / (rows - 1), MOST_STEP, STEPS)
    for kind, by, off in (
        ("pitch", np.concatenate([-steps, steps]), every),
        ("play", PLAY, (every > 0).astype(float)),
    ):
        values = np.array([[whole(likely(x * off, spot)) for x in by] for spot in SPOTS])
        at_spot, way = np.unravel_index(int(np.argmax(values)), values.shape)
        value, spot = _mean(values), SPOTS[at_spot]
        swing = swung(by[way] * off, spot)[1]
        values = np.array([whole(likely(x * off, spot, swing)) for x in by])
        other = _mean(values) - math.log(len(SPOTS) * len(swings))
        if other > value:
            value, way = other, np.argmax(values)
        else:
            swing = 0.0
        step, play = (float(by[way]) * (kind == k) for k in ("pitch", "play"))
        yield kind, Way(value, start, phase, step, play, swing, spot * design.hole)


def _is_digital(depth: Reals) -> bool:
    """Whether a comparator made these levels."""
    some = depth > np.percentile(depth, 98) / 2
    level = (
        np.minimum(depth / max(float(np.median(depth[some])), 1e-9), 1.0) if some.any() else depth
    )
    return bool(np.mean(np.abs(level - np.rint(level)) < PLAIN) > MOSTLY)


def _scatter(x: Reals) -> float:
    """Standard deviation of a level from one slot to the next."""
    return 1.4826 * float(np.median(np.abs(np.diff(x)))) / math.sqrt(2)


def _prefixes(x: Reals) -> Reals:
    """Sums of the first 0, 1, ... of some values."""
    return np.append(0.0, np.cumsum(x))


def _suffixes(x: Reals) -> Reals:
    """Sums of all, all but one, ... of some values from their end on."""
    return _prefixes(x[::-1])[::-1]


def _moved(
    old: Reals, moving: Reals, since: Index, between: NDArray[np.bool_], latest: int
) -> float:
    """The log likelihood gained over a stage that is at the next row all the time, if it leaves
    rows at any moment and arrives at any later one, the same for all rows.

    Parameters
    ----------
    old, moving : ndarray, shape (slots,)
        By how much likelier a slot is if the row before shows, or the stage moves.
    since : ndarray of int64, shape (slots,)
        Slots since the reading before.
    between : ndarray of bool, shape (slots,)
        The slots that count.
    latest : int
        The most slots after a reading when it leaves.
    """
    first = int(since[between].min())
    stays, goes = (
        _prefixes(np.bincount(since[between] - first, x[between]).astype(np.float64))
        for x in (old, moving)
    )
    # leaving at i and arriving at j, for each j the mean over all i up to it
    stays[latest + 1 - first :] = -np.inf
    leaving = np.logaddexp.accumulate(stays - goes) - np.log(np.arange(1, len(stays) + 1))
    return _mean(leaving + goes)


def _mean(logs: Reals) -> float:
    """Log likelihood of a hypothesis, from that at each of its equally likely parameters."""
    return float(np.logaddexp.reduce(logs, axis=None)) - math.log(logs.size)
