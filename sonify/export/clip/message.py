"""The message scrolling by, as video or as a folder of pictures."""

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
    """Write the message as it scrolls by."""
    return write_job(Job(show, options, "message"), path)
