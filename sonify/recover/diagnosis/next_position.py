"""Laying a log along the disc where reading goes on at the next position, whatever it is.

The machine reads so many pulses of its clock, moves the stage, and goes on with the first pulse
after that. So rows begin at pulses, one after the other by a steady time; and while the stage
moves, the row that it leaves fades from the data channel and the one that it comes to rises. Both
together tell the pulse that each row began with, also where the move lasts almost a whole number
of positions and either alone leaves it open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import (
    FIRST,
    HARDLY,
    LIKE_PLAN,
    LOST_ROWS,
    UNSURE,
    Alignment,
    Design,
    Move,
    agreement,
    best_order,
    lengths,
    likeliest,
    signs_of,
    with_neighbours,
)
from sonify.recover.diagnosis.clock import Clock
from sonify.recover.diagnosis.travel import Travel

__all__ = ["Beats", "align_next_position", "beats_of"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

OUTSIDE = 0.25  # what a row counts for that lies a few rows outside the log, if 1 is one that fits
BAND = 8  # pulses about the first guess among which each row's first one is sought
NEAR = 1.5  # positions about the likeliest move in which others are tried
FINEST = 0.005  # positions between two of those
TRIED = 24  # of the orders that they give, so many are followed up
STEADY = (0.01, 0.03, 0.12)  # positions by which the moment may be unsure when the stage is ready
ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Beats:
    """The clock's pulses as the machine counts them, and more before and after the log, at the
    usual speed.

    Attributes
    ----------
    time_s : ndarray
    slot : ndarray of int64
        The position that each belongs to.
    begin : ndarray of int64
        The first whole position that is read by a row which begins with it.
    before : int
        How many lie before the log's first one.
    period_s : float
        How long a position usually lasts.
    """

    time_s: Reals
    slot: Index
    begin: Index
    before: int
    period_s: float

    def last(self, start: Index, n: int) -> Index:
        """The last pulses of rows that begin with these."""
        out: Index = np.minimum(start + n - 1, len(self.time_s) - 1)
        return out

    def opens_turn(self, phase: int, n: int) -> NDArray[np.bool_]:
        """Whether a pulse is the first one of its turn: position 0, or what comes if that is
        missing."""
        turn = (self.slot + phase) // n
        return np.diff(turn, prepend=turn[0]) > 0

    def next_row(
        self, start: Index, n: int, move_s: Reals | np.float64
    ) -> tuple[Index, Reals, Reals]:
        """The pulses that the next rows begin with, after rows that began with these; and how far
        before that moment the pulse before comes and after it this one, in positions."""
        top = len(self.time_s) - 1
        last = self.last(start, n)
        ready = self.time_s[last] + move_s
        at = np.searchsorted(self.time_s, ready, "right")
        at = np.clip(at, np.minimum(last + 1, top), top)
        early = np.clip((ready - self.time_s[at - 1]) / self.period_s, 0.0, 1.0)
        late = np.clip((self.time_s[at] - ready) / self.period_s, 0.0, 1.0)
        return at, early, late


def beats_of(clock: Clock, around: int) -> Beats:
    """The pulses of a clock, and `around` more on each side."""
    period = float(np.median(clock.period))
    more = np.arange(1, around + 1)
    slot = np.concatenate(
        [clock.pulse_slot[0] - more[::-1], clock.pulse_slot, clock.pulse_slot[-1] + more]
    )
    time = np.concatenate(
        [
            clock.pulse_s[0] - period * more[::-1],
            clock.pulse_s,
            clock.pulse_s[-1] + period * more,
        ]
    )
    begin = slot.copy()
    begin[around : around + len(clock.extra)] += clock.extra
    return Beats(time, slot, begin, around, period)


def align_next_position(
    seen: Reals, material: float, design: Design, phase: int, clock: Clock
) -> tuple[Alignment, Index]:
    """Find when each row was read.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    material : float
        What the material between the rows looks like, in the same terms.
    design : Design
    phase : int
        Of slot 0.
    clock : Clock

    Returns
    -------
    Alignment
    ndarray of int64, shape (rows,)
        The pulse that each row began with; below 0 or above the last one outside the log.
    """
    rows, n = design.grid.shape
    beats = beats_of(clock, rows * design.step + 2 * n)
    fit = _fits(seen, design, phase, beats)
    move = _usual_move(fit, design, phase, beats)
    start, seen_row = _order(fit, design, phase, beats, move)
    travel = Travel(seen, material, design.grid, seen_row, phase, clock.slot_s)
    search = _Search(fit, design, phase, beats, move, travel, start, seen_row)
    if travel.steady:
        start = search.best()
    place = beats.begin[start]
    if beats.opens_turn(phase, n)[start[0]]:
        # what the machine counts as the disc's first position, whether its clock hole is there
        place[0] -= (place[0] + phase) % n
    overall, best = agreement(seen, design, phase, True, place, seen_row)
    return Alignment(place, seen_row, phase, overall, best), start - beats.before


def _fits(seen: Reals, design: Design, phase: int, beats: Beats) -> NDArray[np.float32]:
    """How well a row read from each pulse on agrees with each row, shape (pulses, rows)."""
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
        total = np.concatenate([[0.0], np.cumsum(x)])
        out: Reals = total[end] - total[begin]
        return out

    out = np.empty((count, rows), np.float32)
    outside = over(OUTSIDE * (near & ~inside).astype(np.float64))
    for r in range(rows):
        out[:, r] = (over(values * signs[r]) + outside) / n
    return out


def _usual_move(fit: NDArray[np.float32], design: Design, phase: int, beats: Beats) -> Move:
    """How long the stage's move takes on this machine, with settling, from the rows alone.

    With a steady move every row's start follows from the one before; so for each length of the
    move the whole order of rows is known, and the likeliest length is taken.
    """
    n, rows = design.positions, design.rows
    gain = with_neighbours(fit)
    turns = np.arange(-(-(int(beats.slot[0]) + phase) // n) * n - phase, beats.slot[-1], n)
    first = np.searchsorted(beats.slot, turns)
    first = first[first < len(fit)]
    moves = lengths(design, beats.period_s)
    start = np.broadcast_to(first, (len(moves), len(first)))
    move = np.broadcast_to(moves[:, None], start.shape)
    total = np.zeros(start.shape)
    for r in range(rows):
        total += gain[np.minimum(start, len(fit) - 1), r]
        start = beats.next_row(start, n, move)[0]
    return likeliest(moves, total.max(axis=1), design)


def _order(
    fit: NDArray[np.float32], design: Design, phase: int, beats: Beats, move: Move
) -> tuple[Index, Index]:
    """The best order of readings: the pulse that each began with, and the row that it saw."""
    n, rows = design.positions, design.rows
    at = np.arange(len(fit))
    follows, early, late = beats.next_row(at, n, np.float64(move.move_s))
    # in the unit of fit, where a wrong bit is 2 of n
    bit = np.log((1 - move.wrong) / move.wrong)
    off = 2 / (n * bit) * np.minimum(0.5 * (np.stack([early, late]) / UNSURE) ** 2, HARDLY)
    first = beats.opens_turn(phase, n)[: len(fit)]
    longest = max(4 * design.step, design.step + 2 * n)
    chosen, other = best_order(fit, first, at, follows - at, design, longest, off)
    return chosen, np.arange(rows) + other


class _Search:
    """The likeliest pulse for each row to begin with, near a first guess.

    Three things speak for an order of rows: how well the rows' bits fit, whether one length of
    the stage's move explains all their beginnings, and whether one picture of the stage's travel
    explains what is seen between them. The last two hang on what is not known before; so from
    several lengths of the move each finds the order that is best by it, the length and the
    picture that are best by that, and so on until nothing changes; the likeliest end is taken.
    """

    def __init__(
        self,
        fit: NDArray[np.float32],
        design: Design,
        phase: int,
        beats: Beats,
        move: Move,
        travel: Travel,
        start: Index,
        seen_row: Index,
    ) -> None:
        n = design.positions
        self.design, self.beats, self.move, self.travel, self.start = (
            design,
            beats,
            move,
            travel,
            start,
        )
        self.pulses = np.clip(start[:, None] + np.arange(-BAND, BAND + 1), 0, len(fit) - 1)
        bit = np.log((1 - move.wrong) / move.wrong)
        self.fits = 0.5 * n * bit * fit[self.pulses, seen_row[:, None]].astype(np.float64)
        begins = beats.opens_turn(phase, n)[self.pulses[0]]
        self.fits[0] += 0.5 * n * bit * FIRST * begins
        last = beats.last(self.pulses, n)
        self.last_s = beats.time_s[last]
        short = float(np.median(1 - fit[start, seen_row])) / 2
        rough = float(np.sqrt(max(0.0, short)))
        travel.look_after(beats.slot[last], self.last_s, beats.period_s, move.move_s, rough)
        # from each pulse of a row to each of the next one: after which moves it is the first one
        before = beats.time_s[np.maximum(self.pulses - 1, 0)]
        here = beats.time_s[self.pulses]
        self.least = (before[1:, None, :] - self.last_s[:-1, :, None]) / beats.period_s
        self.most = (here[1:, None, :] - self.last_s[:-1, :, None]) / beats.period_s
        ahead = self.pulses[1:, None, :] > last[:-1, :, None]
        self.most = np.where(ahead, self.most, -np.inf)

    def best(self) -> Index:
        """The pulse that each row most likely began with."""
        rows = np.arange(self.design.rows)
        best, most = np.full(self.design.rows, BAND), -np.inf
        done: set[bytes] = set()
        for move, order in self._beginnings():
            unsure = STEADY[1]
            for _ in range(ROUNDS):
                key = order.tobytes()
                if key in done:
                    break
                done.add(key)
                move, unsure, timing = self._timing(order, move)
                shows, picture = self.travel.picture(order)
                total = timing + picture + float(self.fits[rows, order].sum())
                if total > most:
                    best, most = order, total
                order = self._along(move, unsure, shows)
        out: Index = self.pulses[rows, best]
        return out

    def _beginnings(self) -> list[tuple[float, Index]]:
        """Moves, in positions, and the orders of rows that follow from them, the likeliest
        first."""
        n, period = self.design.positions, self.beats.period_s
        about = self.move.move_s / period
        moves = np.arange(max(0.1, about - NEAR), about + NEAR, FINEST)
        at = np.empty((len(moves), self.design.rows), np.int64)
        at[:, 0] = self.start[0]
        for r in range(1, self.design.rows):
            at[:, r] = self.beats.next_row(at[:, r - 1], n, moves * period)[0]
        order = np.clip(at - self.start + BAND, 0, 2 * BAND)
        change = np.flatnonzero((np.diff(order, axis=0) != 0).any(axis=1)) + 1
        edges = np.concatenate([[0], change, [len(moves)]])
        score = self.fits[np.arange(self.design.rows), order[edges[:-1]]].sum(axis=1)
        best = np.argsort(-score, kind="stable")[:TRIED]
        middle = (edges[best] + edges[best + 1] - 1) // 2
        return [(about, np.full(self.design.rows, BAND))] + [(moves[k], order[k]) for k in middle]

    def _chances(self, least: Reals, most: Reals, move: Reals | float, unsure: float) -> Reals:
        """How likely it is that the stage was ready between two moments, as a logarithm; with a
        logistic distribution of that moment."""
        with np.errstate(over="ignore"):
            chance = 1 / (1 + np.exp((move - most) / unsure)) - 1 / (
                1 + np.exp((move - least) / unsure)
            )
        out: Reals = np.log(np.maximum(chance, np.exp(-HARDLY)))
        return np.where(np.isfinite(most), out, -1e6)

    def _timing(self, order: Index, about: float) -> tuple[float, float, float]:
        """The length of the move that explains an order best, how steady it is, and how likely
        that makes it."""
        r = np.arange(len(order) - 1)
        least, most = self.least[r, order[:-1], order[1:]], self.most[r, order[:-1], order[1:]]
        moves = about + np.arange(-NEAR, NEAR, FINEST)
        moves = moves[moves > 0]
        best = (about, STEADY[1], -np.inf)
        for unsure in STEADY:
            chance = self._chances(least, most, moves[:, None], 0.55 * unsure).sum(axis=1)
            design = self.design.move_s / self.beats.period_s
            chance -= 0.5 * (np.log(moves / design) / LIKE_PLAN) ** 2
            # an order that but a hair's breadth of lengths explains is explained by chance
            mass = float(np.logaddexp.reduce(chance) + np.log(FINEST))
            if mass > best[2]:
                best = (float(moves[int(np.argmax(chance))]), unsure, mass)
        return best

    def _along(self, move: float, unsure: float, shows: Reals) -> Index:
        """The best order by a length of the move and a picture of the travel: Viterbi's
        algorithm."""
        gain = self.fits + shows
        total = gain[0]
        back = np.zeros(gain.shape, np.int64)
        for r in range(1, len(gain)):
            ways = total[:, None] + self._chances(
                self.least[r - 1], self.most[r - 1], move, 0.55 * unsure
            )
            back[r] = np.argmax(ways, axis=0)
            total = ways[back[r], np.arange(ways.shape[1])] + gain[r]
        out = np.zeros(len(gain), np.int64)
        out[-1] = int(np.argmax(total))
        for r in range(len(gain) - 1, 0, -1):
            out[r - 1] = back[r, out[r]]
        return out
