"""The message as it scrolls by, as a moving picture: .gif, .png (APNG) and .webp."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import InputError
from sonify.export.animation.frames import Patch
from sonify.export.animation.lights import MAX_FRAMES, encode_metered, long, needs_film
from sonify.export.animation.options import Options
from sonify.export.outcome import Outcome
from sonify.light.paint import Painter
from sonify.light.scroll import Scroll

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "patches", "write"]


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


def write(show: Performance, path: Path, options: Options) -> Outcome:
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
    if needs_film(show, options):
        from sonify.export.clip import message as film

        return film.write(show, path, options)
    painter = Painter(show.setup.light, show.setup.player.matrix)
    return encode_metered(
        show,
        painter,
        patches(scroll, painter),
        scroll.end_s - scroll.start_s,
        options,
        path,
    )
