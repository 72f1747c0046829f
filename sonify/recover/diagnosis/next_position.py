"""Align a log with the disc on a player that reads on at the next position, whatever it is.

The machine reads one turn of clock pulses, moves the stage, and goes on with the first pulse after
that. So each row starts at a pulse, a steady time after the one before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design, agreement
from sonify.recover.diagnosis.starts import Pulses, settled
from sonify.recover.signal.clock import PulseClock

__all__ = ["align_next_position"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

AT_INDEX = 40.0
"""Log odds for a first row that starts with the disc's first position: until the stage moves, the
first row passes again and again."""


def _pulses(clock: PulseClock, phase: int, n: int, before: int, after: int) -> Pulses:
    """The pulses of a log, and more of them before and after it at the usual speed."""
    period, every = float(np.median(clock.period)), np.arange(len(clock.slot_s))
    beside = np.interp(clock.pulse_s, clock.slot_s, every)
    slot = np.where(clock.extra, beside, clock.pulse_slot)
    low, high = np.arange(-before, 0), np.arange(1, after + 1)
    slot = np.concatenate([slot[0] + low, slot, slot[-1] + high])
    time = [clock.pulse_s[0] + period * low, clock.pulse_s, clock.pulse_s[-1] + period * high]
    extra = np.pad(clock.extra, (before, after))
    place = np.where(extra, -1, (np.rint(slot).astype(np.int64) + phase) % n)
    return Pulses(slot, place, np.concatenate(time))


def align_next_position(
    seen: Reals, design: Design, guess: Alignment, clock: PulseClock
) -> tuple[Alignment, Index]:
    """Find when each row was read.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    design : Design
    guess : Alignment
        By the rows alone.
    clock : PulseClock

    Returns
    -------
    Alignment
    ndarray of int64, shape (rows,)
        The pulse with which each row started; below 0 or above the last one outside the log.
    """
    n, phase, seen_row = design.positions, guess.phase, guess.seen_row
    before = max(0, -int(guess.start.min())) + 2 * n
    after = max(0, int(guess.start.max()) - len(seen)) + 3 * n
    pulses = _pulses(clock, phase, n, before, after)
    start = pulses.first_from(guess.start)
    slot = np.floor(pulses.slot).astype(np.int64)
    there = (slot >= 0) & (slot < len(seen)) & (pulses.place >= 0)
    heard = np.where(there, np.sign(seen[np.clip(slot, 0, len(seen) - 1)]), 0).astype(np.int8)
    # while nothing is read, either bit is equally likely
    begins = AT_INDEX if guess.start[0] >= 0 else 0.0
    start, _ = settled(heard, pulses, design, seen_row, start, design.move_s, 0.5, begins)
    # a row that starts with a doubled pulse has its first whole position after it
    place = np.ceil(pulses.slot[start] - 1e-6).astype(np.int64)
    if pulses.at_index(start[:1])[0]:
        # the machine counts from the disc's first position even if its clock hole is missing
        place[0] -= (place[0] + phase) % n
    found = agreement(seen, design, phase, True, place, seen_row)
    return Alignment(place, seen_row, phase, found), start - before
