"""Clips: the show as video or as pictures, with its sound."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sonify.export.clip.job import Job, write_job
from sonify.export.clip.plan import Options
from sonify.export.outcome import Outcome

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "write"]


def write(show: Performance, path: Path, options: Options) -> Outcome:
    """Write a clip.

    Raises
    ------
    InputError
        A size, a rate or a range that can't be, or a look that this kind of file can't hold.
    """
    return write_job(Job(show, options, "clip"), path)
