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
import os
import tempfile
import threading
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np

from sonify.export.animation.frames import Change, Mask, Pixels
from sonify.export.animation.gif_full_table import TOGETHER, joined, kept_full, parts, period

# Unchanged pixels are transparent, except in gaps of fewer pixels than this between changed ones
# in reading order. Which gap is best depends on the look, so the first image of a group tries all
# of them, and the others follow it.
#
# Measured on 60 steps of a scroll, 20 px a lamp: gaps of 1, 9, 15, 41 and all opaque give 647,
# 611, 607, 642 and 843 kB in the look `amber`, and 191, 199, 199, 199 and 300 kB in `glacier`.
# The best of all gaps for each image gains under 0.1 % on the better one of 1 and 15.
GAPS = (1, 15)
GROUP_IMAGES, GROUP_PIXELS = 32, 4_000_000
# More threads would only wait for Python's lock, and each takes 10 to 20 MB.
_THREADS = 4
# A full table is kept if that makes an image at least this much smaller, because it takes longer.
GAIN = 0.98

# Images of up to this many pixels are cached, because the same lamps change again and again.
SMALL = 4096

# Minimum code size with the sub-blocks and their terminator, and the transparent index.
Raster = tuple[bytes, int | None]


def coded(changes: Iterable[Change]) -> Iterator[tuple[Change, Raster]]:
    """Code images side by side. The bytes don't depend on the number of cores.

    Memory does not grow with the number of images.
    """
    threads = min(os.cpu_count() or 1, _THREADS)
    waiting: deque[tuple[list[Change], Future[list[Raster]]]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        for group in _groups(changes):
            waiting.append((group, pool.submit(_coded_group, group)))
            if len(waiting) > threads:
                done, rasters = waiting.popleft()
                yield from zip(done, rasters.result(), strict=True)
        for done, rasters in waiting:
            yield from zip(done, rasters.result(), strict=True)


def _groups(changes: Iterable[Change]) -> Iterator[list[Change]]:
    group: list[Change] = []
    pixels = 0
    for change in changes:
        group.append(change)
        pixels += change.new.size
        if len(group) == GROUP_IMAGES or pixels > GROUP_PIXELS:
            yield group
            group, pixels = [], 0
    if group:
        yield group


def _coded_group(group: list[Change]) -> list[Raster]:
    large = [change for change in group if change.new.size > SMALL]
    done = _coded_large(large) if large else iter(())
    return [next(done) if change.new.size > SMALL else _cached_one(change) for change in group]


def _coded_large(group: list[Change]) -> Iterator[Raster]:
    """Code images in the way that is best for the first of them that is not the whole picture."""
    first = next((one for one in group if one.same is not None), group[0])
    plain, gap = min(
        ((_coded(_cleared(first, gap)[0]), gap) for gap in GAPS), key=lambda one: len(one[0])
    )
    full = _coded_full([_cleared(first, gap)[0]])[0]
    keep = len(full) < GAIN * len(plain)
    for at in range(0, len(group), TOGETHER):
        cleared = [_cleared(one, gap) for one in group[at : at + TOGETHER]]
        pixels = [one for one, _ in cleared]
        made = _coded_full(pixels) if keep else map(_coded, pixels)
        yield from zip(made, (index for _, index in cleared), strict=True)


def code_size(largest: int) -> int:
    """Return the smallest minimum code size for indices up to `largest`."""
    return max(2, largest.bit_length())


def _cached_one(change: Change) -> Raster:
    mask = None if change.same is None else change.same.tobytes()
    return _cached(change.new.shape, change.new.tobytes(), mask)


@functools.lru_cache(maxsize=4096)
def _cached(shape: tuple[int, int], new: bytes, same: bytes | None) -> Raster:
    mask = None if same is None else np.frombuffer(same, np.bool_).reshape(shape)
    change = Change(0, 0, 0, np.frombuffer(new, np.uint8).reshape(shape), mask)
    tried = (_cleared(change, gap) for gap in GAPS)
    return min(((_coded(pixels), clear) for pixels, clear in tried), key=lambda made: len(made[0]))


def _cleared(change: Change, gap: int) -> tuple[Pixels, int | None]:
    """The pixels with unchanged ones transparent outside gaps, if an index is free for that."""
    new, same = change.new, change.same
    if same is None or not same.any():
        return new, None
    keep = _closed(~same, gap)
    index = _free_index(new, keep)
    if index is None:
        return new, None
    clear = np.uint8(index)
    # as np.where(keep, new, clear), in a tenth of the time
    return ((new ^ clear) * keep) ^ clear, index


def _closed(keep: Mask, length: int) -> Mask:
    """Fill the gaps of fewer than `length` pixels between others, in reading order."""
    out = np.concatenate((keep.ravel(), np.zeros(length - 1, np.bool_)))
    left = length - 1
    steps: list[int] = []
    while left:
        # each step doubles the reach
        steps.append(min(sum(steps) + 1, left))
        left -= steps[-1]
    for step in steps:
        out[step:] = out[step:] | out[:-step]
    for step in steps:
        out[:-step] = out[:-step] & out[step:]
    return out[: keep.size].reshape(keep.shape)


def present(pixels: Pixels) -> Mask:
    """Return which of the 256 indices occur in the pixels."""
    return np.bincount(pixels.ravel(), minlength=256) > 0


def _free_index(new: Pixels, keep: Mask) -> int | None:
    """Return an index that no pixel of `keep` has, if possible one that needs no larger code size;
    None if all pixels are kept."""
    largest = int(new.max())
    small = new.size <= SMALL  # a larger code size makes these longer, and to look costs little
    if largest == 255 or (small and code_size(largest + 1) > code_size(largest)):
        found = present(new[keep])
        largest = 255 if found.all() else int(found.argmin()) - 1
    return None if largest == 255 or keep.all() else largest + 1


def _coded(pixels: Pixels) -> bytes:
    size = code_size(int(pixels.max()))
    return _whole(_blocks(pixels, size), size)


def _coded_full(pictures: list[Pixels]) -> list[bytes]:
    """The same, with full tables that are kept."""
    sized = [(pixels, code_size(int(pixels.max()))) for pixels in pictures]
    return [
        _coded(pixels) if blocks is None else _whole(blocks, size)
        for (pixels, size), blocks in zip(sized, kept_full(sized, _blocks), strict=True)
    ]


def _whole(blocks: bytes, size: int) -> bytes:
    """Sub-blocks with what stands around them, and with their end made whole."""
    if blocks[-1] == 0 or 8 - blocks[-1].bit_length() + size + 1 < 12:
        data = parts(blocks)
        if not _end_fits(data, size):
            blocks = joined(data + b"\0")
    return bytes([size]) + blocks + b"\0"


_own = threading.local()


def _blocks(pixels: Pixels, size: int) -> bytes:
    """The sub-blocks as Pillow makes them. For a large picture it writes to a file, because only
    then does it let other threads run meanwhile."""
    from PIL import Image

    image = Image.fromarray(pixels)
    if pixels.size <= SMALL:
        return image.tobytes("gif", "L", size, 0)
    if not hasattr(_own, "file"):
        _own.file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115 - open as long as its thread
    file = _own.file
    file.seek(0)
    file.truncate()
    encoder = Image._getencoder("L", "gif", ("L", size, 0))
    encoder.setimage(image.im, (0, 0, *image.size))
    if encoder.encode_to_file(file.fileno(), 1 << 16) < 0:
        raise OSError("the GIF coder failed")
    file.seek(0)
    blocks: bytes = file.read()
    return blocks


def _end_fits(data: bytes, size: int) -> bool:
    """Whether the end code is complete.

    The last code of an image may make codes one bit longer. Pillow writes the end code without
    that bit. It is zero, so it is missing only if the end code fills its byte.
    """
    begins, widths = period(size)
    # the end code is the last thing in the data, and its highest bit is bit `size`
    end = len(data) * 8 - 24 + int.from_bytes(data[-3:].rjust(3, b"\0"), "little").bit_length()
    end -= size + 1
    at = (end - (size + 1)) % (begins[-1] + widths[-1])
    return end + int(widths[np.searchsorted(begins, at)]) <= len(data) * 8
