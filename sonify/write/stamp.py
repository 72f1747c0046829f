"""A comment that is known only when its file is done.

A comment of a fixed length is written first and replaced in place: as long as it is, no other
byte of the file moves.
"""

from __future__ import annotations

import mmap
import zlib
from pathlib import Path

__all__ = ["PLACEHOLDER", "stamp"]

SIZE = 240
PLACEHOLDER = "comment to come ".ljust(SIZE, ".")
"""What stands in the file until then."""


def stamp(path: Path, text: str) -> bool:
    """Put a text in the place of the placeholder; whether there was one.

    The text is plain ASCII then, cut or filled up with spaces.
    """
    new = text.encode("ascii", "replace")[:SIZE].ljust(SIZE)
    found = False
    with open(path, "r+b") as file, mmap.mmap(file.fileno(), 0) as data:
        at = data.find(PLACEHOLDER.encode())
        while at >= 0:
            found = True
            data[at : at + SIZE] = new
            if data[:8] == b"\x89PNG\r\n\x1a\n":
                _mend_chunk(data, at)
            at = data.find(PLACEHOLDER.encode(), at + SIZE)
    return found


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
