"""The plan of a clip: what each frame shows.

Frame k stands for the time from k / fps to (k + 1) / fps and shows the middle of it, so that what
happens at any moment is first seen in a frame that begins at most half a frame away from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from sonify.errors import RANGE_HINT, InputError
from sonify.export.animation.options import ClipOptions, span_of
from sonify.light.clip_settings import Clip, frame_rate

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["ClipOptions", "FramePlan", "Segment", "plan_of"]

RING_S = 1.5
"""How long the last note of a clip without a message may ring."""
MAX_FRAMES = 12 * 3600 * 120
_FUZZ = 1e-9


@dataclass(frozen=True)
class Segment:
    """Some frames one after the other.

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
    """

    fps: Fraction
    parts: tuple[Segment, ...]
    start_s: float
    end_s: float

    @property
    def frames(self) -> int:
        """How many frames in all."""
        return self.parts[-1].first + self.parts[-1].frames

    @property
    def seconds(self) -> float:
        """How long it is."""
        return float(self.frames / self.fps)

    def piece_time(self, part: Segment, frame: int) -> float:
        """The moment of the piece (or of a title) that a frame shows, in s."""
        halves = 2 * (frame - part.first) + 1
        return part.start_s + halves * self.fps.denominator / (2 * self.fps.numerator)

    @property
    def pieces(self) -> list[Segment]:
        """The parts that show the piece, one for each time that it is played."""
        return [p for p in self.parts if p.kind == "piece"]


def piece_end(show: Performance, clip: Clip, sound: bool) -> float:
    """When the piece ends in a clip, in s: with the message, or when all has been read."""
    end = show.message_s
    if sound and len(show.notes):
        end = max(end, float((show.notes["onset_s"] + show.notes["duration_s"]).max()) + RING_S)
    if "message" in clip.views and show.scroll is not None:
        end = max(end, show.scroll.end_s)
    return end


def plan_of(show: Performance, clip: Clip, options: ClipOptions, loops: int = 1) -> FramePlan:
    """The plan of a clip.

    Parameters
    ----------
    show : Performance
    clip : Clip
    options : ClipOptions
    loops : int
        How often the range is shown, one after the other.

    Raises
    ------
    InputError
        A range outside the piece, a rate that is not offered, or a clip that is too long.
    """
    fps = frame_rate(options.fps if options.fps is not None else clip.fps)
    start, end = span_of(show, options, piece_end(show, clip, options.sound))
    frames = max(1, math.ceil((end - start) * fps - _FUZZ))
    parts: list[Segment] = []
    at = 0

    def add(kind: str, count: int, from_s: float) -> None:
        nonlocal at
        parts.append(Segment(kind, at, count, from_s))
        at += count

    still = round(clip.title_s * fps)
    views = clip.views
    others = [k for k, name in enumerate(views) if name != "title"]
    titles = [k for k, name in enumerate(views) if name == "title"]
    if not others:
        add("title", still, 0.0)
        return FramePlan(fps, tuple(parts), 0.0, 0.0)
    if any(k < others[0] for k in titles):
        add("title", still, 0.0)
    for _ in range(loops):
        add("piece", frames, start)
    if any(k > others[0] for k in titles):
        add("credits", still, 0.0)
    if at > MAX_FRAMES:
        raise InputError(
            f"the clip would have {at:,} frames; the most is {MAX_FRAMES:,}",
            key="fps",
            hint=RANGE_HINT,
        )
    return FramePlan(fps, tuple(parts), start, end)
