"""Patch the comment of a finished file, as its figures are known only then.

A longer placeholder is written first. In GIF, PNG and WebP, what follows it moves forward; in
films, whose tables point into the file, what is left of it becomes an empty box ("free", ISO/IEC
14496-12) or element ("Void", RFC 8794).
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from sonify.export.animation.comments import in_gif, in_png, in_webp

__all__ = ["PLACEHOLDER", "patch_comment"]

# Bytes that a comment may have, and those that an empty box takes at least.
SIZE, _LEAST = 1024, 8
_BLOCK = 1 << 20
# The comment until then.
PLACEHOLDER = "comment to come ".ljust(SIZE, ".")

_BLOCKS = {b"GIF": in_gif, b"\x89PN": in_png, b"RIF": in_webp}


def patch_comment(path: Path, text: str) -> bool:
    """Replace the placeholder with a text, and return whether there was one.

    What is longer than the placeholder is cut off.
    """
    text = text.encode()[: SIZE - _LEAST].decode(errors="ignore")
    # mapped, not read: a clip may be larger than memory
    with open(path, "r+b") as file:
        with mmap.mmap(file.fileno(), 0) as data:
            block = _BLOCKS.get(data[:3])
            if block is None:
                return _fill(data, text.encode(), list(_places(file, PLACEHOLDER.encode())))
            old, new = block(PLACEHOLDER), block(text)
            at = data.find(old)
            if at < 0:
                return False
            size = len(data) - len(old) + len(new)
            data.move(at + len(new), at + len(old), len(data) - at - len(old))
            data[at : at + len(new)] = new
            if block is in_webp:
                data[4:8] = (size - 8).to_bytes(4, "little")
        file.truncate(size)
    return True


def _places(file: BinaryIO, text: bytes) -> Iterator[int]:
    """Where a text stands in a file. It is read in blocks, because what is read of a map counts as
    memory of this process."""
    file.seek(0)
    at, last = 0, b""
    while block := file.read(_BLOCK):
        data = last + block
        found = data.find(text)
        while found >= 0:
            yield at - len(last) + found
            found = data.find(text, found + len(text))
        at += len(block)
        last = data[1 - len(text) :]


def _fill(data: mmap.mmap, text: bytes, places: list[int]) -> bool:
    """Put a text in place of each placeholder of a film."""
    rest = SIZE - len(text)
    for at in places:
        if data[at - 12 : at - 8] == b"data":
            # an item list: an item, within it its data, and its type and locale
            _shrink(data, at - 24, 4, rest)
            _shrink(data, at - 16, 4, rest)
            empty = rest.to_bytes(4, "big") + b"free"
        elif data[at - 8 : at - 4] == b"\xa9cmt":
            # user data of QuickTime: the length of the text, and its language
            _shrink(data, at - 12, 4, rest)
            _shrink(data, at - 4, 2, rest)
            empty = rest.to_bytes(4, "big") + b"free"
        else:
            # a string of EBML, with its length in two bytes
            _shrink(data, at - 2, 2, rest)
            empty = b"\xec" + (0x4000 | rest - 3).to_bytes(2, "big")
        data[at : at + SIZE] = text + empty.ljust(rest, b"\0")
    return bool(places)


def _shrink(data: mmap.mmap, at: int, size: int, less: int) -> None:
    number = int.from_bytes(data[at : at + size], "big") - less
    data[at : at + size] = number.to_bytes(size, "big")
