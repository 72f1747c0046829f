"""The picture data of GIF images whose table is kept once it is full.

The Graphics Interchange Format, Version 89a, lets an encoder go on with a full table instead of
clearing it (appendix F). Pillow's coder always clears, so it codes the start of a picture here, up
to the full table, and NumPy does the rest. With a full table, the coder is an automaton: its state
is the code of the phrase matched so far, and each pixel leads to the next state. Stretches of
several pictures are run side by side, each from a little before its start, so that most fall into
step with the stretch before them. The others are run again.
"""

from __future__ import annotations

import functools
import itertools
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeVar, cast

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sonify.export.animation.frames import Pixels

__all__ = ["TOGETHER", "joined", "kept_full", "parts", "period"]

I16 = NDArray[np.int16]
I32 = NDArray[np.int32]
I64 = NDArray[np.int64]
T = TypeVar("T", np.int16, np.int32)

# Entries of a full table (appendix F: codes have at most 12 bits).
_TABLE, _WIDEST = 4096, 12
# Pictures, pixels and colours of all tables run side by side, for speed and for memory.
TOGETHER, _MOST_PIXELS, _MOST_COLOURS = 32, 4_000_000, 2048
# About so many stretches of so many pixels; each is run from a quarter of that before its start.
# In scrolls at 20 px a lamp, nine in ten fall into step within 190 pixels (measured).
_LANES, _SHORTEST, _LONGEST = 1024, 768, 4096
# What is not in step after so many runs is left to Pillow.
_RUNS = 4


class _Own(threading.local):
    """What a thread keeps from one picture to the next: where the last table was full, in pixels,
    and arrays."""

    full_at = 1 << 32

    def __init__(self) -> None:
        self.spaces: dict[str, NDArray[np.integer]] = {}


_own = _Own()


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
    colours : int
        The largest index and one.
    """

    flat: Pixels
    start: int
    bits: int
    data: bytes
    clear: int
    codes: I64
    pixel: Pixels
    colours: int


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
    step = _MOST_COLOURS // max((one.colours for one in there), default=1)
    done = [one for at in range(0, len(there), step) for one in _finished(there[at : at + step])]
    following = iter(done)
    return [one if isinstance(one, bytes) else next(following, None) for one in begun]


@functools.cache
def period(size: int) -> tuple[I64, I64]:
    """Where codes begin after a clear code, and their widths, in bits.

    The last one is the clear code that Pillow writes when its table is full.
    """
    highest = np.arange(_TABLE - (1 << size), dtype=np.int64) + (1 << size) + 1
    steps = 1 << np.arange(size + 1, _WIDEST)
    widths = size + 1 + np.searchsorted(steps, highest, side="right")
    return np.cumsum(widths) - widths, widths


@functools.cache
def _places(size: int) -> tuple[I64, I64, I64]:
    """The byte in which each of these codes begins after the first clear code, by how many bits it
    is shifted there, and its mask."""
    begins, widths = period(size)
    begins = begins + size + 1
    return begins >> 3, begins & 7, (1 << widths) - 1


def parts(blocks: bytes) -> bytes:
    """The data of sub-blocks."""
    count = -(-len(blocks) // 256)
    table = np.frombuffer(blocks.ljust(count * 256, b"\0"), np.uint8).reshape(count, 256)
    return table[:, 1:].tobytes()[: len(blocks) - count]


def joined(data: bytes) -> bytes:
    """Data in sub-blocks."""
    count = -(-len(data) // 255)
    table = np.empty((count, 256), np.uint8)
    table[:, 0] = 255
    table[-1:, 0] = len(data) - (count - 1) * 255
    table[:, 1:] = np.frombuffer(data.ljust(count * 255, b"\0"), np.uint8).reshape(count, 255)
    return table.tobytes()[: len(data) + count]


def _begun(pixels: Pixels, size: int, blocks: Callable[[Pixels, int], bytes]) -> _Begun | bytes:
    byte, shift, mask = _places(size)
    bits = int(byte[-1] << 3 | shift[-1])
    height, width = pixels.shape
    # in scrolls, the table is full within 7 % of where it was the last time (19 of 20, measured)
    rows = min(height, _own.full_at * 15 // 14 // width + 1)
    while True:
        made = blocks(pixels[:rows], size)
        data = parts(made)
        if len(data) * 8 >= bits + _WIDEST:
            whole = data + b"\0\0\0\0"
            four = np.ndarray(len(data), "<u4", whole, strides=(1,))
            codes = four[byte] >> shift & mask
            if codes[-1] == 1 << size:
                break
        if rows == height:
            _own.full_at = height * width
            return made
        rows = min(height, rows * 5 // 4 + 1)
    flat, clear, codes = pixels.ravel(), 1 << size, codes[:-1]
    ends = np.cumsum(_lengths(codes, clear))
    _own.full_at = start = int(ends[-1])
    if start == len(flat):
        return blocks(pixels, size)
    colours = int(flat.max()) + 1
    return _Begun(flat, start, bits, data, clear, codes, flat[ends[:-1]], colours)


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


def _automata(begun: list[_Begun]) -> tuple[list[int], I16]:
    """The automata of full tables one after the other, and where each begins: the next state, by
    pixel and state."""
    *bases, size = itertools.accumulate((one.colours * _TABLE for one in begun), initial=0)
    following = _space("following", size, np.int16)
    for one, base in zip(begun, bases, strict=True):
        table = following[base : base + one.colours * _TABLE].reshape(-1, _TABLE)
        # a pixel alone, but where a phrase goes on with it
        table[:] = np.arange(one.colours)[:, None]
        table[one.pixel, one.codes[:-1]] = np.arange(one.clear + 2, _TABLE)
    return bases, following


def _space(name: str, size: int, kind: type[T]) -> NDArray[T]:
    """Memory that is used again: to be given new one takes as long as to fill it."""
    kept = _own.spaces
    if name not in kept or len(kept[name]) < size:
        kept[name] = np.empty(size * 5 // 4, kind)
    return cast("NDArray[T]", kept[name][:size])


def _finished(begun: list[_Begun]) -> list[bytes | None]:
    """The sub-blocks of pictures; None where stretches don't get into step."""
    length = sum(len(one.flat) - one.start for one in begun) // _LANES
    length = min(max(length, _SHORTEST), _LONGEST)
    early = length // 4
    lanes = [_stretches(one, length, early) for one in begun]
    edges = np.cumsum([0, *map(len, lanes)])
    shape = early + length, int(edges[-1])
    bases, table = _automata(begun)
    places = _space("places", shape[0] * shape[1], np.int32).reshape(shape)
    places[:] = np.concatenate(lanes).T
    places *= _TABLE
    places += np.repeat(np.array(bases, np.int32), np.diff(edges))
    # after the clear code, any pixel is alone
    first = edges[:-1], np.array([one.clear for one in begun], np.int16)
    states = _run(places, table, first, early)
    apart = _out_of_step(states, places, table, first, early)
    failed = np.searchsorted(edges, apart, side="right") - 1
    out: list[bytes | None] = []
    for k, (one, (a, b)) in enumerate(zip(begun, itertools.pairwise(edges), strict=True)):
        phrases = states[early:, a:b].T.ravel()[: len(one.flat) - one.start]
        # a phrase ends where the next pixel is alone
        codes = np.append(phrases[:-1][phrases[1:] < one.clear], phrases[-1:])
        data = _packed(one.data, one.bits, np.append(codes, np.int16(one.clear + 1)))
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


