"""The MIDI connection."""

from __future__ import annotations

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import CERTAIN, Cause, Finding

__all__ = ["Wire"]


class Wire(Cause):
    """Note-ons without note-offs, or the other way round."""

    name = "wire"
    title = "MIDI bytes are lost on the wire"
    repairs = (
        "queue bytes and send the next one only when the last has gone (31,250 baud)",
        "try another cable or interface; send smaller chords",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """From two such notes on."""
        w = case.seen.wire
        if w is None or w.orphans + w.hanging + w.struck_again < 2:
            return None
        signs = (
            (w.orphans, "note-offs came without a note"),
            (w.hanging, "notes have no note-off: they hang"),
            (w.struck_again, "notes were struck again while they sounded"),
        )
        evidence = [f"{count} {what}" for count, what in signs if count]
        if w.lost_on:
            evidence.append(f"at {len(w.lost_on)} places the note-off came but the note did not")
        return self.found(CERTAIN - 2, *evidence)
