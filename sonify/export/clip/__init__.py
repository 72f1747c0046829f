"""Clips: the show as a video or as pictures, with its sound."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sonify.export.animation.options import ClipOptions as Options
from sonify.export.clip.job import Job, write_job
from sonify.export.outcome import Outcome

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "write"]


def write(show: Performance, path: Path, options: Options, what: str = "clip") -> Outcome:
    """Write a clip, or of "lights" or "message" the bare matrix.

    Raises
    ------
    InputError
        A size, frame rate or range that is not available, or a look that this kind of file
        can't hold.
    """
    return write_job(Job(show, options, what), path)
