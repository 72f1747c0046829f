"""The scrolling message as a moving picture."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from sonify.export.animation.options import ClipOptions as Options
from sonify.export.animation.options import needed_scroll
from sonify.export.lights import State, matrix_within, write_matrix
from sonify.export.outcome import Outcome
from sonify.light.scroll import Scroll

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "states", "write"]


def states(scroll: Scroll) -> Iterator[State]:
    """The levels at each step; times count from the start of the scroll."""
    return ((k * scroll.column_s, scroll.levels(k)) for k in range(scroll.steps))


def write(show: Performance, path: Path, options: Options) -> Outcome:
    """Write the message as it scrolls.

    Raises
    ------
    InputError
        A disc without a message, or one too long for this kind of file.
    """
    if options.max_size is not None:
        return matrix_within(show, path, options, "message", write)
    scroll = needed_scroll(show, path)
    seconds = scroll.end_s - scroll.start_s
    return write_matrix(
        show, path, options, "message", states(scroll), scroll.steps, seconds, scroll.column_s
    )
