"""The picture data of one GIF image: LZW codes in sub-blocks.

Source of the code rules: *Graphics Interchange Format, Version 89a*, CompuServe, 31 July 1990,
sections 22 and appendix F.

Pillow's coder, in C, makes the codes: for a picture of 640 x 160 pixels it takes under 1 ms, where
a coder in Python took 20 to 60 ms. Pillow's own GIF writer is not enough: it accepts whole frames,
and stores either all pixels of a rectangle or only the changed ones. An unchanged pixel may be
stored in its colour or as transparent, and neither is always smaller; see `GAPS`.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from sonify.export.animation.frames import Mask, Pixels

# Unchanged pixels are transparent, except in gaps of fewer pixels than this between changed ones
# in reading order. Each is tried and the smallest result kept.
#
# Measured on `message cairn-middle` (525 pictures) and the same in the look `glacier`: 1 alone
# gives 5.51 and 1.67 MB, 9 alone 5.42 and 1.73 MB; a third rule (5, 25 or all opaque) gains under
# 0.1 % and costs a sixth of the time. Continuing with a full table, and choosing pixel by pixel,
# saved 3 to 6 % more but took three to four times as long (9.5 s against 2.8 s).
GAPS = (1, 9)

# Images of up to this many pixels are cached, because the same lamps change again and again.
SMALL = 4096

# Entries of a full table (appendix F: codes have at most 12 bits).
TABLE = 4096

# Minimum code size with the sub-blocks and their terminator, and the transparent index.
Raster = tuple[bytes, int | None]


def code_size(largest: int) -> int:
    """Return the smallest minimum code size for indices up to `largest`."""
    return max(2, largest.bit_length())


def raster(new: Pixels, same: Mask | None) -> Raster:
    """Code one image.

    Parameters
    ----------
    new : ndarray of uint8, shape (h, w)
        Palette indices.
    same : ndarray of bool, shape (h, w), optional
        Pixels that the canvas shows already and that may be transparent.
    """
    if new.size > SMALL:
        return _raster(new, same)
    return _cached(new.shape, new.tobytes(), None if same is None else same.tobytes())


@functools.lru_cache(maxsize=4096)
def _cached(shape: tuple[int, int], new: bytes, same: bytes | None) -> Raster:
    mask = None if same is None else np.frombuffer(same, np.bool_).reshape(shape)
    return _raster(np.frombuffer(new, np.uint8).reshape(shape), mask)


def _raster(new: Pixels, same: Mask | None) -> Raster:
    if same is None or not same.any():
        return _coded(new), None
    keeps = (_closed(~same, length) for length in GAPS)
    return min((_with_clear(new, keep) for keep in keeps), key=lambda made: len(made[0]))


def _with_clear(new: Pixels, keep: Mask) -> Raster:
    """Code with the pixels outside `keep` transparent, if an index is free for that."""
    index = None if keep.all() else _free_index(new[keep])
    if index is None:
        return _coded(new), None
    return _coded(np.where(keep, new, np.uint8(index))), index


def _closed(keep: Mask, length: int) -> Mask:
    """Fill the gaps of fewer than `length` pixels, in reading order."""
    flat = keep.ravel()
    starts = np.flatnonzero(np.concatenate(([True], flat[1:] != flat[:-1])))
    lengths = np.diff(starts, append=flat.size)
    short = (lengths < length) & ~flat[starts]
    if not short.any():
        return keep
    return np.repeat(flat[starts] | short, lengths).reshape(keep.shape)


def present(pixels: Pixels) -> Mask:
    """Return which of the 256 indices occur in the pixels."""
    found = np.zeros(256, np.bool_)
    found[pixels] = True
    return found


def _free_index(used: Pixels) -> int | None:
    """Return an index that no pixel has, if possible one that needs no larger code size."""
    largest = int(used.max(initial=0))
    if largest < 255 and code_size(largest + 1) == code_size(largest):
        return largest + 1
    found = present(used)
    index = int(found.argmin())
    return None if found[index] else index


def _coded(pixels: Pixels) -> bytes:
    from PIL import Image

    size = code_size(int(pixels.max()))
    blocks = Image.fromarray(pixels).tobytes("gif", "L", size, 0)
    if blocks[-1] == 0 or 8 - blocks[-1].bit_length() + size + 1 < 12:
        data = b"".join(blocks[at + 1 : at + 256] for at in range(0, len(blocks), 256))
        if not _end_fits(data, size):
            data += b"\0"
            parts = (data[at : at + 255] for at in range(0, len(data), 255))
            blocks = b"".join(bytes([len(part)]) + part for part in parts)
    return bytes([size]) + blocks + b"\0"


def _end_fits(data: bytes, size: int) -> bool:
    """Whether the end code is complete.

    The last code of an image may make codes one bit longer. Pillow writes the end code without
    that bit. It is zero, so it is missing only if the end code fills its byte.
    """
    begins, widths = _codes_of_a_table(size)
    # the end code is the last thing in the data, and its highest bit is bit `size`
    end = len(data) * 8 - 24 + int.from_bytes(data[-3:].rjust(3, b"\0"), "little").bit_length()
    end -= size + 1
    at = (end - (size + 1)) % (begins[-1] + widths[-1])
    return end + int(widths[np.searchsorted(begins, at)]) <= len(data) * 8


@functools.cache
def _codes_of_a_table(size: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where codes begin after a clear code, and their widths, in bits.

    The last one is the clear code that Pillow writes when its table is full.
    """
    highest = np.arange(TABLE - (1 << size), dtype=np.int64) + (1 << size) + 1
    widths = size + 1 + np.searchsorted(1 << np.arange(size + 1, 12), highest, side="right")
    return np.cumsum(widths) - widths, widths
