"""When each row was read, by the stage's path through a log and the machine's own timing.

The stage leaves a row when its reading ends. So the moments at which it was seen to leave tell
when rows were read, and a steady difference tells of a stage that leaves early or late. Hypotheses
are followed side by side from row to row, and the likeliest is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design, signs_of
from sonify.recover.diagnosis.stage_move import LIKE_PROFILE, StageMove
from sonify.recover.diagnosis.under_detector import BLANK, Dwell
from sonify.recover.signal.next_start import next_start

__all__ = ["BLUR", "SLOWER", "Player", "StagePath", "follow_stage", "in_its_turn"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]

BLUR = 1.0
"""Standard deviation, in slots, of the moment at which a row is seen to end or begin, besides bits
that two rows have in common: a hole is passed within one, and pulses are counted whole."""

# Prices, as negative logarithms of how often things happen (guesses of a mechanic's, to a factor of
# two; the bits of one row outweigh any of them).
WAITS = math.log(20)  # a player waits before a row
FAULTY = math.log(50)  # a stage, or one step of it, is early or late
OTHER_START = math.log(5 * 33)  # one of five settings is wrong, as one of all causes
CUT = math.log(50)  # a recording begins within a reading
STOPPED = math.log(800)  # it ends within one (none of 400 logs; H. Jeffreys' rule)
SNUG = 0.25  # of a turn's positions: by chance, a recording begins or ends with the reading

SPOILT = 2 / 3
"""Of a row, at most, that a moving stage spoils: with less left, nothing was read (own choice)."""

ASTRAY = 0.02
"""How often a bit is seen wrong while the stage rests."""

UNEXPLAINED = -2.5 * ASTRAY * math.log(ASTRAY)
"""Price of a bit if that is two and a half times as often: then other turns explain no better."""

WITHIN = (0.1, 0.3, 0.5, 0.7, 0.9)
"""How long before the next position the stage may be ready, in positions."""

SLOWER = 1.33
"""Of the profile's time: a stage that moves for longer is slow, as sound ones differ by a quarter
(common practice, no source)."""

MOST_TURNS = 3
"""Turns by which a player that starts at the index may wait for its stage before each row (own
choice)."""

MOST, WIDEST = 12, 12
"""Hypotheses that are followed side by side, and slots in which a row may be seen to end."""

SHORT = 1 / 3
"""Of a turn: a shorter stay is no reading, and a few bits that look like another row's."""


@dataclass(frozen=True, eq=False)
class StagePath:
    """The readings, and how the stage moved around them.

    Attributes
    ----------
    start : ndarray of int64, shape (rows,)
        The slot in which each reading began.
    shown : ndarray of int64, shape (rows,)
        The row that was under the detector; `BLANK` for material beyond the rows.
    left : ndarray, shape (rows,)
        How many slots after the end of each reading the stage left the row; nan for the last.
    came : ndarray, shape (rows,)
        How many slots after the beginning of each reading it arrived; nan for the first.
    index : bool
        Whether each row really waited for the index mark.
    usual : float
        The most slots after a reading's end at which a sound stage is seen to leave.
    move : StageMove or None
        How it moves, by all rows together.
    """

    start: Index
    shown: Index
    left: Reals
    came: Reals
    index: bool
    usual: float
    move: StageMove | None = None

    @property
    def early(self) -> Index:
        """Rows whose last positions the stage did not wait for."""
        return np.flatnonzero(np.nan_to_num(self.left) < 0)

    @property
    def late(self) -> Index:
        """Rows whose first positions the stage came too late for."""
        left = np.append(False, np.nan_to_num(self.left[:-1]) > self.usual)
        return np.flatnonzero((np.nan_to_num(self.came) > 0) | (left & (self.came == 0)))

    @property
    def timely(self) -> bool:
        """Whether the stage moved between readings only."""
        return not len(self.early) and not len(self.late)

    def usual_timing(self, design: Design) -> bool:
        """Whether rows were read as the player is set to."""
        moves = self.move is None or self.move.kind == "sound"
        return moves and self.timely and self.in_order and self.index == design.index

    def ends_within(self, n: int, slots: int) -> bool:
        """Whether a log of so many slots ends while the last row is read."""
        return bool(self.start[-1] + n > slots + BLUR)

    @property
    def in_order(self) -> bool:
        """Whether each reading saw the row that was due."""
        return bool((self.shown == np.arange(len(self.shown))).all())


@dataclass(frozen=True)
class _Way:
    """A hypothesis: the readings up to some row, and what they cost."""

    cost: float
    start: tuple[int, ...]


