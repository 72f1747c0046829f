"""Where each row began on a player that reads on from where it is, by all rows together.

Such a player counts pulses of the clock row: it reads as many as a row has, moves its stage, and
goes on at the first pulse after that. One time of the move therefore says where every row begins,
and what was heard at the rows' ends says which time it is. A clock row that lacks a pulse, or has
one twice, is only another list of pulses.
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
NEAR = 10  # pulses from where a row seemed to begin in which its start is sought
AROUND = 1.6  # positions about the usual move in which the true one is sought
FINE = 0.01  # of a position
IDLE = 1e-4  # how often a note comes while no row is read, where it should not
ASIDE = 1e-4  # how often a row begins elsewhere than the move says
JITTER_S = 0.7e-3  # by how much the moment is unsure at which the stage is ready
LIKE_PLAN = 0.25  # how far the move is from the design's, usually, as a share of it


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
    """How much more likely what was heard is if each row was read from near its start on, than if
    nothing was read, as logarithms; shape (rows, 2 NEAR + 1)."""
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
    total = np.zeros((len(row), at.shape[1] + 1))
    np.cumsum(np.where(sound != 0, more, 0.0), axis=1, out=total[:, 1:])
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
) -> tuple[Index, float]:
    """The pulses at which rows begin, and the time of the stage's move with settling, in s.

    Parameters
    ----------
    heard : ndarray of int8, shape (pulses,)
        1 where a note sounded, -1 where none did, 0 where nobody knows.
    pulses : Pulses
    design : Design
    seen_row : ndarray of int64, shape (rows,)
        The row that was under the detector in each reading.
    start : ndarray of int64, shape (rows,)
        Pulses near which rows begin.
    move_s : float
        Near which the move is sought.
    idle : float
        How often a note comes in a position while no row is read.
    """
    n, count = design.positions, len(pulses.slot)
    usual = float(np.median(np.diff(pulses.time_s)))
    at = start[:, None] + np.arange(-NEAR, NEAR + 1)
    good = (at >= 0) & (at + n < count)
    safe = np.clip(at, 0, count - n - 1)
    gain = np.where(good, _gains(heard, pulses, design.grid, seen_row, start, idle), -1e6)
    # it begins at the index
    gain[0] += 2.0 * (pulses.place[safe[0]] == pulses.place[pulses.place >= 0].min())
    end = pulses.time_s[safe + n - 1]
    begin, before = pulses.time_s[safe], pulses.time_s[np.maximum(safe - 1, 0)]
    rows = len(start)
    # what the rows' present starts say of the move, each within a position
    across = np.arange(NEAR, NEAR + 1)
    about = (begin[1:, across] + before[1:, across]) / 2 - end[:-1, across]
    centres = np.array([move_s, float(np.median(about))]) if rows > 1 else np.array([move_s])
    reach = np.arange(-AROUND, AROUND, FINE) * usual
    moves = np.unique(np.round(centres[:, None] + reach, 6))
    moves = moves[moves > 0]
    if rows < 2 or not len(moves):
        best = int(np.argmax(gain[0]))
        return at[np.arange(rows), best if rows == 1 else NEAR], move_s
    score = np.broadcast_to(gain[0], (len(moves), at.shape[1])).copy()
    back = np.zeros((rows, len(moves), at.shape[1]), np.int8)
    for r in range(1, rows):
        # from each start of the row before (axis 1) to each of this one (axis 2)
        ready = end[r - 1][None, :, None] + moves[:, None, None]
        late = _below((begin[r][None, None, :] - ready) / JITTER_S)
        early = _below((before[r][None, None, :] - ready) / JITTER_S)
        price = np.log(np.maximum(late - early, 0) * (1 - ASIDE) + ASIDE / (2 * NEAR + 1))
        # readings never overlap
        price = np.where(safe[r][None, None, :] >= safe[r - 1][None, :, None] + n, price, -1e6)
        ways = score[:, :, None] + price
        back[r] = np.argmax(ways, axis=1)
        score = ways.max(axis=1) + gain[r]
    value = score.max(axis=1) - 0.5 * (np.log(moves / design.move_s) / LIKE_PLAN) ** 2
    k = _middle_of_best(value)
    j = int(np.argmax(score[k]))
    out = np.zeros(rows, np.int64)
    for r in range(rows - 1, -1, -1):
        out[r] = at[r, j]
        j = int(back[r, k, j])
    return out, float(moves[k])


def _middle_of_best(value: Reals) -> int:
    """The middle of the stretch in which a value is as good as its best."""
    top = int(np.argmax(value))
    good = value > value[top] - 0.5
    low = high = top
    while low > 0 and good[low - 1]:
        low -= 1
    while high + 1 < len(good) and good[high + 1]:
        high += 1
    return (low + high) // 2


def _below(x: Reals) -> Reals:
    """The share of a logistic distribution below x standard deviations; its tails forgive more
    than a normal one's."""
    out: Reals = 0.5 * (1 + np.tanh(math.pi / (2 * math.sqrt(3)) * x))
    return out


def starts_in_slots(pulses: Pulses, start: Index) -> Index:
    """The slots of pulses at which rows begin."""
    out: Index = np.floor(pulses.slot[np.clip(start, 0, len(pulses.slot) - 1)] + 1e-6).astype(
        np.int64
    )
    return out
