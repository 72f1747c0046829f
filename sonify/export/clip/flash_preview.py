"""How a show would flash, measured before anything is written."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from sonify.export.animation.options import ClipOptions
from sonify.export.clip.film import measured
from sonify.export.clip.job import Job
from sonify.extras import require
from sonify.light.clip_settings import picture_size
from sonify.light.flash import SCREEN, Flashing

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["flashing_of"]

READ_S = 60.0
SCROLL_S = 20.0
MOST_POSITIONS = 200_000


def flashing_of(show: Performance) -> Flashing | None:
    """The worst second at the beginning of the reading and of the scroll, as a clip shows them.

    The picture has the clip's proportions on a display of 1024 by 768, to which the flash meter
    refers. None for a disc that is too large to measure quickly.
    """
    if show.disc.grid.size > MOST_POSITIONS:
        return None
    require("video")
    width, height = picture_size(show.setup.clip.size)
    scale = min(SCREEN[0] / width, SCREEN[1] / height, 1.0)
    size = f"{max(64, round(width * scale / 2) * 2)}x{max(64, round(height * scale / 2) * 2)}"
    views = ("matrix",) if show.scroll is None else ("matrix", "message")
    clip = msgspec.structs.replace(show.setup.clip, views=views, fps=60.0)
    setup = msgspec.structs.replace(show.setup, clip=clip)
    one = type(show)(show.disc, setup, show.timeline, show.grid)
    ranges = [(0.0, min(READ_S, show.message_s))]
    if show.scroll is not None:
        ranges.append((show.message_s, min(show.message_s + SCROLL_S, show.scroll.end_s)))
    found = []
    for start, end in ranges:
        options = ClipOptions(size=size, from_s=start, to_s=end, sound=False)
        found.append(measured(Job(one, options, "clip"), ".mp4"))
    return max(found, key=lambda f: f.rank)
