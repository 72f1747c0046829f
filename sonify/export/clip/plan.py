"""The plan of a clip: what each frame shows.

Frame k stands for the time from k / fps to (k + 1) / fps and shows its middle, so every event first
appears in a frame that begins at most half a frame away from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from sonify.errors import RANGE_HINT, InputError
from sonify.export.animation.moving import ENCODERS
from sonify.export.animation.options import needed_scroll
from sonify.export.clip.job import Job
from sonify.export.span import span_of
from sonify.light.clip_settings import frame_rate

__all__ = ["FramePlan", "Segment", "plan_of"]

STILL_FPS = 25.0  # frames per second of .gif, .png and .webp if not given (own choice)
JOIN_S = 0.5  # how long the end of a seamless clip takes to become its start (own choice)
RING_S = 1.5  # how long the last note of a clip without a message may ring
MAX_FRAMES = 12 * 3600 * 120
_FUZZ = 1e-9


@dataclass(frozen=True)
class Segment:
    """Consecutive frames.

    Attributes
    ----------
    kind : str
        "title", "piece" or "credits".
    first, frames : int
        The first frame in the clip, and how many.
    start_s : float
        Where in the piece it begins; 0 for titles.
    """

    kind: str
    first: int
    frames: int
    start_s: float


@dataclass(frozen=True)
class FramePlan:
    """What each frame of a clip shows.

    Attributes
    ----------
    fps : Fraction
    parts : tuple of Segment
    start_s, end_s : float
        The range of the piece.
    join : int
        How many of the last frames turn into what comes before the first one.
    """

    fps: Fraction
    parts: tuple[Segment, ...]
    start_s: float
    end_s: float
    join: int = 0

    @property
    def frames(self) -> int:
        """The number of frames."""
        return self.parts[-1].first + self.parts[-1].frames

    @property
    def seconds(self) -> float:
        """The length."""
        return float(self.frames / self.fps)

    def piece_time(self, part: Segment, frame: int) -> float:
        """The moment of the piece (or of a title) that a frame shows, in s."""
        halves = 2 * (frame - part.first) + 1
        time_s = part.start_s + halves * self.fps.denominator / (2 * self.fps.numerator)
        return min(time_s, self.end_s - _FUZZ) if part.kind == "piece" else time_s

    @property
    def pieces(self) -> list[Segment]:
        """The parts that show the piece, one for each time it plays."""
        return [p for p in self.parts if p.kind == "piece"]


def plan_of(job: Job, suffix: str) -> FramePlan:
    """The plan of a clip for a kind of file.

    Raises
    ------
    InputError
        A range outside the piece, a frame rate that is not available, a clip that is too long, or
        a length that titles exceed.
    """
    show, options, views = job.show, job.options, job.clip.views
    moving = suffix in ENCODERS
    fps = frame_rate(options.fps or (STILL_FPS if moving else job.clip.fps))
    still = ("title", round(job.clip.title_s * fps), 0.0)
    others = [k for k, name in enumerate(views) if name != "title"]
    total = None if options.duration is None else max(1, round(options.duration * fps))
    if not others:
        return FramePlan(fps, (Segment("title", 0, total or still[1], 0.0),), 0.0, 0.0)
    if job.what == "message":
        scroll = needed_scroll(show)
        start, end = scroll.start_s, scroll.end_s
    else:
        start, end = span_of(show, options, _piece_end(job), show.message_s)
    # a frame belongs to the range if its middle does
    frames = max(1, math.ceil((end - start) * fps - Fraction(1, 2)))
    before = [still] if views[0] == "title" else []
    after = [("credits", *still[1:])] if "title" in views[others[0] :] else []
    passes = [frames] * (1 if moving else max(1, options.loop or 1))
    if total is not None:
        left = total - sum(count for _, count, _ in (*before, *after))
        if left < 1:
            raise InputError(
                f"titles take {float((total - left) / fps):g} s, so a clip of "
                f"{float(total / fps):g} s has no room for anything else",
                key="duration",
                hint="make {clip.title-s} shorter",
            )
        passes = _filled(frames, left, None if options.loop == 0 and not moving else len(passes))
    kinds = [*before, *(("piece", count, start) for count in passes), *after]
    parts: list[Segment] = []
    at = 0
    for kind, count, from_s in kinds:
        parts.append(Segment(kind, at, count, from_s))
        at += count
    if at > MAX_FRAMES:
        raise InputError(
            f"the clip would have {at:,} frames; the most is {MAX_FRAMES:,}",
            key="fps",
            hint=RANGE_HINT,
        )
    join = min(round(JOIN_S * fps), at // 4) if options.seamless else 0
    return FramePlan(fps, tuple(parts), start, end, join)


def _filled(frames: int, total: int, most: int | None) -> list[int]:
    """The frames of each pass that fill a length: the last one is cut, or stays to the end."""
    count = -(-total // frames)
    count = count if most is None else min(count, most)
    return [frames] * (count - 1) + [total - frames * (count - 1)]


def _piece_end(job: Job) -> float:
    """When the piece ends, in s: with the message, or when everything has been read."""
    show = job.show
    end = show.message_s
    if job.sound and len(show.notes):
        end = max(end, float((show.notes["onset_s"] + show.notes["duration_s"]).max()) + RING_S)
    if "message" in job.clip.views and show.scroll is not None:
        end = max(end, show.scroll.end_s)
    return end
