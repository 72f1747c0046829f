"""The matrix while a disc is read, as a moving picture: .gif, .png (APNG) and .webp."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.metered import Metered
from sonify.export.animation.moving import encode
from sonify.export.animation.options import Options
from sonify.export.animation.patch_comment import PLACEHOLDER
from sonify.export.outcome import Outcome, comment_of
from sonify.light.paint import Painter

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["MAX_FRAMES", "Options", "patches", "write"]

MAX_FRAMES = 50_000


def span_of(show: Performance, options: Options) -> tuple[float, float]:
    """The range that is asked for, in s.

    Raises
    ------
    InputError
        A range that is not one, or that lies outside the piece.
    """
    # the last picture stays for as long as the player rests before the message
    end = show.message_s
    start = 0.0
    if options.rows is not None:
        start, last = show.timeline.span_of_rows(options.rows)
        end = min(end, last)
    if options.from_s is not None:
        start = options.from_s
    if options.to_s is not None:
        end = min(options.to_s, show.message_s)
    if start >= end:
        raise InputError(
            f"the range {start:g} s to {end:g} s holds nothing; the piece is read from 0 to "
            f"{show.message_s:.2f} s",
            place="--from, --to",
        )
    return start, end


def patches(show: Performance, painter: Painter, start: float, end: float) -> Iterator[Patch]:
    """The whole picture at `start`, then what changes until `end`; times from `start` on."""
    lights = show.lights
    matrix = show.setup.player.matrix
    time = np.ascontiguousarray(lights["time_s"])
    led = np.ascontiguousarray(lights["led"])
    level = np.ascontiguousarray(lights["level"])
    now: NDArray[np.uint8] = np.zeros(matrix.lamps, np.uint8)
    first = int(np.searchsorted(time, start, side="right"))
    stop = int(np.searchsorted(time, end, side="left"))
    now[led[:first]] = 0
    # of several changes of a lamp, the last one in time stands
    now[led[:first]] = level[:first]
    grid = now.reshape(matrix.height, matrix.width)
    yield Patch(0.0, 0, 0, painter.picture(grid))
    moments = np.flatnonzero(np.diff(time[first:stop], prepend=-1.0)) + first
    for a, b in zip(moments, np.append(moments[1:], stop), strict=True):
        now[led[a:b]] = level[a:b]
        x, y, pixels = painter.repaint(grid, led[a:b])
        yield Patch(float(time[a]) - start, x, y, pixels)


def count_frames(show: Performance, start: float, end: float) -> int:
    """How many pictures a range holds at most, told without making any."""
    t = show.timeline
    return round((end - start) / t.position_s)


def needs_film(show: Performance, options: Options) -> bool:
    """Whether a picture can't be made of a palette's colours, one change after the other."""
    look = show.setup.light
    return not options.plain or not look.plain or look.fade > 0


def write(show: Performance, path: Path, options: Options) -> Outcome:
    """Write the matrix while the disc is read.

    Raises
    ------
    InputError
        A range outside the piece, or a piece too long for this kind of file.
    """
    start, end = span_of(show, options)
    count = count_frames(show, start, end)
    if count > MAX_FRAMES:
        raise InputError(
            f"it would last {long(end - start)} and hold {count:,} pictures; up to "
            f"{MAX_FRAMES:,} are made: give a range with --rows or with --from and --to",
            file=path,
        )
    if needs_film(show, options):
        from sonify.export.clip import lights as film

        return film.write(show, path, options)
    painter = Painter(show.setup.light, show.setup.player.matrix)
    return encode_metered(
        show, painter, patches(show, painter, start, end), end - start, options, path
    )


def encode_metered(
    show: Performance,
    painter: Painter,
    pictures: Iterator[Patch],
    end_s: float,
    options: Options,
    path: Path,
) -> Outcome:
    """Write pictures of a matrix, and measure what they flash."""
    width, height = painter.size
    metered = Metered(width, height, painter.palette)
    encode(
        Animation(
            width=width,
            height=height,
            palette=painter.palette,
            patches=metered.of(pictures),
            end_s=end_s,
            loop=options.loop or 0,
            comment=PLACEHOLDER,
        ),
        path,
        lambda: comment_of(comment(show), metered.worst),
    )
    return Outcome(metered.worst, end_s)


def comment(show: Performance) -> str:
    """What a file says of itself."""
    return show.disc.title or show.disc.name


def long(seconds: float) -> str:
    """A time in words."""
    if seconds < 90:
        return f"{seconds:.1f} s"
    if seconds < 5400:
        return f"{seconds / 60:.1f} min"
    return f"{seconds / 3600:,.1f} h"
