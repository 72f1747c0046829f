"""What to know of a recording besides its faults: what is missing, and what is assumed."""

from __future__ import annotations

import numpy as np

from sonify.disc.report import plural
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.observed import NotesBySlot, Observed

__all__ = ["cautions_of"]


def cautions_of(
    seen: Observed, design: Design, listening: Listening | None, fits: bool
) -> tuple[str, ...]:
    """One line for each thing that a report can't say, or assumes."""
    out = list(seen.remarks)
    if not fits:
        out.append(
            "the fault named spoils the recording so much that nothing shows whether it is of this "
            "disc: repair that first, then record again"
        )
    if listening is not None and listening.vague:
        out.append(
            f"this preset lost the bits ({listening.about}), and its notes can't be assigned to "
            "rows and positions for sure: only the speed is known"
        )
    elif listening is not None and not listening.exact:
        out.append(
            f"this preset lost the bits ({listening.about}): notes are compared, and an error is a "
            "missing or an added note; the speed and the times of the rows are still known"
        )
    elif listening is not None and seen.told < 1:
        out.append(
            f"{listening.about} at {100 * seen.told:.0f} % of the places; bits elsewhere are "
            "assumed to be correct"
        )
    if seen.heard is not None:
        out += _silence(seen, seen.heard, design)
    unread = int(np.count_nonzero(seen.bits < 0))
    if unread:
        out.append(f"{plural(unread, 'position')} not in the recording, or not known from it")
    if unread and (seen.bits[0] < 0).all():
        out.append(
            "nothing of row 1 is in the recording: if it began before the player did, the stage "
            "was late, and rows were read in the places of others; record again from before the "
            "start"
        )
    return tuple(out)


def _silence(seen: Observed, heard: NotesBySlot, design: Design) -> list[str]:
    """Where silence at an end of the recording may be the player's or the recorder's."""
    start, rows, out = seen.alignment.start, design.rows, []

    def place(r: int, slot: int) -> str:
        first = 0 if design.index else int(start[r]) + seen.alignment.phase
        return f"position {1 + (first + slot - int(start[r])) % design.positions}"

    if start[-1] >= len(heard.seen) and (seen.under[-1] >= 0).any():
        slot = len(heard.seen) - 1
        r = int(np.searchsorted(start, slot, "right"))
        out.append(
            f"no note came after row {r} {place(max(r - 1, 0), slot)}: if the recording was "
            f"stopped there, the errors after it, including all of row {rows}, are none"
        )
    for r, when, what in ((0, "before", "begun late"), (rows - 1, "after", "stopped early")):
        there = np.flatnonzero(seen.under[r, : design.positions] >= 0)
        if 0 < len(there) < design.positions:
            slot = int(start[r]) + int(there[-1 if r else 0])
            out.append(
                f"no note came {when} row {r + 1} {place(r, slot)}, and the recording counts as "
                f"{what}; if it was not, the notes there were missed"
            )
    return out
