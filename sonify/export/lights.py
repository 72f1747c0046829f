"""The matrix while a disc is read, as a moving picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import takewhile, tee
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import RANGE_HINT, InputError
from sonify.export.animation.fitting import Write, write_within
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.gif import uses_ahead
from sonify.export.animation.metered import Metered
from sonify.export.animation.moving import ENCODERS, encode
from sonify.export.animation.options import ClipOptions as Options
from sonify.export.clip.job import Job
from sonify.export.outcome import Outcome, comment_of
from sonify.export.span import span_of
from sonify.light.lamp_levels import LampLevels
from sonify.light.paint import Painter
from sonify.light.renderer import Shown
from sonify.light.test_pattern import pattern, pattern_s

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "State", "patches", "states", "write", "write_matrix", "write_pattern"]

# Own limit: a GIF of that many pictures takes some minutes.
MAX_FRAMES = 50_000

# A time in s, and what all lamps show from then on, shape (height, width).
State = tuple[float, Shown]


def states(show: Performance, start: float, end: float) -> Iterator[State]:
    """The levels at `start`, then at each change until `end`; times count from `start`."""
    lamps = LampLevels(show.lights, show.setup.player.matrix)
    yield 0.0, lamps.at(start)
    changes = lamps.time[(lamps.time > start) & (lamps.time < end)]
    for time_s in changes[np.diff(changes, prepend=-1.0) > 0].tolist():
        yield time_s - start, lamps.at(time_s)


def patches(painter: Painter, states: Iterable[State]) -> Iterator[Patch]:
    """The whole picture first, then the parts that change."""
    for time_s, levels in states:
        if (part := painter.update(levels)) is not None:
            yield Patch(time_s, *part)


def write(show: Performance, path: Path, options: Options) -> Outcome:
    """Write the matrix while the disc is read.

    Raises
    ------
    InputError
        A range outside the piece, or a piece too long for this kind of file.
    """
    if options.max_size is not None:
        return matrix_within(show, path, options, "lights", write)
    # the last picture stays during the player's pause before the message
    start, end = span_of(show, options, show.message_s, show.message_s)
    count = round((end - start) / show.timeline.least_s)
    return write_matrix(show, path, options, "lights", states(show, start, end), count, end - start)


def write_matrix(
    show: Performance,
    path: Path,
    options: Options,
    what: str,
    states: Iterable[State],
    count: int,
    seconds: float,
    step_s: float = 0.0,
) -> Outcome:
    """Write the matrix in some states, at most `count` of them. If they are the steps of a scroll,
    `step_s` is how long each lasts.

    What a palette and single changes can't show is written frame by frame, like a clip.
    """
    animated = path.suffix.casefold() in ENCODERS
    if animated and count > MAX_FRAMES:
        raise InputError(
            f"it would last {_long(seconds)} and have {count:,} pictures; "
            f"the most is {MAX_FRAMES:,}",
            file=path,
            hint=RANGE_HINT if what == "lights" else "",
        )
    seconds = seconds if options.duration is None else options.duration
    if not _painted(show, path, options):
        from sonify.export import clip

        return clip.write(show, path, options, what)
    painter = Painter(show.setup.light, show.setup.player.matrix)
    states = takewhile(lambda one: one[0] < seconds, states)
    scrolling = painter.grid if step_s else None
    if scrolling and path.suffix.casefold() == ".gif":
        # in the order in which the file has them, colours need not be moved in each picture
        states, ahead = tee(states)
        painter.sort_palette(uses_ahead(patches(painter, ahead))[0])
        del ahead  # or all states would be kept for it
    metered = Metered(*painter.size, painter.palette, scrolling, step_s)
    animation = Animation(
        *painter.size,
        palette=painter.palette,
        patches=metered.of(patches(painter, states)),
        end_s=seconds,
        loop=options.loop or 0,
    )
    encode(animation, path, lambda: comment_of(show.disc.display_name, metered.worst))
    return Outcome(metered.worst, seconds)


def write_pattern(show: Performance, path: Path) -> Outcome:
    """Write the test pattern of the matrix as an animation.

    Raises
    ------
    InputError
        Another kind of file, or too many lamps.
    """
    wiring = show.wiring
    if path.suffix.casefold() not in ENCODERS:
        raise InputError(f"the test pattern is one of: {', '.join(ENCODERS)}", file=path)
    shown, seconds = pattern(wiring), pattern_s(wiring)
    return write_matrix(show, path, Options(), "test pattern", shown, wiring.length, seconds)


def _painted(show: Performance, path: Path, options: Options) -> bool:
    """Whether a palette and single changes can show it."""
    look = show.setup.light
    still = look.plain and look.fade == 0 and look.view == "front"
    return path.suffix.casefold() in ENCODERS and options.plain and still


def matrix_within(
    show: Performance, path: Path, options: Options, what: str, write: Write
) -> Outcome:
    """Write the matrix within the size that the options allow."""
    size = None if _painted(show, path, options) else Job(show, options, what).size
    return write_within(show, path, options, write, size)


def _long(seconds: float) -> str:
    """A length for people."""
    if seconds < 90:
        return f"{seconds:.1f} s"
    if seconds < 5400:
        return f"{seconds / 60:.1f} min"
    return f"{seconds / 3600:,.1f} h"
