"""The matrix while a disc is read, as video or as a folder of pictures: no sound, no captions."""

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
    """Write the matrix while the disc is read."""
    return write_job(Job(show, options, "lights"), path)
