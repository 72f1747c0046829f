"""The picture data of one GIF image: LZW codes in sub-blocks.

Source of the code rules: *Graphics Interchange Format, Version 89a*,
CompuServe, 31 July 1990, sections 22 and appendix F.

Why it is made this way (measured on 640 x 160 pictures): an LZW coder in Python
takes 20 to 60 ms a picture, Pillow's coder in C well under 1 ms, and Pillow
takes the minimum code size as an argument, so Pillow codes everything. What it
cannot do is added on top, where it pays:

- A pixel that does not change may be stored as transparent. Which of them are
  is free, and no single rule is best, so a few are tried and the smallest wins.
- Pillow clears its full table at once. Appendix F lets a coder keep the full
  table, which is better for lamps that look alike (about 9 % on a soft scroll),
  so the rest of such an image is coded again with the table that there is.
- In a small image the choice of transparent pixels is also made along the way,
  by what the table holds (1 to 2 %).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.export.animation.frames import Mask, Pixels

TABLE = 4096
SMALL = 4096
"""Images up to this many pixels are kept, as lamps come again and again."""

CODE = -1
"""Key of a node's own code; its other keys are pixels, their values the bound
``get`` of the longer string's node, which makes the walk twice as fast."""

NEVER = -2
FOLLOWED = 4
"""Strings followed at a time where a pixel may be stored either way."""

Node = dict[int, Any]

Raster = tuple[bytes, int | None]
"""Minimum code size and sub-blocks, and the transparent index."""

Stored = tuple[bytes, int, int | None, Pixels]
"""Sub-blocks, minimum code size, transparent index, the pixels as coded."""

Rule = Callable[[Pixels, Mask], Mask]


def code_size(largest: int) -> int:
    """Return the least minimum code size for indices up to ``largest``."""
    return max(2, largest.bit_length())


def raster(new: Pixels, same: Mask | None, *, thorough: bool = True) -> Raster:
    """Code one image as small as it goes.

    Parameters
    ----------
    new
        Palette indices, shape (h, w).
    same
        Pixels that may be transparent, or None for none.
    thorough
        Whether to spend Python time on the last per cent.

    Returns
    -------
    tuple of bytes and int or None
        The minimum code size with the sub-blocks and their terminator, and the
        transparent index if there is one.
    """
    if new.size > SMALL:
        return _raster(new, same, thorough)
    mask = None if same is None else np.packbits(same).tobytes()
    return _kept(new.shape, new.tobytes(), mask, thorough)


@functools.lru_cache(maxsize=4096)
def _kept(shape: tuple[int, int], new: bytes, mask: bytes | None, thorough: bool) -> Raster:
    pixels = np.frombuffer(new, np.uint8).reshape(shape)
    if mask is None:
        return _raster(pixels, None, thorough)
    bits = np.unpackbits(np.frombuffer(mask, np.uint8), count=pixels.size)
    return _raster(pixels, bits.view(np.bool_).reshape(shape), thorough)


def _raster(new: Pixels, same: Mask | None, thorough: bool) -> Raster:
    changed = None if same is None or not same.any() else ~same
    if changed is None:
        data, size, clear, pixels = _opaque(new)
    else:
        data, size, clear, pixels = _best_of(_rules(new, changed, thorough), new, changed)
    if thorough and changed is not None and 64 < new.size <= SMALL:
        free = _free_index(new[changed])
        if free is not None:
            its_size = code_size(max(int(new[changed].max(initial=0)), free))
            for keep in (_closed(changed, 9), _runs(new, changed)):
                other = _chosen(new, changed, keep, free, its_size)
                if len(other) < len(data):
                    data, clear, size = other, free, its_size
    elif thorough and new.size > TABLE:
        data = min(data, _without_clear(pixels, size, data), key=len)
    return bytes([size]) + data + b"\0", clear


def _best_of(rules: list[Rule], new: Pixels, changed: Mask) -> Stored:
    """Code by each rule and return the smallest."""
    made = [_stored(new, rule(new, changed)) for rule in rules]
    best = min((one for one in made if one is not None), key=lambda one: len(one[0]), default=None)
    return best or _opaque(new)


def _opaque(new: Pixels) -> Stored:
    size = code_size(int(new.max()))
    return _coded(new, size), size, None, new


def _stored(new: Pixels, keep: Mask) -> Stored | None:
    """Code with the pixels outside ``keep`` transparent; None if no index is free."""
    if keep.all():
        return _opaque(new)
    index = _free_index(new[keep])
    if index is None:
        return None
    pixels = np.where(keep, new, np.uint8(index))
    size = code_size(int(pixels.max()))
    return _coded(pixels, size), size, index, pixels


def _coded(pixels: Pixels, size: int) -> bytes:
    """LZW by Pillow's coder, in sub-blocks without the terminator."""
    from PIL import Image

    blocks = Image.fromarray(pixels).tobytes("gif", "L", size, 0)
    return blocks if _end_fits(blocks, size) else _in_blocks(_unblocked(blocks) + b"\0")


