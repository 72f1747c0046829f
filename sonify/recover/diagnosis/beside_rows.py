"""Where the data detector may have stood in each reading, and how likely that makes a log's levels.

From geometry follows how much of each hole a detector beside its row sees. The stage may stop at
its rows; off by more with each row, if its step is wrong; off by the same from some row on, if its
drive has play or lost steps there; or off by another length at each row, where the play lets it.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.stage_move import (
    FAULTY,
    crossing,
    gain_of_moves,
    mean_log,
    prefixes,
)

__all__ = ["BESIDE", "SURE", "Way", "overlap", "ways_beside"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

PROFILE = 32
"""Distances at which a hole's depth is worked out; between them it is nearly straight."""

SPOTS = (0.1, 0.3, 0.6, 1.0, 1.5)
"""Of the holes' diameter: diameters of the detector's spot that are tried."""

BESIDE = ("pitch", "play", "step", "loose")
"""Kinds of ways in which the detector stands beside its rows."""

FINE = 0.05
"""Rows between two places that are tried."""

AROUND = np.array([-1, 0, 0, 1])
"""Such places in which a sound stage stops: mostly at its row, else within a twentieth of the rows'
distance (common practice, no source)."""

PLAY = 0.9
"""Rows by which play and lost steps may move the detector: by a whole one, it is at another row."""

HOMED = np.arange(-4, 5)
"""Such places in which the stage may meet the first row, if its step is wrong; one is their
standard deviation, as for a sound stage."""

LEEWAY = (0.2, 0.35, 0.5)
"""Rows within which a loose stage may stop on either side: farther off, it is nearer to another
row."""

FARTHEST = 3
"""Rows by which a wrong step may move it; rows that are farther off tell nothing."""

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
passes no constant level moves it by the share of the time that holes pass, which differs from row
to row by less (a hole at a quarter of the positions or at three quarters, each for half of one)."""

ELSEWHERE = math.log(6)
"""Price of a step that is measured from the middle row or from the last one: most players find
their end stop at the first row (own estimate)."""

BY_CHANCE = 4.0
"""Standard deviations that lie between the highest and the lowest median of twenty rows; one
scatters by 1.25 times what their mean does."""

PLAIN, MOSTLY = 0.05, 0.9
"""How near to 0 or 1 the levels of a comparator are, and how many: it changes within some windows.
"""

HALF = 0.5
"""Of the depth of the middle row or the last one: if the first row shows less, the stage is at that
one."""

MIDDLE, COMPARES, LOGIT = 0.5, 0.13, 1.7
"""Of the usual depth: where a comparator decides, and the standard deviation of that by holes that
are not alike and a threshold beside the middle (a tenth of the swing, own estimate); and the factor
by which a logistic curve comes nearest to a normal distribution (to 0.01)."""

LOWEST, HIGHEST = -0.5, 1.5
"""Depths between which such levels lie, as shares of the usual one."""

SWINGS, WAYS = (0.1, 0.2, 0.3, 0.4), 8
"""Rows by which a disc that is off centre may move them towards the detector and away once a turn,
and directions of that."""

FAINT = (0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7)
"""Of the usual depth: that of holes while light, or a fault in the channel, hides them."""

FREE = math.log(20)
"""Price of a change to another row: one in so many steps goes astray."""

SURE = 12.0
"""The log likelihood that the first row must gain over coins: as it may begin in any of thousands
of slots, 9 may be chance."""

FEWEST = 3
"""Holes of a row from which their depth can be told."""

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
    off : ndarray, shape (rows,)
        Where the stage stops beside each row, in rows.
    swing : complex
        By how much a disc that is off centre moves each row, times the phase of the turn, in rows.
    spot : float
        Diameter of the detector's spot, in rows' distances.
    """

    value: float
    start: Index
    phase: int
    off: Reals
    swing: complex = 0.0
    spot: float = 0.0

    def beside(self, grid: NDArray[np.int8]) -> Reals:
        """Where the detector was beside each place, in rows."""
        n = grid.shape[1]
        out: Reals = self.off[:, None] + _swung(self.swing, np.arange(n) / n)
        return out