@dataclass(frozen=True)
class Player:
    """How a hypothesis starts rows: from the start of each, the next one's."""

    index: bool
    design: Design
    phase: int
    passed: Reals  # from a turn before slot 0 on
    move_s: float
    late: int = 0  # turns by which rows start later than they could, at the index

    def following(self, start: int) -> int:
        """The slot in which the next row starts."""
        n = self.design.positions
        last = min(max(start + 2 * n - 1, 0), len(self.passed) - 2)
        if not self.index:
            return int(next_start(self.passed, last, self.move_s)[0]) - n
        ready = self.passed[last + 1] + self.move_s
        at = int(np.searchsorted(self.passed, ready - 1e-9)) - n
        return at + (-at - self.phase) % n + n * self.late

    def waits(self, least: int, most: int) -> list[int]:
        """The waits between so many slots; rows that start at the index wait whole turns."""
        n = self.design.positions
        if self.index:
            turns = round((least + most) / 2 / n)
            return [n * turns] if turns else []
        return [*range(max(least, 1), most + 1)][:WIDEST]


def _tidy(dwells: list[Dwell], rows: int, n: int) -> list[Dwell]:
    """Without short stays; nor material before the first row, between two, which a slow stage
    shows on its way, and after the last if all rows were seen."""
    out: list[Dwell] = []
    for one in (d for d in dwells if d.length >= SHORT * n):
        if out and out[-1].row == one.row:
            out[-1] = replace(out[-1], end=one.end, ends=one.ends)
        else:
            out.append(one)
    on = [d for d in out if d.row != BLANK]
    if sorted(d.row for d in on) == list(range(rows)):
        return on
    while len(out) > rows and BLANK in (out[0].row, out[-1].row):
        del out[0 if out[0].row == BLANK else -1]
    return out


def follow_stage(
    dwells: list[Dwell], design: Design, phase: int, passed: Reals, slots: int
) -> StagePath | None:
    """The likeliest readings; None if the stage did not show just as many rows as were due.

    Parameters
    ----------
    dwells : list of Dwell
        Of a whole log.
    design : Design
    phase : int
        Slot k is position (k + phase) % positions.
    passed : ndarray
        When the slots passed, in s, from a turn before the first one on.
    slots : int
        In the log.
    """
    n, rows = design.positions, design.rows
    dwells = _tidy(dwells, rows, n)
    shown = np.array([d.row for d in dwells], np.int64)
    if len(shown) != rows:
        return None
    # material where a row is due is passed for a whole reading, at least
    moved = dwells[0].row == BLANK or (dwells[-1].row == BLANK and dwells[-1].length >= n - BLUR)
    every = np.arange(rows)
    due = [np.append(BLANK, every[:-1])]  # or one row was skipped, be it the first
    due += [np.append(np.delete(every, r), BLANK) for r in every[:-1]]
    moved = moved and any(np.array_equal(shown, m) for m in due)
    if not moved and (np.sort(shown) != np.arange(rows)).any():
        return None
    # halfway to the next row, the stage is nearer to that one
    position = float(np.median(np.diff(passed)))
    usual = 0.5 * design.stage_s / position + 2 * BLUR
    gone = [b.begins[0] - a.ends[1] for a, b in pairwise(dwells)]  # at least
    slow = bool(gone) and float(np.median(gone)) * position > SLOWER * design.stage_s
    margin = -math.log(SNUG * n)
    best: tuple[float, tuple[int, ...], bool] = (math.inf, (), design.index)
    low, high = dwells[0].ends
    players = [(0.0, Player(design.index, design, phase, passed, design.move_s))]
    if rows > 2:  # one move tells nothing of how rows start
        players.append((OTHER_START, replace(players[0][1], index=not design.index)))
        if design.index:
            players += [
                (FAULTY + math.log(turns), replace(players[0][1], late=turns))
                for turns in range(1, MOST_TURNS + 1)
            ]
    for move_s in _moves(dwells, design, passed):
        unlike = 0.5 * (math.log(move_s / design.move_s) / LIKE_PROFILE) ** 2
        other = replace(players[0][1], index=False, move_s=move_s)
        players.append((OTHER_START * design.index + unlike, other))
    for unusual, player in players:
        near = np.arange(low - 2 * n - player.following(0), high + 1)
        for begin in near[(near + phase) % n == 0].tolist():
            for lead in {low - n - begin, high - n - begin, round(usual / 2)}:
                sound = -BLUR <= lead <= usual
                price = unusual + (0.0 if sound else FAULTY + math.log(abs(lead)))
                price += FAULTY * (slow and lead < -BLUR)  # two faults
                bound = best[0] - price - 2 * margin
                for way in _followed(player, begin, dwells, lead, sound, bound):
                    cost = price + way.cost + _margins(way.start, n, slots)
                    if cost < best[0]:
                        best = cost, way.start, player.index
    start = np.array(best[1], np.int64)
    left, came = np.full(rows, np.nan), np.full(rows, np.nan)
    # where it is open, as near as may be
    for k, (one, after) in enumerate(pairwise(dwells)):
        done, begun = int(start[k]) + n, int(start[k + 1])
        left[k], came[k + 1] = _away(done, *one.ends), _away(begun, *after.begins)
    return StagePath(start, shown, left, came, best[2], usual)


