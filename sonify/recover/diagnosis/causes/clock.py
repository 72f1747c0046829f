"""Clock pulses that are missing or come twice."""

from __future__ import annotations

import numpy as np

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import CERTAIN, Cause, Finding

__all__ = ["ClockDoubled", "ClockMissing"]


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
                CERTAIN - 1,
                f"a {self.kind} clock pulse at position {m.position + 1} explains "
                f"{m.before - m.after} of {m.before} places that do not fit",
                moved,
            )
        if clock is None:
            return None
        start, n = case.seen.alignment.start, case.design.positions
        begin, end = max(0, int(start[0])), int(start[-1]) + n
        slots = clock.missing if self.kind == "missing" else clock.doubled
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


class ClockDoubled(ClockMissing):
    """A pulse too many."""

    name = "clock-doubled"
    title = "a clock pulse comes twice"
    repairs = (
        "look for a crack, a scratch or a stray hole in the clock row at the position named",
        "give the clock's comparator more hysteresis, or ignore pulses for half a position",
    )
    kind, shift = "doubled", "late"
