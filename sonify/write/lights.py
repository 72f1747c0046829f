"""The matrix while a disc is read, as a moving picture: .gif, .png (APNG) and .webp."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.light.paint import Painter
from sonify.settings import Settings
from sonify.write.frames import Animation, Patch
from sonify.write.moving import encode

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["MAX_FRAMES", "Options", "patches", "write"]

MAX_FRAMES = 50_000


class Options(Settings, frozen=True):
    """A range in seconds or rows (counted from 1, both ends in), and how often to play it."""

    from_s: Annotated[float, msgspec.Meta(ge=0)] | None = None
    to_s: Annotated[float, msgspec.Meta(gt=0)] | None = None
    rows: str | None = None
    loop: Annotated[int, msgspec.Meta(ge=0, le=65535)] = 0


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
        first, last = _row_range(options.rows, show.timeline.rows)
        begin = show.timeline.row_start_s()
        start = float(begin[first])
        end = float(begin[last + 1]) if last + 1 < len(begin) else end
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


def _row_range(text: str, rows: int) -> tuple[int, int]:
    first, dash, last = text.partition("-")
    try:
        a = int(first)
        b = int(last) if dash else a
    except ValueError:
        raise InputError(
            f"'{text}' is no range of rows; write such as 3 or 1-4", place="--rows"
        ) from None
    if not 1 <= a <= b <= rows:
        raise InputError(
            f"rows {text} are not there; the disc has rows 1 to {rows}", place="--rows"
        )
    return a - 1, b - 1


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


def write(show: Performance, path: Path, options: Options) -> None:
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
    painter = Painter(show.setup.light, show.setup.player.matrix)
    width, height = painter.size
    encode(
        Animation(
            width=width,
            height=height,
            palette=painter.palette,
            patches=patches(show, painter, start, end),
            end_s=end - start,
            loop=options.loop,
            comment=comment(show),
        ),
        path,
    )


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