def _moves(dwells: list[Dwell], design: Design, passed: Reals) -> list[float]:
    """What the stage's move with settling may take, in s, if each row starts at the first position
    after it."""
    at = np.array([sum(d.ends) / 2 for d in dwells[:-1]])
    if len(at) < 2:
        return []
    n = design.positions
    position = float(np.median(np.diff(passed)))
    apart = float(np.median(np.diff(np.interp(at + n, np.arange(len(passed)), passed))))
    tries = apart - (n - 1 + np.array(WITHIN)) * position
    return [t for t in tries.tolist() if t > 0]


def _followed(
    player: Player, begin: int, dwells: list[Dwell], lead: int, sound: bool, most: float
) -> list[_Way]:
    """The cheapest readings from a first one on, if the stage leaves so many slots after each;
    whether that is sound, and a cost from which on nobody asks."""
    n = player.design.positions
    dear = FAULTY + math.log(2 * n)
    ways = [_Way(0.0, (begin,))]
    for k, (low, high) in enumerate(d.ends for d in dwells[:-1]):
        more: dict[int, _Way] = {}
        for way in ways:
            *before, at = way.start
            waits = player.waits(low - at - n - lead, high - at - n - lead) if k else []
            for wait in (0, *waits):
                start = at + wait
                off = _away(start + n + lead, low, high)
                price = way.cost + (WAITS + math.log(n)) * (wait != 0)
                price += min(0.5 * (off / BLUR) ** 2, dear)
                after = player.following(start)
                if sound:  # then it arrives in time, unless it left late just here
                    late = max(0, dwells[k + 1].begins[0] - after - max(off, 0))
                    price += min(0.5 * (late / BLUR) ** 2, dear)
                if after not in more or price < more[after].cost:
                    more[after] = _Way(price, (*before, start, after))
        ways = sorted(more.values(), key=lambda w: w.cost)[:MOST]
        if ways[0].cost >= most:
            return []
    return ways


def _away(slot: int, low: int, high: int) -> int:
    """How far a range lies after a slot."""
    return min(max(slot, low), high) - slot


def in_its_turn(seen: Reals, design: Design, phase: int, start: Index) -> Index:
    """Readings that start at the index mark, in the likeliest turn, if a recording seems to begin
    or end within one: a stage that moves during readings spoils their ends or, but for the first
    one, their beginnings.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one.
    design : Design
    phase : int
        Slot k is position (k + phase) % positions.
    start : ndarray of int64, shape (rows,)
        By the bits alone.
    """
    n, signs = design.positions, signs_of(design.grid)
    good, bad = -math.log(1 - ASTRAY), -math.log(ASTRAY)
    best, out = math.inf, start
    for turns in (0, -1, 1):
        slot = (start + turns * n)[:, None] + np.arange(n)
        there = (slot >= 0) & (slot < len(seen))
        if not turns and there.all():
            return start
        if turns and not there.all():
            continue
        at = np.clip(slot, 0, len(seen) - 1)
        right = seen[at] * np.take_along_axis(signs, (slot + phase) % n, axis=1)
        price = np.where(there & (right != 0), np.where(right > 0, good, bad), 0.0)
        margin = _margins(tuple((start + turns * n).tolist()), n, len(seen))
        for part in (slice(1, None), slice(None, -1)):
            late = part.start is not None
            # from the end of the rows that the stage may spoil
            bits = price[part, :: 1 if late else -1]
            gain = np.cumsum((bits - math.log(2)).sum(axis=0))[: int(SPOILT * n)]
            long = int(np.argmax(gain)) + 1
            # two causes make a stage late, and one makes it early
            rarely = FAULTY + math.log(long * (2 - late))
            # what is seen in other turns is the same whichever turn is read, so positions that are
            # spoilt cost nothing
            spoilt = bits[:, :long].sum()
            cost = price.sum() - (spoilt - rarely) * (gain[long - 1] > rarely)
            if turns and cost > UNEXPLAINED * price.size:
                continue
            cost += margin + WAITS * (turns != 0)
            if cost < best - 1e-9:
                best, out = cost, start + turns * n
    return out


def _margins(start: tuple[int, ...], n: int, slots: int) -> float:
    """The price of where a recording begins and ends."""
    chance = math.log(SNUG * n)
    price = 0.0
    for margin, cut in ((start[0], CUT), (slots - start[-1] - n, STOPPED)):
        price += cut if margin < -1 else -chance if margin <= 2 else 0.0
    return price
