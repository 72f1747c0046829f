"""Align a log with the disc on a player that reads on at the next position, whatever it is.

The machine reads one turn of clock pulses, moves the stage, and goes on with the first pulse after
that. So each row starts at a pulse, a steady time after the one before; and while the stage moves,
the row it leaves fades from the data channel and the one it comes to rises. Both together give the
pulse with which each row started, even where the move lasts almost a whole number of positions and
either alone leaves it open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import (
    Alignment,
    Design,
    agreement,
    signs_of,
)
from sonify.recover.diagnosis.row_order import (
    FIRST,
    HARDLY,
    LIKE_PROFILE,
    LOST_ROWS,
    Move,
    best_move,
    best_order,
    slot_prices,
)
from sonify.recover.diagnosis.travel import Travel
from sonify.recover.signal.averages import Integral
from sonify.recover.signal.next_start import next_start
from sonify.recover.signal.pulses import PulseClock

__all__ = ["align_next_position"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

# Chosen on the simulated player in tests/recover/diagnosis/machine.py, as in `alignment`.

OUTSIDE = 0.25  # gained by a position a few rows outside the log, where one that fits gains 1
BAND = 8  # pulses around the first guess among which each row's start is sought
NEAR = 1.5  # positions around the likeliest move in which other moves are tried
FINEST = 0.005  # positions between two of those
TRIED = 24  # orders followed up, of those that these moves give
STEADY = (0.01, 0.03, 0.12)  # spreads to try for the moment when the stage is ready, in positions
ROUNDS = 4  # of refinement of each order


@dataclass(frozen=True, eq=False)
class _Beats:
    """The clock pulses as the machine counts them, continued before and after the log at the usual
    speed.

    Attributes
    ----------
    time_s : ndarray
    slot : ndarray of int64
        The position that each belongs to.
    begin : ndarray of int64
        The first whole position read by a row that starts with each.
    before : int
        How many come before the log's first one.
    period_s : float
        How long a position usually lasts.
    """

    time_s: Reals
    slot: Index
    begin: Index
    before: int
    period_s: float

    def last(self, start: Index, n: int) -> Index:
        """The last pulses of rows that start with these."""
        out: Index = np.minimum(start + n - 1, len(self.time_s) - 1)
        return out

    def opens_turn(self, phase: int, n: int) -> NDArray[np.bool_]:
        """Whether each is the first of its turn: position 0, or the one after a missing one."""
        turn = (self.slot + phase) // n
        return np.diff(turn, prepend=turn[0]) > 0

    def next_row(self, start: Index, n: int, move_s: Reals | float) -> tuple[Index, Reals]:
        """The pulses that start the next rows, and how far the moment when the stage is ready is
        from the pulse before and from that one, in positions, stacked."""
        at, early, late = next_start(self.time_s, self.last(start, n), move_s)
        return at, np.clip(np.stack([early, late]) / self.period_s, 0.0, 1.0)


def _beats_of(clock: PulseClock, around: int) -> _Beats:
    """The pulses of a clock, and `around` more on each side."""
    period = float(np.median(clock.period))
    more = np.arange(1, around + 1)

    def extended(values: NDArray[Any], step: float) -> NDArray[Any]:
        return np.concatenate([values[0] - step * more[::-1], values, values[-1] + step * more])

    slot = extended(clock.pulse_slot, 1).astype(np.int64)
    begin = slot.copy()
    begin[around : around + len(clock.extra)] += clock.extra
    return _Beats(extended(clock.pulse_s, period), slot, begin, around, period)


def align_next_position(
    seen: Reals, material: float, design: Design, phase: int, clock: PulseClock
) -> tuple[Alignment, Index]:
    """Find when each row was read.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    material : float
        How the solid material between the rows reads, on the same scale.
    design : Design
    phase : int
        Of slot 0.
    clock : PulseClock

    Returns
    -------
    Alignment
    ndarray of int64, shape (rows,)
        The pulse with which each row started; below 0 or above the last one outside the log.
    """
    rows, n = design.grid.shape
    beats = _beats_of(clock, rows * design.step + 2 * n)
    fit = _fits(seen, design, phase, beats)
    turns = np.arange(-(-(int(beats.slot[0]) + phase) // n) * n - phase, beats.slot[-1], n)
    first = np.searchsorted(beats.slot, turns)
    # the likeliest move by the rows alone
    move = best_move(
        fit, first[first < len(fit)], 0, design, beats.period_s,
        lambda start, move_s: beats.next_row(start, n, move_s)[0],
    )  # fmt: skip
    start, seen_row = _order(fit, design, phase, beats, move)
    travel = Travel(seen, material, design.grid, seen_row, phase, clock.slot_s)
    search = _Search(fit, design, phase, beats, move, travel, start, seen_row)
    if travel.steady:
        start = search.best()
    place = beats.begin[start]
    if beats.opens_turn(phase, n)[start[0]]:
        # the machine counts from the disc's first position even if its clock hole is missing
        place[0] -= (place[0] + phase) % n
    found = agreement(seen, design, phase, True, place, seen_row)
    return Alignment(place, seen_row, phase, found), start - beats.before


def _fits(seen: Reals, design: Design, phase: int, beats: _Beats) -> NDArray[np.float32]:
    """How well a row that starts with each pulse agrees with each row, shape (pulses, rows)."""
    rows, n = design.grid.shape
    low, high = int(beats.slot[0]), int(beats.slot[-1]) + 2
    slots = np.arange(low, high)
    inside = (slots >= 0) & (slots < len(seen))
    values = np.where(inside, seen[np.clip(slots, 0, len(seen) - 1)], 0.0)
    near = np.maximum(-slots, slots - len(seen)) < LOST_ROWS * design.step
    count = len(beats.slot) - n
    begin = beats.begin[:count] - low
    end = np.maximum(beats.slot[n - 1 : n - 1 + count] + 1 - low, begin)
    signs = signs_of(design.grid)[:, (slots + phase) % n]

    def over(x: Reals) -> Reals:
        total = Integral(x).total
        out: Reals = total[end] - total[begin]
        return out

    outside = over(OUTSIDE * (near & ~inside).astype(np.float64))
    fits = [(over(values * signs[r]) + outside) / n for r in range(rows)]
    return np.stack(fits, axis=1).astype(np.float32)


def _order(
    fit: NDArray[np.float32], design: Design, phase: int, beats: _Beats, move: Move
) -> tuple[Index, Index]:
    """The best order of readings: the pulse that started each, and the row that it saw."""
    n = design.positions
    at = np.arange(len(fit))
    follows, off = beats.next_row(at, n, move.move_s)
    first = beats.opens_turn(phase, n)[: len(fit)]
    prices = slot_prices(off, n, move.wrong)
    chosen, other = best_order(fit, first, at, follows - at, design, prices)
    return chosen, np.arange(design.rows) + other


class _Search:
    """The likeliest pulse for each row to start with, near a first guess.

    An order of rows is judged by how well the rows' bits fit, whether one time of the stage's move
    explains all their starts, and whether one picture of the stage's travel explains what is seen
    between them. The last two depend on unknowns, so they are alternated: from several moves, each
    finds its best order, which gives a better move and picture, until nothing changes. The
    likeliest result wins.
    """

    def __init__(
        self,
        fit: NDArray[np.float32],
        design: Design,
        phase: int,
        beats: _Beats,
        move: Move,
        travel: Travel,
        start: Index,
        seen_row: Index,
    ) -> None:
        n = design.positions
        self.design, self.beats, self.travel, self.start = design, beats, travel, start
        self.move = move.move_s / beats.period_s
        self.pulses = np.clip(start[:, None] + np.arange(-BAND, BAND + 1), 0, len(fit) - 1)
        bit = 0.5 * n * np.log((1 - move.wrong) / move.wrong)
        self.fits = bit * fit[self.pulses, seen_row[:, None]].astype(np.float64)
        self.fits[0] += bit * FIRST * beats.opens_turn(phase, n)[self.pulses[0]]
        last = beats.last(self.pulses, n)
        last_s = beats.time_s[last]
        wrong = max(0.0, float(np.median(1 - fit[start, seen_row])) / 2)
        travel.look_after(
            beats.slot[last], last_s, beats.period_s, move.move_s, float(np.sqrt(wrong))
        )
        # for each pulse of a row and each of the next: the moves after which it is the first one
        before = beats.time_s[np.maximum(self.pulses - 1, 0)]
        here = beats.time_s[self.pulses]
        self.least = (before[1:, None, :] - last_s[:-1, :, None]) / beats.period_s
        most = (here[1:, None, :] - last_s[:-1, :, None]) / beats.period_s
        ahead = self.pulses[1:, None, :] > last[:-1, :, None]
        self.most = np.where(ahead, most, -np.inf)

    def best(self) -> Index:
        """The pulse with which each row most likely started."""
        rows = np.arange(self.design.rows)
        best, most = np.full(self.design.rows, BAND), -np.inf
        done: set[bytes] = set()
        for move, order in self._candidates():
            for _ in range(ROUNDS):
                key = order.tobytes()
                if key in done:
                    break
                done.add(key)
                move, unsure, likely = self._timing(order, move)
                shows, picture = self.travel.picture(order)
                total = likely + picture + float(self.fits[rows, order].sum())
                if total > most:
                    best, most = order, total
                order = self._along(move, unsure, shows)
        out: Index = self.pulses[rows, best]
        return out

    def _candidates(self) -> list[tuple[float, Index]]:
        """Moves, in positions, and the orders of rows that follow from them, the likeliest
        first."""
        n, rows = self.design.positions, self.design.rows
        moves = np.arange(max(0.1, self.move - NEAR), self.move + NEAR, FINEST)
        at = np.empty((len(moves), rows), np.int64)
        at[:, 0] = self.start[0]
        for r in range(1, rows):
            at[:, r] = self.beats.next_row(at[:, r - 1], n, moves * self.beats.period_s)[0]
        order = np.clip(at - self.start + BAND, 0, 2 * BAND)
        change = np.flatnonzero((np.diff(order, axis=0) != 0).any(axis=1)) + 1
        edges = np.concatenate([[0], change, [len(moves)]])
        score = self.fits[np.arange(rows), order[edges[:-1]]].sum(axis=1)
        best = np.argsort(-score, kind="stable")[:TRIED]
        middle = (edges[best] + edges[best + 1] - 1) // 2
        return [(self.move, np.full(rows, BAND))] + [(moves[k], order[k]) for k in middle]

    @staticmethod
    def _chances(least: Reals, most: Reals, move: Reals | float, unsure: float) -> Reals:
        """The log probability that the stage was ready between two moments, if that moment has a
        logistic distribution with this spread."""
        scale = 0.55 * unsure
        with np.errstate(over="ignore"):
            chance = 1 / (1 + np.exp((move - most) / scale))
            chance = chance - 1 / (1 + np.exp((move - least) / scale))
        out: Reals = np.log(np.maximum(chance, np.exp(-HARDLY)))
        return np.where(np.isfinite(most), out, -1e6)

    def _timing(self, order: Index, about: float) -> tuple[float, float, float]:
        """The move that explains an order best, its spread, and the log likelihood with them."""
        r = np.arange(len(order) - 1)
        least, most = self.least[r, order[:-1], order[1:]], self.most[r, order[:-1], order[1:]]
        moves = about + np.arange(-NEAR, NEAR, FINEST)
        moves = moves[moves > 0]
        best = (about, STEADY[1], -np.inf)
        profile = self.design.move_s / self.beats.period_s
        for unsure in STEADY:
            chance = self._chances(least, most, moves[:, None], unsure).sum(axis=1)
            chance -= 0.5 * (np.log(moves / profile) / LIKE_PROFILE) ** 2
            # an order that only a narrow range of moves explains may fit by chance
            mass = float(np.logaddexp.reduce(chance) + np.log(FINEST))
            if mass > best[2]:
                best = (float(moves[int(np.argmax(chance))]), unsure, mass)
        return best

    def _along(self, move: float, unsure: float, shows: Reals) -> Index:
        """The best order for a move and a picture of the travel: Viterbi's algorithm."""
        gain = self.fits + shows
        total = gain[0]
        back = np.zeros(gain.shape, np.int64)
        for r in range(1, len(gain)):
            chance = self._chances(self.least[r - 1], self.most[r - 1], move, unsure)
            ways = total[:, None] + chance
            back[r] = np.argmax(ways, axis=0)
            total = ways[back[r], np.arange(ways.shape[1])] + gain[r]
        out = np.zeros(len(gain), np.int64)
        out[-1] = int(np.argmax(total))
        for r in range(len(gain) - 1, 0, -1):
            out[r - 1] = back[r, out[r]]
        return out
