"""An animation as GIF.

Source: *Graphics Interchange Format, Version 89a*, CompuServe, 31 July 1990.
The loop block is the application extension ``NETSCAPE2.0`` (common practice, no
standard). Its number counts the repeats after the first play, so ``n`` plays
are stored as ``n - 1``, and one play as no block.

Delays are whole hundredths of a second. Browsers show a delay under two of them
as ten (common practice, no source), so nothing shorter is stored: see
:func:`sonify.export.animation.frames.changes`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from struct import pack
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from sonify.export.animation.comments import in_gif
from sonify.export.animation.frames import Animation, Change, Patch, Pixels, changes
from sonify.export.animation.gif_lzw import Raster, coded, present

RATE = 100
SHORTEST = 2
LONGEST = 65535

AHEAD_PATCHES = 4096
AHEAD_PIXELS = 2_000_000


def encode_gif(animation: Animation, out: BinaryIO) -> None:
    """Write an animation as GIF 89a.

    Memory does not grow with the number of patches. The palette in the file is
    ordered by use in the first patches, because low indices make short codes.

    Parameters
    ----------
    animation
        What to write.
    out
        A binary file, written from front to back.
    """
    assert animation.palette is not None
    animation, place = _ordered(animation, animation.palette)
    out.write(_head(animation))
    planned = changes(animation, RATE, shortest=SHORTEST, longest=LONGEST)
    for change, raster in coded(replace(one, new=_moved(one.new, place)) for one in planned):
        out.write(_image(change, raster))
    out.write(b"\x3b")


def uses_ahead(patches: Iterator[Patch]) -> tuple[NDArray[np.int64], list[Patch]]:
    """How many of the first patches use each colour, and these patches."""
    ahead: list[Patch] = []
    pixels = 0
    uses = np.zeros(256, np.int64)
    for patch in itertools.islice(patches, AHEAD_PATCHES):
        ahead.append(patch)
        uses += present(patch.pixels)
        pixels += patch.pixels.size
        if pixels > AHEAD_PIXELS:
            break
    return uses, ahead


def _ordered(animation: Animation, palette: Pixels) -> tuple[Animation, bytes | None]:
    """Sort the palette by the number of patches that use each colour, and say where each colour
    moves, if any does.

    If all patches were seen, unused colours are left out.
    """
    patches = iter(animation.patches)
    uses, ahead = uses_ahead(patches)
    following = list(itertools.islice(patches, 1))
    order = np.argsort(-uses[: len(palette)], kind="stable")
    if not following:
        order = order[: np.count_nonzero(uses)]
    together = itertools.chain(ahead, following, patches)
    place = np.arange(256, dtype=np.uint8)
    place[order] = place[: len(order)]
    moves = (order != np.arange(len(order))).any()
    ordered = replace(animation, patches=together, palette=palette[order])
    return ordered, place.tobytes() if moves else None


def _moved(pixels: Pixels, place: bytes | None) -> Pixels:
    """Indices in another order of the palette."""
    if place is None:
        return pixels
    # a quarter of the time of place[pixels]
    return np.frombuffer(pixels.tobytes().translate(place), np.uint8).reshape(pixels.shape)


def _head(animation: Animation) -> bytes:
    """Header, screen descriptor, colour table, loop and comment."""
    assert animation.palette is not None
    bits = max(1, (len(animation.palette) - 1).bit_length())
    table = animation.palette.tobytes().ljust(3 << bits, b"\0")
    screen = pack("<HHBBB", animation.width, animation.height, 0x80 | 7 << 4 | bits - 1, 0, 0)
    parts = [b"GIF89a", screen, table]
    if animation.loop is not None and animation.loop != 1:
        repeats = max(animation.loop - 1, 0)
        parts.append(b"\x21\xff\x0bNETSCAPE2.0\x03\x01" + pack("<H", repeats) + b"\0")
    if animation.comment:
        parts.append(in_gif(animation.comment))
    return b"".join(parts)


def _image(change: Change, raster: Raster) -> bytes:
    """Graphic control extension, image descriptor and picture data."""
    data, clear = raster
    height, width = change.new.shape
    stay = 1 << 2
    control = pack("<BHB", stay | (clear is not None), change.ticks, clear or 0)
    place = pack("<HHHHB", change.x, change.y, width, height, 0)
    return b"\x21\xf9\x04" + control + b"\0\x2c" + place + data