def _run(places: I32, table: I16, first: tuple[I64, I16], early: int) -> I16:
    """The states that stretches go through, shape (pixels, stretches).

    Parameters
    ----------
    places
        Where in the table the states that follow with each pixel begin.
    table
        Of `_automata`.
    first
        The first stretch of each picture, and the state in which it begins.
    early
        How many pixels before it each stretch is run.
    """
    states = _space("states", places.size, np.int16).reshape(places.shape)
    state, place = np.zeros(places.shape[1], np.int16), np.empty(places.shape[1], np.int32)
    for k, (row, following) in enumerate(zip(places, states, strict=True)):
        if k == early:
            state[first[0]] = first[1]
        np.add(state, row, place)
        table.take(place, None, following, "clip")
        state = following
    for _ in range(_RUNS):
        apart = _out_of_step(states, places, table, first, early)
        if not len(apart):
            break
        state, again = states[-1, apart - 1], states[early:, apart]
        for k, row in enumerate(places[early:, apart]):
            row += state
            state = table.take(row, mode="clip")
            together = k % 64 == 63 and (again[k] == state).all()
            again[k] = state
            if together:
                break
        states[early:, apart] = again
    return states


def _out_of_step(states: I16, places: I32, table: I16, first: tuple[I64, I16], early: int) -> I64:
    """Which stretches don't go on where the one before them ends."""
    before = np.roll(states[-1], 1)
    before[first[0]] = first[1]
    return np.flatnonzero(states[early] != table[before + places[early]])


def _packed(data: bytes, bits: int, codes: I16) -> bytes:
    """The first bits of some data, and codes of full width after them."""
    even = np.append(codes, np.zeros(len(codes) % 2, np.int16)).astype(np.int32)
    pairs = (even[::2] | even[1::2] << _WIDEST).astype("<u4")
    three = pairs.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    shift, size = bits % 8, bits + len(codes) * _WIDEST
    rest = int.from_bytes(three, "little") << shift | data[bits // 8] & (1 << shift) - 1
    return data[: bits // 8] + rest.to_bytes(-(-size // 8) - bits // 8, "little")
