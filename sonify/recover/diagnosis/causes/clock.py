"""Clock pulses that are missing or come twice."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import Cause, Finding, percent
from sonify.recover.diagnosis.phase_jumps import LEAST_MOVE

__all__ = ["ClockDoubled", "ClockLoose", "ClockMissing"]


MIXED = 0.5
"""Of the pulses that are odd in one way: if more are odd in the other way, no dirt or scratch is
the cause, which does the same thing each time."""


def _by_position(case: Case, slots: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """How many of some slots are at each position, and how many turns were read."""
    n, start = case.design.positions, case.seen.alignment.start
    turns = max(1, (int(start[-1]) + n - max(0, int(start[0]))) // n)
    count: NDArray[np.int64] = np.bincount((slots + case.seen.alignment.phase) % n, minlength=n)
    return count, turns


def _away(slots: NDArray[np.int64], merged: NDArray[np.int64]) -> NDArray[np.int64]:
    """Slots that are not beside a pulse that is merged with the next one."""
    beside = np.concatenate([merged + k for k in (-1, 0, 1, 2)])
    return slots[~np.isin(slots, beside)]


def _odd(case: Case) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Slots of the reading without a pulse, and those of pulses beside their place or too many."""
    clock, start = case.seen.clock, case.seen.alignment.start
    if clock is None:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    both = _away(clock.missing, clock.merged), _away(clock.odd, clock.merged)
    begin, end = max(0, int(start[0])), int(start[-1]) + case.design.positions
    missing, odd = (
        s[(s >= begin) & (s < end)] for s in (both[0], np.union1d(both[1], clock.merged))
    )
    return missing, odd


class ClockLoose(Cause):
    """Pulses that come beside their places, now here, now there."""

    name = "clock-loose"
    title = "the clock detector is loose, or its lead has a bad contact"
    breaks = True
    repairs = (
        "tighten the clock detector's mount, and press its plug and its solder joints while you "
        "watch the signal",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """From jumps of the clock's pulses against the data's holes, or from how they wander."""
        told = case.told([at for at, _ in case.jumps.apart])
        jumps = [one for one in case.jumps.apart if one[0] in told]
        # what is left of holes at a limit tells no phase
        if case.channels is not None and case.channels.data.clipped:
            return None
        if jumps:
            most = max(abs(by) for _, by in jumps)
            when = ", ".join(f"{at:.2f} s" for at, _ in jumps[:4]) + ", ..." * (len(jumps) > 4)
            # holes that are read beside their middle look as if the stage stood beside its row
            return self.found(
                "jumps-apart",
                f"the clock's pulses jump against the data's holes by up to {percent(most)} of a "
                f"position, at {when}: one of the detectors moves",
                strength=math.log(len(jumps)),
            )
        if not case.jumps.wander:
            missing, odd = map(len, _odd(case))
            mixed = min(missing, odd) > MIXED * max(missing, odd)
            if not mixed or not case.count:
                return None
            return self.found(
                "pulses-odd",
                f"{missing} clock pulses are missing and {odd} come beside their places or twice, "
                "here and there",
                strength=math.log(missing + odd),
            )
        return self.found(
            "jumps-apart",
            f"the clock's pulses wander by {percent(case.jumps.wander)} of a position (standard "
            "deviation) against the data's holes, which follow one another evenly",
            strength=math.log(case.jumps.wander / LEAST_MOVE),
        )


class ClockMissing(Cause):
    """A pulse too few."""

    name = "clock-missing"
    title = "a clock pulse is missing: dirt, or no hole, in the clock row"
    repairs = (
        "clean the clock row at the position named, and check that its hole is there",
        "if the hole is good, move the clock detector closer and set its threshold to the middle",
    )
    group = "clock"
    kind, shift = "missing", "early"

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if at one position in most turns, or if it explains a MIDI file."""
        moved = f"every later bit of a row is placed one position too {self.shift}"
        m, clock = case.miscount, case.seen.clock
        if m is not None and m.kind == self.kind:
            return self.found(
                "same-pulse",
                f"a {self.kind} clock pulse at position {m.position + 1} explains "
                f"{m.before - m.after} of {m.before} places that do not fit",
                moved,
            )
        every = _odd(case)
        slots, others = every if self.kind == "missing" else every[::-1]
        if clock is None or not len(slots):
            return None
        count, turns = _by_position(case, slots)
        p = int(np.argmax(count))
        if count[p] >= min(2, turns) and (count[p] / turns >= 0.5 or turns <= 3):
            return self.found(
                "same-pulse",
                f"in {int(count[p])} of {turns} turns the pulse at position {p + 1} is {self.kind}",
                moved,
            )
        # without errors, a pause with a jerk looks the same
        if not case.count or len(others) > MIXED * len(slots):
            return None
        start = case.seen.alignment.start
        split = self.kind == "doubled" and 2 * len(np.intersect1d(slots, clock.split)) > len(slots)
        rows = sorted({int(np.searchsorted(start, s, "right")) for s in slots.tolist()})
        return self.found(
            "pulses-odd",
            f"{len(slots)} pulse{'s' * (len(slots) != 1)} {self.kind} here and there"
            + ", within the time of one hole" * split
            + ", near rows "
            + ", ".join(map(str, rows[:8])),
            strength=math.log(len(slots)),
        )


class ClockDoubled(ClockMissing):
    """A pulse too many."""

    name = "clock-doubled"
    title = "a clock pulse comes twice"
    repairs = (
        "look for a crack, a scratch or a stray hole in the clock row at the position named",
        "give the clock's comparator more hysteresis, or ignore pulses for half a position",
    )
    kind, shift = "doubled", "late"