def ways_beside(
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
    before, after, due = slot < start[0], due == rows, np.minimum(due, rows - 1)
    # the stage stays at a row until that is read, then it moves
    step = float(np.median(np.diff(passed)))
    if step <= 0:
        return
    move = design.move_s / step
    at = np.where((due > 0) & (slot < (start + n)[due - 1] + move) & ~after, -1, due)
    # or it moves at any time between the middles of two readings
    part = np.searchsorted(start + n - n // 2, slot, "right")
    since, between = slot - (start + n)[part - 1], (part > 0) & (part < rows)
    holes = np.vstack([design.grid == 1, np.zeros((1, n), bool)])
    shows = holes * np.append(full / full[0], 0.0)[:, None]
    place = (slot + phase) % n
    homes = [0, rows // 2, rows - 1]
    each = [depth[slot[(at == r) & ~before & holes[r, place]]] for r in homes]
    first, *others = (float(np.median(x)) if len(x) >= FEWEST else 0.0 for x in each)
    usual = first if first > HALF * max(others) else max(others)
    solid = [np.median(web[slot[at == r]]) for r in range(rows) if (at == r).any()]
    chance = BY_CHANCE * 1.25 * _scatter(web[slot]) / math.sqrt(n)
    if usual <= 0 or np.ptp(solid) - chance > MOVED * usual:
        return
    level = depth[slot] / usual
    digital = _is_digital(depth)
    low = level[np.abs(level) < 0.3]
    # a web is averaged over as long as a hole, so a depth scatters by the noise of two of them
    noise = max(NOISE, math.sqrt(2) * _scatter(web[slot]) / usual)
    if len(low):
        noise = max(noise, 1.4826 * float(np.median(np.abs(low - np.median(low)))))

    def density(due: Reals, stray: float = STRAY) -> Reals:
        """Of each level, where some depth is due; a comparator shows a part of a hole or not."""
        if digital:
            due = 1 / (1 + np.exp(LOGIT * (MIDDLE - due) / COMPARES))
            return stray / 2 + (1 - stray) * np.where(level > 0.5, due, 1 - due)
        wide = np.hypot(noise, UNLIKE * due)
        bell = np.exp(-0.5 * ((level - due) / wide) ** 2) / (wide * math.sqrt(2 * math.pi))
        return stray / (HIGHEST - LOWEST) + (1 - stray) * bell

    bare, dead = (np.log(density(np.zeros(len(level)), stray)) for stray in (STRAY, DEAD))
    anything = 0.5 if digital else 1 / (HIGHEST - LOWEST)
    moving = np.log((1 - CROSSED) * np.exp(bare) + CROSSED * anything)

    def likely(
        off: Reals, spot: float, swing: complex = 0.0, at: Index = at, deep: float | Reals = 1.0
    ) -> Reals:
        """Of each slot, if the detector was so far beside each row, and whole holes so deep."""
        where = at + off[at] + _swung(swing, place / n)
        below = np.floor(where).astype(np.int64)
        shown = np.zeros(len(level))
        for row in (below, below + 1):
            share = overlap(np.abs(where - row) / design.hole, spot)
            shown += share * shows[np.where((row >= 0) & (row < rows), row, rows), place]
        return np.where(at < 0, moving, np.log(density(deep * shown)))

    every, in_line = np.arange(rows), np.zeros(rows)
    # a stage that moves between two readings harms nothing, whenever it does; rows tell when that
    # show, however deep
    row = np.clip(np.searchsorted(start, slot, "right") - 1, 0, rows - 1)
    reads = (slot >= start[row]) & (slot < start[row] + n)
    as_deep = np.array([*FAINT, 1.0])
    fit = [likely(in_line, SPOTS[0], at=row, deep=d)[reads] for d in as_deep]
    deepest = as_deep[np.argmax([np.bincount(row[reads], x, rows) for x in fit], axis=0)]
    one, other = (np.clip(r, 0, rows - 1) for r in (part - 1, part))
    free = between & (since >= 0) & (slot < start[other])
    told = free & (deepest[one] > 0) & (deepest[other] > 0)
    if told.any():
        old, new = (likely(in_line, SPOTS[0], at=r, deep=deepest[r]) for r in (one, other))
        leaves, arrives = crossing(old - new, moving - new, since, told)
        at[free] = np.where(since < leaves, one, np.where(since < arrives, -1, other))[free]
    sound = likely(in_line, SPOTS[0])
    coin = np.log((np.exp(bare) + density(np.ones(len(level)))) / 2)
    # before the first reading and after the last one the stage is there, or elsewhere: at solid
    # material, or anywhere
    away = np.maximum(*(prefixes(x[before]) for x in (coin, bare)))
    gone = np.maximum(*(_suffixes(x[after]) for x in (coin, bare)))
    within = ~before & ~after
    read, rests = (at >= 0) & within, float(moving[at < 0].sum())

    def begin(each: Reals) -> float:
        """Of the slots before the first reading."""
        return float((away + _suffixes(each[before])).max())

    def end(each: Reals) -> float:
        """Of those after the last one."""
        return float((prefixes(each[after]) + gone).max())

    def by_row(each: Reals) -> Reals:
        """Of the slots of each row, the first one's with those before it, and so on."""
        out = np.bincount(at[read], each[read], rows).astype(np.float64)
        out[0] += begin(each)
        out[-1] += end(each)
        return out

    if (by_row(sound) - by_row(coin))[homes].max() < SURE:
        return

    def whole(off: Reals, spot: float, swing: complex = 0.0, deep: float = 1.0) -> float:
        """Of all slots, if the stage stops near its places."""
        near = [by_row(likely(off + FINE * k, spot, swing, at, deep)) for k in AROUND.tolist()]
        return float(_means(np.array(near)).sum()) + rests

    def swung(off: Reals, *spots: float) -> tuple[float, complex]:
        """How a disc that is off centre moves the rows, likeliest, and the spot."""
        return max(product(spots, swings), key=lambda one: by_row(likely(off, *one)).sum())

    swings = [cmath.rect(r, 2 * math.pi * k / WAYS) for r in SWINGS for k in range(WAYS)]
    met = (alignment.seen_row - every).astype(float)
    for spot, swing in ((SPOTS[0], 0.0), swung(in_line, *SPOTS)):
        price = math.log(len(SPOTS) * len(swings)) * (swing != 0)
        sound = likely(in_line, spot, swing)
        died = prefixes(sound[within]) + _suffixes(dead[within])
        value = begin(sound) + mean_log(died) + float(dead[after].sum()) - price
        yield "dead", Way(value, start, phase, in_line, swing)
        sounds = by_row(sound)
        all_along = float(sounds.sum()) + rests - price - FREE
        # a stretch of time from any slot to any later one
        faint = [
            prefixes((likely(in_line, spot, swing, at, deep) - sound)[within]) for deep in FAINT
        ]
        gained = [np.logaddexp.accumulate(-x) + x - math.log(len(x) / 2) for x in faint]
        yield "stretch", Way(all_along + mean_log(np.array(gained)), start, phase, in_line, swing)
        unlike = mean_log(_suffixes(by_row(coin) - sounds)[:-1])
        yield "other", Way(all_along + unlike, start, phase, in_line, swing)
        for off in (met, in_line):
            lost = FREE * float(np.count_nonzero(np.diff(off, prepend=0.0))) + price
            value = whole(off, spot, swing) - lost
            yield "rows", Way(value, start, phase, in_line, swing)
            if rows > 1:
                old, new = (
                    likely(off, spot, swing, np.clip(r, 0, rows - 1)) for r in (part - 1, part)
                )
                # later by a turn, it leaves in time after another reading
                gain = gain_of_moves(old - new, moving - new, since, between, n + n // 2)
                value = begin(new) + float(new[within].sum()) + end(new) + gain - FAULTY - lost
                yield "moved", Way(value, start, phase, in_line, swing)
    if rows < 2:
        return

    reach, play = round(min(max(PLAY, rows - 1), FARTHEST) / FINE), round(PLAY / FINE)
    # none of the rows need be met in the middle
    ones = read[:, None] & holes[at, place][:, None] & (at[:, None] == every)
    deep = max(1.0, *(float(np.median(level[one])) for one in ones.T if one.sum() >= FEWEST))
    beside = FINE * np.arange(-reach, reach + 1)
    table = np.array(
        [[by_row(likely(in_line + x, spot, deep=deep)) for x in beside] for spot in SPOTS]
    )
    edges = np.pad(table, ((0, 0), (AROUND[-1], AROUND[-1]), (0, 0)), "edge")
    # of the slots of each row, by spot, place beside it, and row
    table = _means(
        np.array([np.roll(edges, k, axis=1)[:, AROUND[-1] : -AROUND[-1]] for k in AROUND.tolist()])
    )

    def best_of(values: Reals, offs: NDArray[Any], price: float = 0.0) -> Way:
        """Of some offsets, by spot and way, on a disc that may be off centre."""
        at_spot, way = divmod(int(np.argmax(values)), len(offs))
        value, spot, off = mean_log(values), SPOTS[at_spot], offs[way]
        swing = swung(off, spot)[1]
        other = whole(off, spot, swing, deep) - math.log(values.size * len(swings))
        if other <= value:
            swing = 0.0
        return Way(max(value, other) - price, start, phase, off, swing, spot * design.hole)

    # the first row may be met beside its middle too
    some = np.geomspace(LEAST_STEP / (rows - 1), MOST_STEP, STEPS)
    some = np.concatenate([-some, some])[:, None]
    steps = np.concatenate([some * (every - r) for r in homes])
    offs = np.concatenate([steps + FINE * k for k in HOMED.tolist()])
    places = np.rint(offs / FINE).astype(np.int64)
    values = table[:, np.clip(places, -reach, reach) + reach, every]
    values = np.where(np.abs(places) <= reach, values, by_row(coin)).sum(axis=2) + rests
    homed = (-0.5 * HOMED[:, None] ** 2 - np.repeat([0, ELSEWHERE, ELSEWHERE], len(some))).ravel()
    homed -= np.logaddexp.reduce(homed) - math.log(len(homed))
    yield "pitch", best_of(values + homed, offs)
    # off by the same from each row on, the second one first
    table, by = (x[..., reach - play : reach + play + 1] for x in (table.swapaxes(1, 2), beside))
    until = np.cumsum(table[:, :-1, [play]], axis=1)
    values = until + np.cumsum(table[:, ::-1], axis=1)[:, -2::-1] + rests
    values[..., play] = -np.inf  # at its rows
    yield "play", best_of(values[:, 0], by[:, None] * (every > 0))
    # beside one row only, and not from there on: that is neither play nor a lost step
    once = _means(table.transpose(2, 0, 1)) - table[:, :, play]
    once = np.logaddexp.reduce(once[:, :-1], axis=1) - math.log(rows - 1)
    value = mean_log(table[:, :, play].sum(axis=1) + once) + rests - FREE
    yield "rows", Way(value, start, phase, in_line)
    # the first step, from rest, goes astray as often as all others together
    rarely = np.full(rows - 1, math.log(2.0 * max(rows - 2, 1)))
    rarely[0] = math.log(2.0)
    first = int(np.argmax([mean_log(values[:, k]) - rarely[k] for k in range(rows - 1)]))
    yield "step", best_of(values[:, first], by[:, None] * (every > first), float(rarely[first]))
    ways = [(k, np.abs(by) <= most) for k in range(len(SPOTS)) for most in LEEWAY]
    likeliest = np.array([float(_means(table[k].T[near]).sum()) + rests for k, near in ways])
    k, near = ways[int(np.argmax(likeliest))]
    off = by[near][np.argmax(table[k].T[near], axis=0)]
    value = mean_log(likeliest) - FAULTY
    yield "loose", Way(value, start, phase, off, spot=SPOTS[k] * design.hole)


def overlap(apart: Reals, spot: float) -> Reals:
    """How much of a round spot a hole lets through, as a share of the most.

    Parameters
    ----------
    apart : ndarray
        The distance of their middles, in holes' diameters.
    spot : float
        The spot's diameter, likewise.

    Returns
    -------
    ndarray
        From 0 to 1: the area common to two circles.
    """
    a, b = 0.5, spot / 2
    d = np.linspace(abs(a - b), a + b, PROFILE)[1:-1]
    x, y = (np.clip((d**2 + s * (a**2 - b**2)) / (2 * d * r), -1, 1) for s, r in ((1, a), (-1, b)))
    kite = np.sqrt(np.maximum((a + b - d) * (d + a - b) * (d - a + b) * (d + a + b), 0))
    area = (a**2 * np.arccos(x) + b**2 * np.arccos(y) - kite / 2) / (math.pi * min(a, b) ** 2)
    out: Reals = np.interp(apart, [abs(a - b), *d, a + b], [1.0, *area, 0.0])
    return out


def _swung(swing: complex, turn: Reals) -> Reals:
    """How far a disc that is off centre moves its rows, at each part of a turn."""
    out: Reals = (swing * np.exp(2j * np.pi * turn)).real
    return out


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


def _suffixes(x: Reals) -> Reals:
    """Sums of all, all but one, ... of some values from their end on."""
    return prefixes(x[::-1])[::-1]


def _means(logs: Reals) -> Reals:
    """The same for each column."""
    out: Reals = np.logaddexp.reduce(logs, axis=0) - math.log(len(logs))
    return out
