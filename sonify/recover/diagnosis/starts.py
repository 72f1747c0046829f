"""Where each row starts on a player that reads on at the next position, by all rows together.

Such a player counts pulses of the clock row: it reads one turn of them, moves its stage, and goes
on at the first pulse after that. So one time of the stage's move gives the start of every row, and
what is seen at the rows' ends tells which time it is. A clock row that lacks a pulse, or has one
twice, is only another list of pulses.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design

__all__ = ["IDLE", "Pulses", "pulses_of", "settled", "starts_in_slots"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]
Signs = NDArray[np.int8]

DOUBLED = 0.5  # of a position after its hole: where a second pulse may be
NEAR = 10  # pulses around a first guess among which a row's start is sought
AROUND = 1.6  # positions around the usual move in which the true one is sought
FINE = 0.01  # of a position
IDLE = 1e-4  # how often a note comes while no row is read, where it should not
ASIDE = 1e-4  # how often a row starts elsewhere than the move says
JITTER_S = 0.7e-3  # standard deviation of the moment at which the stage is ready
LIKE_PROFILE = 0.25  # standard deviation of the move around the profile's, as a share of it
AT_INDEX = 2.0  # log odds for a first row that starts with the disc's first position


@dataclass(frozen=True, eq=False)
class Pulses:
    """The clock row's pulses, as the player counts them.

    Attributes
    ----------
    slot : ndarray of float64, shape (pulses,)
        Where each is; a second pulse lies between two slots.
    place : ndarray of int64, shape (pulses,)
        The position of the disc that is under the detector; -1 at a second pulse.
    time_s : ndarray of float64, shape (pulses,)
    """

    slot: Reals
    place: Index
    time_s: Reals

    def first_from(self, slot: Index) -> Index:
        """The first pulse in or after each slot."""
        out: Index = np.searchsorted(self.slot, np.asarray(slot) - 1e-6)
        return out

    def at_index(self, at: Index) -> NDArray[np.bool_]:
        """Whether pulses are the first of the disc: position 0, or the one after a missing one."""
        whole = np.flatnonzero(self.place >= 0)
        opens = np.zeros(len(self.place), bool)
        opens[whole[1:]] = np.diff(self.slot[whole] - self.place[whole]) > 0.5
        out: NDArray[np.bool_] = opens[at]
        return out


def pulses_of(
    times: Callable[[Reals], Reals],
    n: int,
    phase: int,
    low: int,
    high: int,
    kind: str = "",
    position: int = -1,
) -> Pulses:
    """Pulses in slots, of which `times` tells when they pass.

    Parameters
    ----------
    times : callable
        From slots to moments, in s.
    n, phase : int
        Slot k is position (k + phase) % n.
    low, high : int
        From this slot to before that one.
    kind : str
        If the one at `position` is "missing" or "doubled".
    """
    slot = np.arange(low, high, dtype=float)
    place = (np.arange(low, high) + phase) % n
    if kind == "missing":
        keep = place != position
        slot, place = slot[keep], place[keep]
    elif kind == "doubled":
        more = slot[place == position] + DOUBLED
        slot = np.concatenate([slot, more])
        place = np.concatenate([place, np.full(len(more), -1)])
        order = np.argsort(slot, kind="stable")
        slot, place = slot[order], place[order]
    return Pulses(slot, place, times(slot))


def _gains(
    heard: Signs, pulses: Pulses, grid: Signs, row: Index, start: Index, idle: float
) -> Reals:
    """The log likelihood ratio of what was heard, if each row is read from near its start on,
    against nothing being read; shape (rows, 2 NEAR + 1)."""
    n = grid.shape[1]
    at = start[:, None] + np.arange(-NEAR, n + NEAR)
    there = (at >= 0) & (at < len(heard))
    at = np.clip(at, 0, len(heard) - 1)
    sound = np.where(there, heard[at], 0)
    place = pulses.place[at]
    bit = np.where(place >= 0, grid[row[:, None], np.maximum(place, 0)], -1)
    # how often this row's ones are missed and its zeros sound, for rows that a fault spoiled
    inside = np.zeros(at.shape, bool)
    inside[:, NEAR : NEAR + n] = True
    one, zero = inside & (bit == 1) & (sound != 0), inside & (bit == 0) & (sound != 0)
    missed = ((one & (sound < 0)).sum(axis=1) + 0.3) / (one.sum(axis=1) + 2)
    added = ((zero & (sound > 0)).sum(axis=1) + 0.1) / (zero.sum(axis=1) + 4)
    missed, added = missed[:, None], added[:, None]
    read = np.where(bit == 1, np.log1p(-missed), np.where(bit == 0, np.log(added), -math.log(2)))
    quiet = np.where(bit == 1, np.log(missed), np.where(bit == 0, np.log1p(-added), -math.log(2)))
    more = np.where(sound > 0, read - math.log(idle), quiet - math.log1p(-idle))
    total = np.pad(np.cumsum(np.where(sound != 0, more, 0.0), axis=1), ((0, 0), (1, 0)))
    first = np.arange(2 * NEAR + 1)
    out: Reals = total[:, first + n] - total[:, first]
    return out


def settled(
    heard: Signs,
    pulses: Pulses,
    design: Design,
    seen_row: Index,
    start: Index,
    move_s: float,
    idle: float = IDLE,
    at_index: float = AT_INDEX,
) -> tuple[Index, float]:
    """The pulses at which rows start, and the time of the stage's move with settling, in s.

    Parameters
    ----------
    heard : ndarray of int8, shape (pulses,)
        1 where a note sounded, -1 where none did, 0 where that is unknown.
    pulses : Pulses
    design : Design
    seen_row : ndarray of int64, shape (rows,)
        The row that was under the detector in each reading.
    start : ndarray of int64, shape (rows,)
        Pulses near which rows start.
    move_s : float
        Near which the move is sought.
    idle : float
        How often a note comes in a position while no row is read.
    at_index : float
        Log odds for a first row that starts with the disc's first position.
    """
    near = start[:, None] + np.arange(-NEAR, NEAR + 1)
    at = np.clip(near, 0, len(pulses.slot) - design.positions - 1)
    gain = np.where(near == at, _gains(heard, pulses, design.grid, seen_row, start, idle), -1e6)
    gain[0] += at_index * pulses.at_index(at[0])
    order, move_s = _best_starts(gain, at, pulses, design, move_s)
    return at[np.arange(len(at)), order], move_s


def _best_starts(
    gain: Reals,
    at: Index,
    pulses: Pulses,
    design: Design,
    move_s: float,
) -> tuple[Index, float]:
    """The likeliest start of each row, as a choice among pulses, and the time of the stage's move.

    For each time of the move, Viterbi's algorithm finds the best order of starts.

    Parameters
    ----------
    gain : ndarray, shape (rows, choices)
        The log likelihood of what was seen, for a row that starts with each choice.
    at : ndarray of int64, shape (rows, choices)
        The pulses to choose from.
    move_s : float
        Near which the move is sought.
    """
    n, (rows, choices) = design.positions, at.shape
    usual = float(np.median(np.diff(pulses.time_s)))
    end, begin = pulses.time_s[at + n - 1], pulses.time_s[at]
    before = pulses.time_s[np.maximum(at - 1, 0)]
    # what the first guess says of the move, within a position
    about = (begin[1:] + before[1:])[:, NEAR : NEAR + 2] / 2 - end[:-1, NEAR : NEAR + 2]
    centres = np.array([move_s, float(np.median(about))] if rows > 1 else [move_s])
    moves = centres[:, None] + np.arange(-AROUND, AROUND, FINE) * usual
    moves = np.unique(np.round(moves[moves > 0], 6))
    if rows < 2 or not len(moves):
        return np.full(rows, int(np.argmax(gain[0])) if rows == 1 else NEAR), move_s
    score = np.broadcast_to(gain[0], (len(moves), choices))
    back = np.zeros((rows, len(moves), choices), np.int8)
    for r in range(1, rows):
        # from each start of the row before (axis 1) to each of this one (axis 2)
        ready = end[r - 1][None, :, None] + moves[:, None, None]
        chance = _below((begin[r] - ready) / JITTER_S) - _below((before[r] - ready) / JITTER_S)
        price = np.log(np.maximum(chance, 0) * (1 - ASIDE) + ASIDE / choices)
        # readings never overlap
        price = np.where(at[r] >= at[r - 1][:, None] + n, price, -1e6)
        ways = score[:, :, None] + price
        back[r] = np.argmax(ways, axis=1)
        score = ways.max(axis=1) + gain[r]
    likely = score.max(axis=1) - 0.5 * (np.log(moves / design.move_s) / LIKE_PROFILE) ** 2
    orders = np.empty((len(moves), rows), np.int64)
    orders[:, -1] = np.argmax(score, axis=1)
    for r in range(rows - 1, 0, -1):
        orders[:, r - 1] = back[r][np.arange(len(moves)), orders[:, r]]
    # an order that only a narrow range of moves explains may fit by chance
    orders, which = np.unique(orders, axis=0, return_inverse=True)
    total = np.full(len(orders), -np.inf)
    np.logaddexp.at(total, which.reshape(-1), likely)
    best = int(np.argmax(total))
    return orders[best], float(np.median(moves[which.reshape(-1) == best]))


def _below(x: Reals) -> Reals:
    """The share of a logistic distribution below x standard deviations; its tails forgive more
    than a normal one's."""
    out: Reals = 0.5 * (1 + np.tanh(math.pi / (2 * math.sqrt(3)) * x))
    return out


def starts_in_slots(pulses: Pulses, start: Index) -> Index:
    """The slots of pulses at which rows start."""
    slot = pulses.slot[np.clip(start, 0, len(pulses.slot) - 1)]
    return np.floor(slot + 1e-6).astype(np.int64)