def _end_fits(blocks: bytes, size: int) -> bool:
    """Whether a decoder finds the end code whole.

    The last code of an image may make codes one bit longer. Pillow writes the
    end code without that bit. It is zero, so it is missing only where the end
    code fills its byte.
    """
    if blocks[-1] and 8 - blocks[-1].bit_length() + size + 1 >= 12:
        return True
    stream = _unblocked(blocks)
    left = len(stream) * 8 - int.from_bytes(stream[-3:], "little").bit_length()
    left += size + 1 - max(len(stream) - 3, 0) * 8
    end = len(stream) * 8 - left
    places, widths = _places(size)
    start = 0
    # A table with room left was never cleared, so most ends are found at once.
    if end < places[TABLE - (4 << size)]:
        return int(widths[np.searchsorted(places, end)]) <= left
    while True:
        stop = _codes(stream, start, size)[1]
        if start + int(places[stop]) >= end:
            return int(widths[stop]) <= left
        start += int(places[stop]) + int(widths[stop]) - size - 1


def present(pixels: Pixels) -> Mask:
    """Return which of the 256 indices the pixels have."""
    found = np.zeros(256, np.bool_)
    found[pixels] = True
    return found


def _free_index(used: Pixels) -> int | None:
    """Return an index that no pixel has and that makes the least code size."""
    largest = int(used.max(initial=0))
    if largest < 255 and code_size(largest + 1) == code_size(largest):
        return largest + 1
    found = present(used)
    index = int(found.argmin())
    return None if found[index] else index


def _rules(new: Pixels, changed: Mask, thorough: bool) -> list[Rule]:
    """Ways to say which pixels to store opaque."""
    if not thorough:
        return [functools.partial(_gaps, length=9 if new.size <= SMALL else 25)]
    if new.size > SMALL:
        return [_all, _only, functools.partial(_gaps, length=25)]
    gaps = [functools.partial(_gaps, length=length) for length in (5, 9, 25)]
    return [_all, _only, *gaps, _runs]


def _all(new: Pixels, changed: Mask) -> Mask:
    return np.ones_like(changed)


def _only(new: Pixels, changed: Mask) -> Mask:
    return changed


def _gaps(new: Pixels, changed: Mask, length: int) -> Mask:
    return _closed(changed, length)


def _runs(new: Pixels, changed: Mask) -> Mask:
    return _closed(_whole_runs(new, changed), 3)


def _run_starts(flat: NDArray[np.generic]) -> NDArray[np.intp]:
    return np.flatnonzero(np.concatenate(([True], flat[1:] != flat[:-1])))


def _closed(keep: Mask, length: int) -> Mask:
    """Fill the gaps of fewer than ``length`` pixels, in reading order."""
    flat = keep.ravel()
    starts = _run_starts(flat)
    lengths = np.diff(starts, append=flat.size)
    short = (lengths < length) & ~flat[starts]
    if not short.any():
        return keep
    return np.repeat(flat[starts] | short, lengths).reshape(keep.shape)


def _whole_runs(new: Pixels, changed: Mask) -> Mask:
    """Widen to whole runs of one colour that hold a changed pixel."""
    starts = _run_starts(new.ravel())
    kept = np.logical_or.reduceat(changed.ravel(), starts)
    return np.repeat(kept, np.diff(starts, append=new.size)).reshape(new.shape)


