"""The MIDI connection."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.case import Case
from sonify.recover.diagnosis.causes.cause import Cause, Finding
from sonify.recover.diagnosis.delivery import Delivery

__all__ = ["Late", "RowsMissing", "Wire"]


UNREAD = -2.5
"""Log odds of a row that was not sent rather than not read, where nothing tells (fitted with the
odds of signs)."""


class Wire(Cause):
    """Note-ons without note-offs, or the other way round."""

    name = "wire"
    title = "MIDI bytes are lost on the wire"
    repairs = (
        "queue bytes and send the next one only when the last has gone (31,250 baud)",
        "try another cable or interface; send smaller chords",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """From one note that hangs on, or two such or that did not come."""
        w, sent = case.seen.wire, case.seen.delivery
        lost = 0 if sent is None else sent.lost
        count = 0 if w is None else w.orphans + w.hanging + w.struck_again
        if w is None or (count + lost < 2 and not w.hanging):
            return None
        signs = (
            (w.orphans, "note-offs came without a note"),
            (w.hanging, "notes have no note-off: they hang"),
            (w.struck_again, "notes were struck again while they sounded"),
        )
        evidence = [f"{many} {what}" for many, what in signs if many]
        certain = bool(evidence)
        if w.lost_on:
            evidence.append(f"at {len(w.lost_on)} places the note-off came but the note did not")
        if sent is not None and lost >= 2:
            evidence.append(f"{lost} of {sent.due} notes are missing, and no other note came")
            if sent.split:
                evidence.append(f"{sent.split} of them are of bits that other voices did sound")
        # notes alone may be of holes that were not seen; a wire adds none
        count += 0 if sent is None else sent.split - sent.stray
        if not certain and count < 2:
            return None
        return self.found("bytes-lost", *evidence)

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """Notes that did not come."""
        return case.missed


class RowsMissing(Cause):
    """Rows of which no note was recorded."""

    name = "midi-rows-missing"
    title = "rows are missing from the MIDI recording"
    repairs = (
        "record again from before the first row until after the message",
        "if the recording is whole, watch the matrix at these rows: a row that stays dark there "
        "was not read (the stage beside it, light on the detector, a loose lead); one that fills "
        "was not sent",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By rows that are silent as a whole, while notes of the others came as they should."""
        sent, w = case.seen.delivery, case.seen.wire
        if sent is None or not len(sent.gone):
            return None
        gone = sent.gone
        # rows whose note-offs came were sent; those of the last notes may come after a cut
        ended = [] if w is None else [r for r, _ in set(w.lost_on)]
        if all(ended.count(r) > 1 for r in gone.tolist()):
            return None
        named = ", ".join(str(r + 1) for r in gone[:8].tolist())
        return self.found(
            "row-not-sent",
            f"no note came of row{'s' * (len(gone) != 1)} {named}"
            + ", ..." * (len(gone) > 8)
            + f"; of the other rows, {sent.due - sent.lost} of {sent.due} notes came",
            strength=0.0 if self._not_sent(case, sent) else UNREAD,
        )

    def explains(self, case: Case) -> NDArray[np.bool_]:
        """These rows, if they were read."""
        out, sent = np.zeros_like(case.wrong), case.seen.delivery
        if sent is not None and self._not_sent(case, sent):
            out[sent.gone] = True
        return out

    @staticmethod
    def _not_sent(case: Case, sent: Delivery) -> bool:
        """Whether rows are silent that were read.

        One that is silent between others may not have been, unless voices that need no bits are
        silent too; but then the stage or light would seldom err in it alone.
        """
        gone = sent.gone
        known = np.setdiff1d(np.arange(case.design.rows), gone)
        at_end = len(gone) and (gone.min() < known.min() or gone.max() > known.max())
        return bool(at_end or sent.unread)


class Late(Cause):
    """Notes that come after their positions."""

    name = "midi-late"
    title = "notes come late: something between player and recorder holds them up"
    repairs = (
        "connect by cable and not by radio, and close other programs that use the interface",
        "send fewer bytes: fewer voices, no chords on neighbouring positions; 31,250 baud carry "
        "about 1,000 notes a second",
    )

    def find(self, case: Case, share: float) -> Finding | None:
        """By notes later than those before and after them."""
        sent = case.seen.delivery
        if sent is None:
            return None
        late = sent.late_s * 1000
        if not sent.irregular and not len(late):
            return None
        said = (
            f"notes come {1000 * sent.jitter_s:.0f} ms early or late (standard deviation); by the "
            f"worst motor it is {1000 * sent.most_s:.0f} ms"
            if sent.irregular
            else f"at {len(late)} moments notes came later than those before and after, by "
            f"{np.median(late):.0f} ms in the middle and {late.max():.0f} ms at most"
        )
        came_all = f"{sent.lost} did not come" if sent.lost else "all that were due came"
        return self.found("notes-late", f"{said}; {came_all}")
