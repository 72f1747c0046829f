"""What to know of a recording beside its faults: what is missing, and what is taken for granted."""

from __future__ import annotations

import numpy as np

from sonify.disc.report import plural
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.observed import Observed

__all__ = ["cautions_of"]


def cautions_of(seen: Observed, design: Design, listening: Listening | None) -> tuple[str, ...]:
    """One line for each thing that a report can't tell, or takes for granted."""
    out = list(seen.remarks)
    if listening is not None and listening.vague:
        out.append(
            f"this preset lost the bits ({listening.about}), and which row and position its notes "
            "belong to can't be told for sure: only the speed can"
        )
    elif listening is not None and not listening.exact:
        out.append(
            f"this preset lost the bits ({listening.about}): notes are compared, and an error "
            "is where a note is missing or too many; the speed and the rows' times can still be "
            "told"
        )
    elif listening is not None and seen.told < 1:
        out.append(
            f"{listening.about} at {100 * seen.told:.0f} % of the places: bits elsewhere are "
            "taken to be right"
        )
    last, last_row = int(seen.alignment.start[-1]), len(seen.alignment.start)
    if seen.heard is not None and last >= len(seen.heard.seen) and (seen.under[-1] >= 0).any():
        slot = len(seen.heard.seen) - 1
        row = int(np.searchsorted(seen.alignment.start, slot, "right"))
        position = _position(seen, design, max(row - 1, 0), slot)
        out.append(
            f"no note came after row {row} position {position}: if the recording was stopped "
            f"there, the errors after it, all of row {last_row} too, are none"
        )
    out += _cut_rows(seen, design)
    unread = int(np.count_nonzero(seen.bits < 0))
    if unread:
        out.append(f"{plural(unread, 'position')} not in the recording, or not to be told from it")
    return tuple(out)


def _position(seen: Observed, design: Design, r: int, slot: int) -> int:
    """The position, counted from 1, of a slot in which a row was read."""
    from_start = slot - int(seen.alignment.start[r])
    return 1 + (from_start if design.index else (slot + seen.alignment.phase) % design.positions)


def _cut_rows(seen: Observed, design: Design) -> list[str]:
    """Where the recording begins within the first row, or ends within the last."""
    if seen.heard is None:
        return []
    out = []
    n = design.positions
    for r, when, what in ((0, "before", "begun late"), (-1, "after", "stopped early")):
        there = np.flatnonzero(seen.under[r, :n] >= 0)
        if 0 < len(there) < n:
            slot = int(seen.alignment.start[r]) + int(there[0 if r == 0 else -1])
            position = _position(seen, design, r, slot)
            row = 1 if r == 0 else len(seen.alignment.start)
            out.append(
                f"no note came {when} row {row} position {position}, and the recording counts as "
                f"{what}; if it was not, the notes there were missed"
            )
    return out
