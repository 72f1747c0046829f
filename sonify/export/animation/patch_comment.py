"""A comment that is known only when its file is done.

A comment of a fixed length is written first and replaced in place: as long as it is, no other
byte of the file moves.
"""

from __future__ import annotations

import mmap
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

__all__ = ["PLACEHOLDER", "stamp"]

SIZE = 240
# What stands in the file until then.
PLACEHOLDER = "comment to come ".ljust(SIZE, ".")

_PIECE = 1 << 20


def stamp(path: Path, text: str) -> bool:
    """Put a text in the place of the placeholder; whether there was one.

    The text is plain ASCII then, cut or filled up with spaces.
    """
    new = text.encode("ascii", "replace")[:SIZE].ljust(SIZE)
    with open(path, "r+b") as file:
        png = file.read(8) == b"\x89PNG\r\n\x1a\n"
        places = list(_places(file, PLACEHOLDER.encode()))
        for at in places:
            file.seek(at)
            file.write(new)
        file.flush()
        if png and places:
            with mmap.mmap(file.fileno(), 0) as data:
                for at in places:
                    _mend_chunk(data, at)
    return bool(places)


def _places(file: BinaryIO, text: bytes) -> Iterator[int]:
    """Where a text stands in a file, read piece by piece: a clip may be larger than memory."""
    start, piece = 0, b""
    file.seek(0)
    while more := file.read(_PIECE):
        # what a piece's end cuts in two is found with the next one
        kept = piece[-(len(text) - 1) :] if piece else b""
        begin, piece = start - len(kept), kept + more
        at = piece.find(text)
        while at >= 0:
            yield begin + at
            at = piece.find(text, at + len(text))
        start += len(more)


def _mend_chunk(data: mmap.mmap, at: int) -> None:
    """Give the PNG chunk that holds a place its right check (PNG specification, 5.3)."""
    begin = 8
    while begin < len(data):
        size = int.from_bytes(data[begin : begin + 4], "big")
        end = begin + 8 + size
        if begin <= at < end:
            data[end : end + 4] = zlib.crc32(data[begin + 4 : end]).to_bytes(4, "big")
            return
        begin = end + 4
