"""The message as it scrolls by, as a moving picture: .gif, .png (APNG) and .webp."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import numpy as np

from sonify.errors import InputError
from sonify.light.paint import Painter
from sonify.light.scroll import Scroll
from sonify.settings import Settings
from sonify.write.frames import Animation, Patch
from sonify.write.lights import MAX_FRAMES, comment, long
from sonify.write.moving import encode

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "patches", "write"]


THOROUGH_STEPS = 600
"""A longer scroll is written quickly rather than as small as can be."""


class Options(Settings, frozen=True):
    """How often to play it; 0 is for ever."""

    loop: Annotated[int, msgspec.Meta(ge=0, le=65535)] = 0


def patches(scroll: Scroll, painter: Painter) -> Iterator[Patch]:
    """A picture for each step, from its start on; only what changes is painted again."""
    before = scroll.levels(0)
    yield Patch(0.0, 0, 0, painter.picture(before))
    for step in range(1, scroll.steps):
        now = scroll.levels(step)
        leds = np.flatnonzero(now != before)
        if len(leds):
            x, y, pixels = painter.repaint(now, leds)
            yield Patch(step * scroll.column_s, x, y, pixels)
        before = now


def write(show: Performance, path: Path, options: Options) -> None:
    """Write the message as it scrolls by.

    Raises
    ------
    InputError
        A disc without a message, or one too long for this kind of file.
    """
    scroll = show.scroll
    if scroll is None:
        raise InputError(
            "this disc has no message to scroll; give it a message, or bits and a [code]",
            file=path,
        )
    if scroll.steps > MAX_FRAMES:
        raise InputError(
            f"the message would scroll for {long(scroll.end_s - scroll.start_s)} in "
            f"{scroll.steps:,} pictures; up to {MAX_FRAMES:,} are made",
            file=path,
        )
    painter = Painter(show.setup.light, show.setup.player.matrix)
    width, height = painter.size
    encode(
        Animation(
            width=width,
            height=height,
            palette=painter.palette,
            patches=patches(scroll, painter),
            end_s=scroll.end_s - scroll.start_s,
            loop=options.loop,
            comment=comment(show),
        ),
        path,
        quick=scroll.steps > THOROUGH_STEPS,
    )
