"""An animation as APNG.

Source: *Portable Network Graphics (PNG) Specification (Third Edition)*, W3C
Recommendation: chunks acTL, fcTL and fdAT.

The image is indexed, 8 bits a pixel: at fewer bits ffmpeg (seen in version 5.1)
puts a rectangle that is not the whole picture in the wrong place, and deflate
makes up for most of the difference. A change is stored as its rectangle, which
replaces what was there. A delay is the fraction nearest to the exact time that
is left to the next change, so errors do not add up. Browsers show a delay of
10 ms or less as 100 ms (common practice, no source), so nothing shorter than
11 ms is stored.
"""

from __future__ import annotations

import os
import zlib
from fractions import Fraction
from struct import pack
from typing import BinaryIO

import numpy as np

from sonify.export.animation.frames import Animation, Pixels, cached, changes

RATE = 1_000_000_000
SHORTEST = RATE * 11 // 1000
LONGEST = 65535 * RATE
MOST = 65535
DEPTH = 8

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

    Raises
    ------
    ValueError
        If the patches break the rules of :class:`Animation`.
    """
    plays = 1 if animation.loop is None else animation.loop
    header = pack(">IIBBBBB", animation.width, animation.height, DEPTH, 3, 0, 0, 0)
    out.write(SIGNATURE + _chunk(b"IHDR", header))
    count_at = out.tell()
    out.write(_chunk(b"acTL", pack(">II", 0, plays)))
    if animation.comment:
        out.write(text_chunk(animation.comment))
    out.write(_chunk(b"PLTE", animation.palette.tobytes()))
    count = sequence = 0
    ideal = Fraction(0)
    stored = 0.0
    for change in changes(animation, RATE, shortest=SHORTEST, longest=LONGEST):
        ideal += Fraction(change.ticks, RATE)
        delay = nearest_delay(float(ideal) - stored)
        stored += delay.numerator / delay.denominator
        height, width = change.new.shape
        frame = pack(
            ">IIIIIHHBB",
            sequence,
            width,
            height,
            change.x,
            change.y,
            delay.numerator,
            delay.denominator,
            0,
            0,
        )
        out.write(_chunk(b"fcTL", frame))
        sequence += 1
        data = _data(change.new)
        if count == 0:
            out.write(_chunk(b"IDAT", data))
        else:
            out.write(_chunk(b"fdAT", pack(">I", sequence) + data))
            sequence += 1
        count += 1
    out.write(_chunk(b"IEND", b""))
    out.seek(count_at)
    out.write(_chunk(b"acTL", pack(">II", count, plays)))
    out.seek(0, os.SEEK_END)


def nearest_delay(seconds: float) -> Fraction:
    """Return the nearest fraction of two 16-bit numbers."""
    if seconds <= 0:
        return Fraction(0)
    least = MOST if seconds <= 1 else max(1, int(MOST / seconds))
    return min(Fraction(seconds).limit_denominator(least), Fraction(MOST))


def _chunk(kind: bytes, data: bytes) -> bytes:
    return pack(">I", len(data)) + kind + data + pack(">I", zlib.crc32(data, zlib.crc32(kind)))


def text_chunk(comment: str) -> bytes:
    try:
        return _chunk(b"tEXt", b"Comment\0" + comment.encode("latin-1"))
    except UnicodeEncodeError:
        return _chunk(b"iTXt", b"Comment\0\0\0\0\0" + comment.encode("utf-8"))


@cached
def _data(pixels: Pixels) -> bytes:
    """Deflate the rows, each after filter type 0."""
    height, width = pixels.shape
    rows = np.zeros((height, 1 + width), np.uint8)
    rows[:, 1:] = pixels
    return zlib.compress(rows.tobytes(), 9)
