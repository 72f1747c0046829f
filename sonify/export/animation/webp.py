"""An animation as lossless WebP.

Sources: *WebP Container Specification* (Google, developers.google.com/speed/webp)
and RFC 9649, *WebP Image Format*.

Pillow's own animation writer wants every whole frame, so only the lossless
picture data (VP8L) of each rectangle comes from Pillow, and the container is
written here. Places of rectangles are even numbers there. Delays are whole
milliseconds, at least 11 as browsers show 10 ms or less as 100 ms (common
practice, no source). The comment is kept as a description in XMP (ISO 16684-1).
"""

from __future__ import annotations

import io
import os
from struct import pack, unpack_from
from typing import BinaryIO
from xml.sax.saxutils import escape

from sonify.errors import InputError
from sonify.export.animation.frames import Animation, Pixels, cached, changes

RATE = 1000
SHORTEST = 11
LONGEST = (1 << 24) - 1
LARGEST = 16383

# Beyond method 4 the coder takes a hundred times as long for nothing.
METHOD, EFFORT = 4, 100

ANIMATION, XMP = 0x02, 0x04
DO_NOT_BLEND = 0x02

DESCRIPTION = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
    '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/">'
    '<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{}</rdf:li></rdf:Alt>'
    "</dc:description></rdf:Description></rdf:RDF></x:xmpmeta>"
)


def encode_webp(animation: Animation, out: BinaryIO) -> None:
    """Write an animation as lossless WebP.

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
    ValueError
        If the patches break the rules of :class:`Animation`.
    """
    if max(animation.width, animation.height) > LARGEST:
        raise InputError(
            f"webp: size is {animation.width} x {animation.height} pixels, "
            f"a side must be at most {LARGEST}"
        )
    data = cached(lambda pixels: _vp8l(animation.palette[pixels]))
    flags = ANIMATION | (XMP if animation.comment else 0)
    plays = 1 if animation.loop is None else animation.loop
    size = _three(animation.width - 1) + _three(animation.height - 1)
    start = out.tell()
    out.write(b"RIFF\0\0\0\0WEBP")
    out.write(_chunk(b"VP8X", pack("<I", flags) + size))
    out.write(_chunk(b"ANIM", pack("<IH", 0xFF000000, plays)))
    for change in changes(animation, RATE, shortest=SHORTEST, longest=LONGEST, even=True):
        height, width = change.new.shape
        frame = (
            _three(change.x // 2)
            + _three(change.y // 2)
            + _three(width - 1)
            + _three(height - 1)
            + _three(change.ticks)
            + bytes([DO_NOT_BLEND])
        )
        out.write(_chunk(b"ANMF", frame + _chunk(b"VP8L", data(change.new))))
    if animation.comment:
        out.write(xmp_chunk(animation.comment))
    end = out.tell()
    out.seek(start + 4)
    out.write(pack("<I", end - start - 8))
    out.seek(0, os.SEEK_END)


def xmp_chunk(comment: str) -> bytes:
    """A comment as a description in XMP."""
    return _chunk(b"XMP ", DESCRIPTION.format(escape(comment)).encode())


def _three(number: int) -> bytes:
    return number.to_bytes(3, "little")


def _chunk(kind: bytes, data: bytes) -> bytes:
    return kind + pack("<I", len(data)) + data + b"\0" * (len(data) & 1)


def _vp8l(rgb: Pixels) -> bytes:
    """The VP8L data of one still picture, shape (h, w, 3), as Pillow codes it."""
    from PIL import Image

    still = io.BytesIO()
    Image.fromarray(rgb).save(
        still, "WEBP", lossless=True, quality=EFFORT, method=METHOD, exact=True
    )
    data = still.getvalue()
    at = 12
    while at < len(data):
        (length,) = unpack_from("<I", data, at + 4)
        if data[at : at + 4] == b"VP8L":
            return data[at + 8 : at + 8 + length]
        at += 8 + length + (length & 1)
    raise RuntimeError("the WebP library made no lossless picture")