@functools.cache
def _places(size: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where the codes after a clear code begin, and their widths, in bits."""
    highest = np.arange(TABLE, dtype=np.int64) + (1 << size) + 1
    steps = 1 << np.arange(size + 1, 12)
    widths = size + 1 + np.searchsorted(steps, highest, side="right")
    return size + 1 + np.concatenate(([0], np.cumsum(widths)[:-1])), widths


def _codes(stream: bytes, start: int, size: int) -> tuple[NDArray[np.int64], int]:
    """Codes after the clear code at bit ``start``, and how many until the next.

    The count is that of all codes if there is no further clear or end code.
    """
    clear = 1 << size
    places, widths = _places(size)
    places = places + start
    within = int(np.searchsorted(places + widths, len(stream) * 8, side="right"))
    places, widths = places[:within], widths[:within]
    first = start >> 3
    padded = stream[first : first + TABLE * 3 // 2 + 4] + bytes(4)
    octets = np.frombuffer(padded, np.uint8).astype(np.int64)
    at = (places >> 3) - first
    words = octets[at] | octets[at + 1] << 8 | octets[at + 2] << 16
    codes = words >> (places & 7) & (1 << widths) - 1
    stops = np.flatnonzero((codes == clear) | (codes == clear + 1))
    return codes, int(stops[0]) if stops.size else len(codes)


def _packed(codes: list[int], size: int) -> bytes:
    """Codes after one clear code, with the end code, as sub-blocks."""
    clear = 1 << size
    values = np.array([clear, *codes, clear + 1], np.int64)
    table = _places(size)[1]
    number = np.minimum(np.arange(len(codes) + 1), TABLE - 1)
    widths = np.concatenate(([size + 1], table[number]))
    bits = np.arange(12)
    ones = (values[:, None] >> bits & 1).astype(np.uint8)
    stream = np.packbits(ones[bits < widths[:, None]], bitorder="little")
    return _in_blocks(stream.tobytes())


def _in_blocks(stream: bytes) -> bytes:
    blocks = (stream[at : at + 255] for at in range(0, len(stream), 255))
    return b"".join(bytes([len(block)]) + block for block in blocks)


def _unblocked(blocks: bytes) -> bytes:
    parts, at = [], 0
    while at < len(blocks):
        end = at + 1 + blocks[at]
        parts.append(blocks[at + 1 : end])
        at = end
    return b"".join(parts)


def _without_clear(pixels: Pixels, size: int, blocks: bytes) -> bytes:
    """Code on with the full table where Pillow's coder cleared it.

    Returns ``blocks`` unchanged if the table never filled.
    """
    clear = 1 << size
    codes, stop = _codes(_unblocked(blocks), 0, size)
    if stop == len(codes) or codes[stop] != clear:
        return blocks
    head: list[int] = codes[:stop].tolist()
    lengths = [1] * (clear + 2)
    for code in head:
        lengths.append(lengths[code] + 1)
    ends = np.cumsum(np.array(lengths)[head])
    flat = pixels.ravel()
    if ends[-1] >= flat.size:
        return blocks
    table = _roots(size)
    number = clear + 2
    for code, pixel in zip(head, flat[ends].tolist(), strict=True):
        if number == TABLE:
            break
        leaf = {CODE: number}
        table[code][pixel] = leaf.get
        table.append(leaf)
        number += 1
    rest = flat[int(ends[-1]) :].tolist()
    return _packed(head + _greedy(rest, table, number), size)


def _roots(size: int) -> list[Node]:
    return [{CODE: code} for code in range((1 << size) + 2)]


def _greedy(pixels: list[int], table: list[Node], number: int) -> list[int]:
    """Greedy LZW over ``pixels`` going on from a table, never cleared."""
    found: list[Any] = []
    add = found.append
    roots = [node.get for node in table[:256]]
    rest = iter(pixels)
    at: Any = roots[next(rest)]
    for pixel in rest:
        longer = at(pixel)
        if longer is None:
            add(at)
            if number < TABLE:
                at.__self__[pixel] = {CODE: number}.get
                number += 1
            at = roots[pixel]
        else:
            at = longer
    add(at)
    return [at.__self__[CODE] for at in found]


def _chosen(new: Pixels, changed: Mask, keep: Mask, clear_index: int, size: int) -> bytes:
    """LZW that picks colour or transparent by what the table holds.

    ``keep`` marks the pixels whose colour comes first.
    """
    flat = new.ravel()
    fixed = changed.ravel()
    own = np.where(fixed | (flat < (1 << size)) & (flat != clear_index), flat, clear_index)
    other = np.where(fixed, flat, np.uint8(clear_index))
    opaque = keep.ravel()
    preferred = np.where(opaque, own, other)
    second = np.where(opaque, other, own).astype(np.int16)
    second[second == preferred] = NEVER
    first_choice: list[int] = preferred.tolist()
    second_choice: list[int] = second.tolist()
    total = len(first_choice)
    roots = [node.get for node in _roots(size)]

    def follow(at: int, start: Any, also: Any) -> tuple[int, Any]:
        """Longest match from ``at``: where it ends, and its node."""
        at += 1
        front = [start] if also is None else [start, also]
        while at < total:
            a, b = first_choice[at], second_choice[at]
            longer = []
            for node in front:
                if (child := node(a)) is not None:
                    longer.append(child)
                if b >= 0 and (child := node(b)) is not None:
                    longer.append(child)
            if not longer:
                break
            front = longer[:FOLLOWED]
            at += 1
        return at, front[0]

    number = (1 << size) + 2
    found: list[Any] = []
    b = second_choice[0]
    end, node = follow(0, roots[first_choice[0]], None if b < 0 else roots[b])
    while end < total:
        found.append(node)
        a, b = first_choice[end], second_choice[end]
        if number == TABLE:
            end, node = follow(end, roots[a], None if b < 0 else roots[b])
            continue
        children = node.__self__
        leaf = {CODE: number}.get
        children[a] = leaf
        after, next_node = follow(end, roots[a], None)
        if b >= 0:
            # The next match may start either way; the table entry follows it.
            del children[a]
            children[b] = leaf
            after_b, next_b = follow(end, roots[b], None)
            if after_b > after:
                after, next_node = after_b, next_b
            else:
                del children[b]
                children[a] = leaf
        number += 1
        end, node = after, next_node
    found.append(node)
    return _packed([node.__self__[CODE] for node in found], size)
