"""What a video file says of its time: the timecode of its first frame, and chapters."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from sonify.errors import InputError
from sonify.export.clip.plan import FramePlan

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["chapters_of", "checked_timecode"]


def checked_timecode(text: str | None, fps: Fraction) -> str:
    """A timecode for a frame rate, HH:MM:SS:FF; zero if there is none.

    Source: SMPTE ST 12-1. A semicolon before the frames means drop frame, which leaves out the
    numbers of frames 0 and 1 (of 0 to 3 at 59.94) of each minute but every tenth.

    Raises
    ------
    InputError
        It is not a timecode, or one that this frame rate does not have.
    """
    if text is None:
        return "00:00:00:00"
    count = round(fps)
    found = re.fullmatch(r"(\d\d):(\d\d):(\d\d)([:;])(\d{2,3})", text.strip())
    if found is None:
        raise InputError(
            f"'{text}' is not a timecode; write HH:MM:SS:FF, such as 10:00:00:00", key="start-at"
        )
    hours, minutes, seconds, frames = (int(found[k]) for k in (1, 2, 3, 5))
    problem = None
    if hours > 23 or minutes > 59 or seconds > 59:
        problem = "goes past 23:59:59"
    elif frames >= count:
        problem = f"has frame {frames}; at this rate they go from 0 to {count - 1}"
    elif found[4] == ";":
        dropped = {30: 2, 60: 4}.get(count, 0) if fps.denominator == 1001 else 0
        if not dropped:
            problem = "has a semicolon, for drop frame; only 29.97 and 59.94 frames/s have that"
        elif seconds == 0 and frames < dropped and minutes % 10:
            problem = f"does not exist in drop frame; the minute begins with frame {dropped}"
    if problem:
        raise InputError(f"the timecode {text} {problem}", key="start-at")
    return text.strip()


def chapters_of(show: Performance, plan: FramePlan) -> list[dict[str, Any]]:
    """A chapter for each title, row and message of a clip, as PyAV takes them, in frames."""
    t = show.timeline
    starts = [(float(s), f"Row {k + 1}") for k, s in enumerate(t.row_start_s())]
    if show.scroll is not None:
        starts.append((show.scroll.start_s, "Message"))
    found: list[tuple[int, str]] = []
    for part in plan.parts:
        if part.kind != "piece":
            name = show.disc.display_name if part.kind == "title" else "Credits"
            found.append((part.first, name))
            continue
        passes = len(plan.pieces)
        which = f", pass {plan.pieces.index(part) + 1} of {passes}" if passes > 1 else ""
        for k, (start, name) in enumerate(starts):
            ends = starts[k + 1][0] if k + 1 < len(starts) else float("inf")
            at = part.first + max(0, round((start - part.start_s) * plan.fps))
            if ends > part.start_s and at < part.first + part.frames and start < plan.end_s:
                found.append((at, name + which))
    ends_at = [at for at, _ in found[1:]] + [plan.frames]
    return [
        {"id": k, "start": at, "end": end, "time_base": 1 / plan.fps, "metadata": {"title": name}}
        for k, ((at, name), end) in enumerate(zip(found, ends_at, strict=True))
        if end > at
    ]
