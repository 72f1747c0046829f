"""The picture data of one GIF image: LZW codes in sub-blocks.

Source of the code rules: *Graphics Interchange Format, Version 89a*, CompuServe, 31 July 1990,
sections 22 and appendix F.

Pillow's coder, in C, makes the codes: for a picture of 640 x 160 pixels it takes under 1 ms, where
a coder in Python took 20 to 60 ms. Pillow's own GIF writer is not enough: it accepts whole frames,
and stores either all pixels of a rectangle or only the changed ones. An unchanged pixel may be
stored in its colour or as transparent, and neither is always smaller; see `GAPS`.
"""

from __future__ import annotations

import contextlib
import functools
from collections import deque
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from sonify.export.animation.gif_full_table import joined, kept_full, parts, period
from sonify.limits import Crew, most

if TYPE_CHECKING:
    from sonify.export.animation.frames import Change, Mask, Pixels

# Unchanged pixels are transparent, except in gaps of fewer pixels than this between changed ones
# in reading order. Which gap is best depends on the look, so the first image of a group tries all
# of them, and the others follow it.
#
# Measured on 60 steps of a scroll, 20 px a lamp: gaps of 1, 9, 15, 41 and all opaque give 647,
# 611, 607, 642 and 843 kB in the look `amber`, and 191, 199, 199, 199 and 300 kB in `glacier`.
# The best of all gaps for each image gains under 0.1 % on the better one of 1 and 15.
GAPS = (1, 15)
GROUP_IMAGES, GROUP_PIXELS = 32, 4_000_000
# After so many pixels, which take 0.6 to 1.2 s, other processes help; to start one takes 0.2 s.
_LONG = 60_000_000
# A full table is kept if that makes an image at least this much smaller, because it takes longer.
GAIN = 0.98

# Images of up to this many pixels are cached, because the same lamps change again and again.
SMALL = 4096

# The pixels of an image, and which of them are shown already.
Picture = tuple["Pixels", "Mask | None"]
# The same on its way to another process: eight pixels a byte.
Sent = tuple["Pixels", "Pixels | None"]
# Minimum code size with the sub-blocks and their terminator, and the transparent index.
Raster = tuple[bytes, int | None]


def coded(changes: Iterable[Change]) -> Iterator[tuple[Change, Raster]]:
    """Code images, many of them side by side. The bytes don't depend on the number of cores.

    Memory does not grow with the number of images.
    """
    from concurrent.futures import Future

    crew: Crew[list[Sent], list[Raster]] | None = None
    waiting: deque[tuple[list[Change], Future[list[Raster]]]] = deque()
    pixels = 0
    with contextlib.ExitStack() as stack:
        for group in _groups(changes):
            images = [(change.new, change.same) for change in group]
            pixels += sum(change.new.size for change in group if change.new.size > SMALL)
            if crew is None and pixels > _LONG and most() > 1:
                crew = stack.enter_context(Crew(_code_sent, most() - 1))
            if crew is not None and sum(not one.done() for _, one in waiting) <= crew.size:
                waiting.append((group, crew.submit(list(map(_sent, images)))))
            else:
                made: Future[list[Raster]] = Future()
                made.set_result(code_group(images))
                waiting.append((group, made))
            while waiting and (waiting[0][1].done() or (crew and len(waiting) > 2 * crew.size + 2)):
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


def _sent(image: Picture) -> Sent:
    new, same = image
    return new, None if same is None else np.packbits(same)


def _code_sent(group: list[Sent]) -> list[Raster]:
    return code_group([(new, _mask(new, bits)) for new, bits in group])


def _mask(new: Pixels, bits: Pixels | None) -> Mask | None:
    if bits is None:
        return None
    return np.unpackbits(bits, count=new.size).view(np.bool_).reshape(new.shape)


def code_group(group: list[Picture]) -> list[Raster]:
    """Code images in the way that is best for the first large one of them."""
    large = [image for image in group if image[0].size > SMALL]
    done = _coded_large(large) if large else iter(())
    return [next(done) if image[0].size > SMALL else _cached_one(*image) for image in group]


def _coded_large(group: list[Picture]) -> Iterator[Raster]:
    # one that is not the whole picture
    first = next((k for k, (_, same) in enumerate(group) if same is not None), 0)
    tried = [(len(_coded(_cleared(*group[first], gap)[0])), gap) for gap in GAPS]
    plain, gap = min(tried)
    cleared = [_cleared(*image, gap) for image in group]
    pictures = [pixels for pixels, _ in cleared]
    made = _coded_full(pictures)
    # one whose table does not get full is the same either way
    if plain != len(made[first]) >= GAIN * plain:
        made = [_coded(one) for one in pictures]
    return zip(made, (index for _, index in cleared), strict=True)


def code_size(largest: int) -> int:
    """Return the smallest minimum code size for indices up to `largest`."""
    return max(2, largest.bit_length())


def _cached_one(new: Pixels, same: Mask | None) -> Raster:
    return _cached(new.shape, new.tobytes(), None if same is None else same.tobytes())


@functools.lru_cache(maxsize=4096)
def _cached(shape: tuple[int, int], new: bytes, same: bytes | None) -> Raster:
    mask = None if same is None else np.frombuffer(same, np.bool_).reshape(shape)
    pixels = np.frombuffer(new, np.uint8).reshape(shape)
    tried = (_cleared(pixels, mask, gap) for gap in GAPS)
    return min(((_coded(one), clear) for one, clear in tried), key=lambda made: len(made[0]))


def _cleared(new: Pixels, same: Mask | None, gap: int) -> tuple[Pixels, int | None]:
    """The pixels with unchanged ones transparent outside gaps, if an index is free for that."""
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


def _blocks(pixels: Pixels, size: int) -> bytes:
    """The sub-blocks as Pillow makes them."""
    from PIL import Image

    return Image.fromarray(pixels).tobytes("gif", "L", size, 0)


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
