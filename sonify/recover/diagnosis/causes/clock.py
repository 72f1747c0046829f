"""Clock pulses that are missing or come twice."""

from __future__ import annotations

import numpy as np

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import CERTAIN, Cause, Finding

__all__ = ["ClockDoubled", "ClockMissing"]


class _Clock(Cause):
    """A pulse too few or too many."""

    group = "clock"
    kind: str
    shift: str

    def find(self, case: Case, share: float) -> Finding | None:
        """Certain if at one position in most turns, or if it explains a MIDI file."""
        moved = f"every later bit of a row is placed one position too {self.shift}"
        m = case.miscount
        if m is not None:
            if m.kind != self.kind:
                return None
            return self.found(
                CERTAIN - 1,
                f"a {self.kind} clock pulse at position {m.position + 1} explains "
                f"{m.before - m.after} of {m.before} places that do not fit",
                moved,
            )
        start, n = case.seen.alignment.start, case.design.positions
        begin, end = max(0, int(start[0])), int(start[-1]) + n
        slots = self.slots(case)
        slots = slots[(slots >= begin) & (slots < end)]
        if not len(slots):
            return None
        turns = max(1, (end - begin) // n)
        count = np.bincount((slots + case.seen.alignment.phase) % n, minlength=n)
        p = int(np.argmax(count))
        if count[p] / turns >= 0.5 or (count[p] >= 2 and turns <= 3):
            return self.found(
                CERTAIN - 1,
                f"in {int(count[p])} of {turns} turns the pulse at position {p + 1} is {self.kind}",
                moved,
            )
        rows = sorted({int(np.searchsorted(start, s, "right")) for s in slots.tolist()})
        return self.found(
            2.0 if case.count else 0.5,
            f"{len(slots)} pulse{'s' * (len(slots) != 1)} {self.kind} here and there, near rows "
            + ", ".join(map(str, rows[:8])),
        )

    def slots(self, case: Case) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """The slots of such pulses in a log."""
        raise NotImplementedError


class ClockMissing(_Clock):
    """A pulse too few."""

    name = "clock-missing"
    title = "a clock pulse is missing: dirt, or no hole, in the clock row"
    repairs = (
        "clean the clock row at the position named, and check that its hole is there",
        "if the hole is good, move the clock detector closer and set its threshold to the middle",
    )
    kind, shift = "missing", "early"

    def slots(self, case: Case) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Slots without a pulse."""
        clock = case.seen.clock
        return np.zeros(0, np.int64) if clock is None else clock.missing


class ClockDoubled(_Clock):
    """A pulse too many."""

    name = "clock-doubled"
    title = "a clock pulse comes twice"
    repairs = (
        "look for a crack, a scratch or a stray hole in the clock row at the position named",
        "give the clock's comparator more hysteresis, or ignore pulses for half a position",
    )
    kind, shift = "doubled", "late"

    def slots(self, case: Case) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """Slots with a pulse after the first."""
        clock = case.seen.clock
        if clock is None:
            return np.zeros(0, np.int64)
        every = np.arange(len(clock.slot_s))
        at = np.interp(clock.pulse_s[clock.extra], clock.slot_s, every)
        return np.rint(at - 0.25).astype(np.int64)
