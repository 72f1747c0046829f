"""An animation as APNG.

Source: *Portable Network Graphics (PNG) Specification (Third Edition)*, W3C Recommendation: chunks
acTL, fcTL and fdAT.

A palette is stored with 8 bits per pixel: with fewer, ffmpeg (seen in version 5.1) misplaces any
rectangle smaller than the picture, and deflate makes up for most of the difference. A change is
stored as its rectangle, which replaces what was there. Delays are whole milliseconds, because
Chromium cuts off what is beyond them.
Browsers show a delay of 10 ms or less as 100 ms (common practice, no source), so nothing shorter
than 11 ms is stored.
"""

from __future__ import annotations

import io
import os
from struct import pack, unpack_from
from typing import BinaryIO

from sonify.export.animation.comments import in_png, png_chunk
from sonify.export.animation.frames import Animation, Pixels, cached, changes

RATE = 1000
SHORTEST = 11
LONGEST = 65535

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def encode_apng(animation: Animation, out: BinaryIO) -> None:
    """Write an animation as APNG.

    Memory does not grow with the number of patches.

    Parameters
    ----------
    animation
        What to write.
    out : file
        A binary file that can seek.
    """
    plays = 1 if animation.loop is None else animation.loop
    out.write(SIGNATURE)
    count = sequence = 0
    for change in changes(animation, RATE, shortest=SHORTEST, longest=LONGEST):
        if count == 0:
            kind = 3 if change.new.ndim == 2 else 2 if change.new.shape[2] == 3 else 6
            size = pack(">II", animation.width, animation.height)
            out.write(png_chunk(b"IHDR", size + bytes([8, kind, 0, 0, 0])))
            count_at = out.tell()
            out.write(png_chunk(b"acTL", pack(">II", 0, plays)))
            if animation.comment:
                out.write(in_png(animation.comment))
            if animation.palette is not None:
                out.write(png_chunk(b"PLTE", animation.palette.tobytes()))
        height, width = change.new.shape[:2]
        place = pack(">IIIII", sequence, width, height, change.x, change.y)
        stay = pack(">HHBB", change.ticks, RATE, 0, 0)
        out.write(png_chunk(b"fcTL", place + stay))
        sequence += 1
        data = _data(change.new)
        if count == 0:
            out.write(png_chunk(b"IDAT", data))
        else:
            out.write(png_chunk(b"fdAT", pack(">I", sequence) + data))
            sequence += 1
        count += 1
    out.write(png_chunk(b"IEND", b""))
    out.seek(count_at)
    out.write(png_chunk(b"acTL", pack(">II", count, plays)))
    out.seek(0, os.SEEK_END)


@cached
def _data(pixels: Pixels) -> bytes:
    """The contents of a picture's IDAT chunks, as Pillow codes it."""
    from PIL import Image

    image, still = Image.fromarray(pixels), io.BytesIO()
    if pixels.ndim == 2:
        # with a palette, Pillow stores rows without a filter, which suits indices
        image.putpalette(bytes(768))
        image.save(still, "PNG", bits=8, compress_level=9)
    else:
        image.save(still, "PNG")
    file, at, out = still.getvalue(), len(SIGNATURE), b""
    while at < len(file):
        size, kind = unpack_from(">I4s", file, at)
        if kind == b"IDAT":
            out += file[at + 8 : at + 8 + size]
        at += 12 + size
    return out
