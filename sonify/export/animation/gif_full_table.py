"""The picture data of GIF images whose table is kept once it is full.

The Graphics Interchange Format, Version 89a, lets an encoder go on with a full table instead of
clearing it (appendix F). Pillow's coder always clears, so it codes the start of a picture here, up
to the full table, and NumPy does the rest. With a full table, the coder is an automaton: its state
is the phrase matched so far, and each pixel leads to the next state. Stretches of several pictures
are run side by side, each from a little before its start, so that most fall into step with the
stretch before them. The others are run again.
"""

from __future__ import annotations

import functools
import itertools
import threading
from collections.abc import Callable, Sequence
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sonify.export.animation.frames import Pixels

__all__ = ["TOGETHER", "joined", "kept_full", "parts", "period"]

I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
T = TypeVar("T", np.int16, np.int32)

# Entries of a full table (appendix F: codes have at most 12 bits).
_TABLE, _WIDEST = 4096, 12
# Pictures and pixels run side by side, for speed and for memory.
TOGETHER, _MOST_PIXELS = 16, 4_000_000
# About so many stretches of so many pixels; each is run from a quarter of that before its start.
# In scrolls at 20 px a lamp, nine in ten fall into step within 190 pixels (measured).
_LANES, _SHORTEST, _LONGEST = 512, 768, 4096
# What is not in step after so many runs is left to Pillow.
_RUNS = 4

_own = threading.local()
# Many short steps in two threads at once would take longer than one after the other.
_one_at_a_time = threading.Lock()


class _Begun(NamedTuple):
    """A picture whose table is full.

    Attributes
    ----------
    flat : ndarray
        Its pixels.
    start : int
        The pixel at which the table is full.
    bits : int
        Of the data up to there.
    data : bytes
    clear : int
        The clear code.
    codes : ndarray
        Those up to there.
    pixel : ndarray
        The pixel after each of them but the last: together they make the table's phrases.
    """

    flat: Pixels
    start: int
    bits: int
    data: bytes
    clear: int
    codes: I64
    pixel: Pixels


def kept_full(
    pictures: Sequence[tuple[Pixels, int]], blocks: Callable[[Pixels, int], bytes]
) -> list[bytes | None]:
    """Code up to `TOGETHER` pictures.

    Parameters
    ----------
    pictures
        Indices, shape (h, w), and the minimum code size of each.
    blocks
        Makes sub-blocks of a picture with a code size; clears a full table.

    Returns
    -------
    list of bytes or None
        The sub-blocks of each without their end; those of `blocks` where the table does not get
        full, and None where they are needed, but were not made.
    """
    begun = [_begun(pixels, size, blocks) for pixels, size in pictures]
    there = [one for one in begun if not isinstance(one, bytes)]
    if sum(len(one.flat) - one.start for one in there) > _MOST_PIXELS:
        there = []
    done = iter(_finished(there) if there else ())
    return [one if isinstance(one, bytes) else next(done, None) for one in begun]


@functools.cache
def period(size: int) -> tuple[I64, I64]:
    """Where codes begin after a clear code, and their widths, in bits.

    The last one is the clear code that Pillow writes when its table is full.
    """
    highest = np.arange(_TABLE - (1 << size), dtype=np.int64) + (1 << size) + 1
    steps = 1 << np.arange(size + 1, _WIDEST)
    widths = size + 1 + np.searchsorted(steps, highest, side="right")
    return np.cumsum(widths) - widths, widths


def parts(blocks: bytes) -> bytes:
    """The data of sub-blocks."""
    return b"".join(blocks[at + 1 : at + 256] for at in range(0, len(blocks), 256))


def joined(data: bytes) -> bytes:
    """Data in sub-blocks."""
    cut = (data[at : at + 255] for at in range(0, len(data), 255))
    return b"".join(bytes([len(part)]) + part for part in cut)


