"""Captions beside a clip: SubRip (.srt) and WebVTT (.vtt).

Sources: WebVTT, W3C Candidate Recommendation. SubRip has no standard; it is written the way players
read it (common practice).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sonify.atomic import write_data
from sonify.export.clip.plan import FramePlan
from sonify.light.captions import Decoded

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["cues_of", "write_subtitles"]

# Characters in a line.
WIDEST = 37
# How long the last line stays at most.
STAY_S = 4.0

Cue = tuple[float, float, str]


def lines_of(text: str) -> list[tuple[int, int]]:
    """Where lines begin and end, broken between words if possible."""
    out = []
    start = 0
    while start < len(text):
        end = min(start + WIDEST, len(text))
        if end < len(text):
            space = text.rfind(" ", start, end)
            end = space + 1 if space > start else end
        out.append((start, end))
        start = end
    return out


def cues_of(show: Performance, plan: FramePlan) -> list[Cue]:
    """When each text is shown, in s of the clip; lines grow character by character."""
    decoded = Decoded(show.captions)
    if not len(decoded):
        return []
    times = decoded.times.tolist()
    line_of = [a for a, b in lines_of(decoded.text) for _ in range(a, b)]
    cues: list[Cue] = []
    for part in plan.pieces:
        offset = float(part.first / plan.fps) - plan.start_s
        end_s = plan.start_s + float(part.frames / plan.fps)
        for k, begin in enumerate(times):
            until = times[k + 1] if k + 1 < len(times) else begin + STAY_S
            a, b = max(begin, plan.start_s), min(until, end_s)
            shown = decoded.shown(k + 1, line_of[decoded.end(k + 1) - 1]).rstrip()
            if b - a < 0.0005 or not shown:
                continue
            if cues and cues[-1][2] == shown and abs(cues[-1][1] - (a + offset)) < 0.0005:
                cues[-1] = (cues[-1][0], b + offset, shown)
            else:
                cues.append((a + offset, b + offset, shown))
    return cues


def _clock(seconds: float, point: str) -> str:
    ms = round(seconds * 1000)
    h, rest = divmod(ms, 3_600_000)
    m, rest = divmod(rest, 60_000)
    return f"{h:02d}:{m:02d}:{rest // 1000:02d}{point}{rest % 1000:03d}"


def write_subtitles(show: Performance, plan: FramePlan, path: Path) -> tuple[Path, ...]:
    """Write .srt and .vtt beside a clip, and return their paths."""
    cues = cues_of(show, plan)
    srt, vtt = [], ["WEBVTT\n"]
    for n, (a, b, text) in enumerate(cues, 1):
        srt.append(f"{n}\n{_clock(a, ',')} --> {_clock(b, ',')}\n{text}\n")
        safe = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        vtt.append(f"{_clock(a, '.')} --> {_clock(b, '.')}\n{safe}\n")
    out = []
    for suffix, parts in ((".srt", srt), (".vtt", vtt)):
        target = path.with_name(path.stem + suffix)
        write_data(target, "\n".join(parts) + ("\n" if parts else ""))
        out.append(target)
    return tuple(out)
