"""Patch the comment of a finished file, as its figures are known only then.

A placeholder of fixed length is written first and then overwritten, so no other byte moves.
"""

from __future__ import annotations

import mmap
import zlib
from pathlib import Path

__all__ = ["PLACEHOLDER", "patch_comment"]

SIZE = 240
# The comment until then.
PLACEHOLDER = "comment to come ".ljust(SIZE, ".")


def patch_comment(path: Path, text: str) -> bool:
    """Replace the placeholder with a text, and return whether there was one.

    The text becomes plain ASCII, cut off or padded with spaces.
    """
    old, new = PLACEHOLDER.encode(), text.encode("ascii", "replace")[:SIZE].ljust(SIZE)
    # mapped, not read: a clip may be larger than memory
    with open(path, "r+b") as file, mmap.mmap(file.fileno(), 0) as data:
        png = data[:8] == b"\x89PNG\r\n\x1a\n"
        first = at = data.find(old)
        while at >= 0:
            data[at : at + SIZE] = new
            if png:
                _correct_crc(data, at)
            at = data.find(old, at + SIZE)
    return first >= 0


def _correct_crc(data: mmap.mmap, at: int) -> None:
    """Correct the CRC of the PNG chunk around an index (PNG specification, 5.3)."""
    begin = 8
    while begin < len(data):
        size = int.from_bytes(data[begin : begin + 4], "big")
        end = begin + 8 + size
        if begin <= at < end:
            data[end : end + 4] = zlib.crc32(data[begin + 4 : end]).to_bytes(4, "big")
            return
        begin = end + 4