def _begun(pixels: Pixels, size: int, blocks: Callable[[Pixels, int], bytes]) -> _Begun | bytes:
    begins, widths = period(size)
    begins = begins + size + 1
    height, width = pixels.shape
    # about where the table was full the last time
    rows = min(height, getattr(_own, "full_at", height * width) * 9 // 8 // width + 2)
    while True:
        made = blocks(pixels[:rows], size)
        data = parts(made)
        if len(data) * 8 >= begins[-1] + _WIDEST:
            whole = np.frombuffer(data + b"\0\0", np.uint8).astype(np.int64)
            byte = begins >> 3
            three = whole[byte] | whole[byte + 1] << 8 | whole[byte + 2] << 16
            codes = three >> (begins & 7) & ((1 << widths) - 1)
            if codes[-1] == 1 << size:
                break
        if rows == height:
            _own.full_at = height * width
            return made
        rows = min(height, 2 * rows)
    flat, clear, codes = pixels.ravel(), 1 << size, codes[:-1]
    ends = np.cumsum(_lengths(codes, clear))
    _own.full_at = start = int(ends[-1])
    if start == len(flat):
        return blocks(pixels, size)
    return _Begun(flat, start, int(begins[-1]), data, clear, codes, flat[ends[:-1]])


def _lengths(codes: I64, clear: int) -> I64:
    """How many pixels each code of a table stands for."""
    before = np.arange(_TABLE)
    before[clear + 2 :] = codes[:-1]
    length = np.zeros(_TABLE, np.int64)
    length[clear + 2 :] = 1
    while before.max() > clear + 1:
        # each turn doubles how far back it looks
        length += length.take(before)
        before = before.take(before)
    return length.take(codes) + 1


def _automata(begun: list[_Begun]) -> tuple[list[int], I32, NDArray[np.int16]]:
    """The automata of full tables, by state and pixel, one after the other.

    Returns
    -------
    tuple
        Where each begins, the next state (as a place in the arrays), and the code of the phrase
        with that pixel, or the pixel alone if no phrase goes on with it. Phrases that none goes on
        from share the first state.
    """
    goes_on = np.zeros((len(begun), _TABLE), np.bool_)
    for mark, one in zip(goes_on, begun, strict=True):
        mark[one.codes[:-1]] = True
    values = [int(one.flat.max()) + 1 for one in begun]
    states = np.count_nonzero(goes_on, axis=1) + 1
    *bases, size = np.cumsum([0, *(states * values)]).tolist()
    following, code = _space("following", size, np.int32), _space("code", size, np.int16)
    for mark, one, base, count, n in zip(goes_on, begun, bases, values, states, strict=True):
        state = np.cumsum(mark) * mark * count + base
        part = slice(base, base + n * count)
        following[part].reshape(n, count)[:] = state[:count]
        code[part].reshape(n, count)[:] = np.arange(count)
        at = state[one.codes[:-1]] + one.pixel
        following[at] = state[one.clear + 2 :]
        code[at] = np.arange(one.clear + 2, _TABLE)
    return bases, following, code


def _space(name: str, size: int, kind: type[T]) -> NDArray[T]:
    """Memory that is used again: to be given new one takes as long as to fill it."""
    kept = _own.__dict__
    if name not in kept or len(kept[name]) < size:
        kept[name] = np.empty(size * 5 // 4, kind)
    out: NDArray[T] = kept[name][:size]
    return out


def _finished(begun: list[_Begun]) -> list[bytes | None]:
    """The sub-blocks of pictures; None where stretches don't get into step."""
    length = sum(len(one.flat) - one.start for one in begun) // _LANES
    length = min(max(length, _SHORTEST), _LONGEST)
    early = length // 4
    lanes = [_stretches(one, length, early) for one in begun]
    edges = np.cumsum([0, *map(len, lanes)])
    shape = early + length, int(edges[-1])
    pixels = _space("pixels", shape[0] * shape[1], np.int32).reshape(shape)
    pixels[:] = np.concatenate(lanes).T
    bases, table, code = _automata(begun)
    base = np.repeat(np.array(bases, np.int32), np.diff(edges))
    with _one_at_a_time:
        at = _run(pixels, table, base, edges[:-1], early)
    apart = np.flatnonzero(_out_of_step(at, pixels, table, edges[:-1], early))
    failed = np.searchsorted(edges, apart, side="right") - 1
    longest = code.take(at[early:], mode="clip")
    out: list[bytes | None] = []
    for k, (one, (a, b)) in enumerate(zip(begun, itertools.pairwise(edges), strict=True)):
        phrases = longest[:, a:b].T.ravel()[: len(one.flat) - one.start]
        # a phrase ends where the next pixel is alone
        codes = np.append(phrases[:-1][phrases[1:] < one.clear], phrases[-1:])
        data = _packed(one.data, one.bits, np.append(codes, one.clear + 1).astype(np.int64))
        out.append(None if k in failed else joined(data))
    return out


def _stretches(one: _Begun, length: int, early: int) -> Pixels:
    """The pixels that are left, in stretches with those before each: shape (n, pixels)."""
    flat, start = one.flat, one.start
    count = -(-(len(flat) - start) // length)
    padded = np.zeros(early + count * length, np.uint8)
    before = min(start, early)
    padded[early - before : early + len(flat) - start] = flat[start - before :]
    return sliding_window_view(padded, early + length)[::length]


def _run(pixels: I32, table: I32, base: I32, first: I64, early: int) -> I32:
    """The places in a table that stretches go through, shape (pixels, stretches)."""
    at, state = _space("at", pixels.size, np.int32).reshape(pixels.shape), base.copy()
    for k, (row, place) in enumerate(zip(pixels, at, strict=True)):
        if k == early:
            # here a phrase begins
            state[first] = base[first]
        np.add(state, row, place)
        table.take(place, None, state, "clip")
    for _ in range(_RUNS):
        apart = np.flatnonzero(_out_of_step(at, pixels, table, first, early))
        if not len(apart):
            break
        state, again = table[at[-1, apart - 1]], pixels[early:, apart]
        for k in range(len(again)):
            again[k] += state
            if k % 64 == 63 and (again[k] == at[early + k, apart]).all():
                break
            state = table.take(again[k], mode="clip")
        at[early : early + k + 1, apart] = again[: k + 1]
    return at


def _out_of_step(at: I32, pixels: I32, table: I32, first: I64, early: int) -> NDArray[np.bool_]:
    """Which stretches don't go on where the one before them ends."""
    wrong: NDArray[np.bool_] = at[early] != np.roll(table[at[-1]], 1) + pixels[early]
    wrong[first] = False
    return wrong


def _packed(data: bytes, bits: int, codes: I64) -> bytes:
    """The first bits of some data, and codes of full width after them."""
    even = np.append(codes, np.zeros(len(codes) % 2, np.int64))
    pairs = (even[::2] | even[1::2] << _WIDEST).astype("<u4")
    three = pairs.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    shift, size = bits % 8, bits + len(codes) * _WIDEST
    rest = int.from_bytes(three, "little") << shift | data[bits // 8] & (1 << shift) - 1
    return data[: bits // 8] + rest.to_bytes(-(-size // 8) - bits // 8, "little")
