"""An animation as WebP.

Sources: *WebP Container Specification* (Google, developers.google.com/speed/webp) and RFC 9649,
*WebP Image Format*.

Pillow's own animation writer needs every whole frame, so only the picture data of each rectangle
comes from Pillow, and the container is written here. The corners of rectangles are even numbers.
Delays are whole milliseconds, at least 11, because browsers show 10 ms or less as 100 ms (common
practice, no source). The comment is stored as a description in XMP (ISO 16684-1).
"""

from __future__ import annotations

import io
import os
from struct import pack
from typing import Any, BinaryIO

from sonify.errors import InputError
from sonify.export.animation.comments import in_webp, webp_chunk
from sonify.export.animation.frames import Animation, Pixels, cached, changes

RATE = 1000
SHORTEST = 11
LONGEST = (1 << 24) - 1
LARGEST = 16383

# Options of Pillow's coder. Methods above 4 take a hundred times as long for no gain.
_QUALITY: dict[str, dict[str, Any]] = {
    "rough": {"quality": 80, "method": 2},
    "normal": {"lossless": True, "quality": 40, "method": 2},
    "fine": {"lossless": True, "quality": 100, "method": 4},
}

ANIMATION, XMP, ALPHA = 0x02, 0x04, 0x10
DO_NOT_BLEND = 0x02


def encode_webp(animation: Animation, out: BinaryIO) -> None:
    """Write an animation as WebP, lossless unless its quality is "rough".

    Memory does not grow with the number of patches.

    Parameters
    ----------
    animation
        What to write; at most 16383 pixels a side.
    out : file
        A binary file that can seek.

    Raises
    ------
    InputError
        If the picture is too large for WebP.
    """
    if max(animation.width, animation.height) > LARGEST:
        raise InputError(
            f"webp: size is {animation.width} x {animation.height} pixels, "
            f"a side must be at most {LARGEST}"
        )
    palette = animation.palette
    lossy = {"quality": 80 - 25 * (animation.coarse - 1), "method": 4}
    options = lossy if animation.coarse else _QUALITY[animation.quality]
    data = cached(lambda pixels: _data(pixels if palette is None else palette[pixels], options))
    flags = ANIMATION | (XMP if animation.comment else 0)
    plays = 1 if animation.loop is None else animation.loop
    size = _three(animation.width - 1) + _three(animation.height - 1)
    start = out.tell()
    out.write(b"RIFF\0\0\0\0WEBP")
    out.write(webp_chunk(b"VP8X", pack("<I", flags) + size))
    out.write(webp_chunk(b"ANIM", pack("<IH", 0xFF000000, plays)))
    for change in changes(animation, RATE, shortest=SHORTEST, longest=LONGEST, even=True):
        if change.new.ndim == 3 and change.new.shape[2] == 4:
            flags |= ALPHA
        height, width = change.new.shape[:2]
        numbers = (change.x // 2, change.y // 2, width - 1, height - 1, change.ticks)
        place = b"".join(map(_three, numbers)) + bytes([DO_NOT_BLEND])
        out.write(webp_chunk(b"ANMF", place + data(change.new)))
    if animation.comment:
        out.write(in_webp(animation.comment))
    end = out.tell()
    out.seek(start + 4)
    out.write(pack("<I", end - start - 8))
    out.seek(start + 20)
    out.write(bytes([flags]))
    out.seek(0, os.SEEK_END)


def _three(number: int) -> bytes:
    return number.to_bytes(3, "little")


def _data(rgb: Pixels, options: dict[str, Any]) -> bytes:
    """The chunks with the data of one still picture, shape (h, w, 3 or 4), as Pillow codes it."""
    from PIL import Image

    still = io.BytesIO()
    Image.fromarray(rgb).save(still, "WEBP", exact=True, **options)
    chunks = still.getvalue()[12:]
    return chunks[18:] if chunks.startswith(b"VP8X") else chunks
