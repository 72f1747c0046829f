"""The blocks that hold the comment of a GIF, PNG or WebP file, in UTF-8."""

from __future__ import annotations

import zlib
from html import escape
from struct import pack

__all__ = ["in_gif", "in_png", "in_webp", "png_chunk", "webp_chunk"]

_DESCRIPTION = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
    '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/">'
    '<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{}</rdf:li></rdf:Alt>'
    "</dc:description></rdf:Description></rdf:RDF></x:xmpmeta>"
)


def in_gif(comment: str) -> bytes:
    """A comment extension.

    Section 24 of GIF 89a recommends 7-bit ASCII; programs read UTF-8 (seen in ExifTool and Pillow).
    """
    text = comment.encode()
    blocks = (text[at : at + 255] for at in range(0, len(text), 255))
    return b"\x21\xfe" + b"".join(pack("B", len(b)) + b for b in blocks) + b"\0"


def in_png(comment: str) -> bytes:
    """A chunk of text: tEXt in ASCII, iTXt in UTF-8 (PNG specification, 11.3.3)."""
    if comment.isascii():
        return png_chunk(b"tEXt", b"Comment\0" + comment.encode())
    return png_chunk(b"iTXt", b"Comment\0\0\0\0\0" + comment.encode())


def in_webp(comment: str) -> bytes:
    """A description in XMP (ISO 16684-1)."""
    return webp_chunk(b"XMP ", _DESCRIPTION.format(escape(comment, quote=False)).encode())


def png_chunk(kind: bytes, data: bytes) -> bytes:
    """A chunk of PNG (PNG specification, 5.3)."""
    return pack(">I", len(data)) + kind + data + pack(">I", zlib.crc32(data, zlib.crc32(kind)))


def webp_chunk(kind: bytes, data: bytes) -> bytes:
    """A chunk of WebP (RFC 9649, 2.3)."""
    return kind + pack("<I", len(data)) + data + b"\0" * (len(data) & 1)
