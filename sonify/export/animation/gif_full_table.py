"""The picture data of GIF images whose table is kept once it is full.

The Graphics Interchange Format, Version 89a, lets an encoder go on with a full table instead of
clearing it (appendix F). Pillow's coder always clears, so it codes the start of a picture here, up
to the full table, and NumPy does the rest. With a full table, the coder is an automaton: its state
is the code of the phrase matched so far, and each pixel leads to the next state. No phrase goes on
from one row to the next: so the rows of several pictures are run side by side, and those that are
alike only once.
"""

from __future__ import annotations

import functools
import itertools
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sonify.export.animation.frames import Pixels

__all__ = ["TOGETHER", "joined", "kept_full", "parts", "period"]

I16 = NDArray[np.int16]
I64 = NDArray[np.int64]

# Entries of a full table (appendix F: codes have at most 12 bits).
_TABLE, _WIDEST = 4096, 12
# Pictures, pixels and colours of all tables run side by side, for speed and for memory.
TOGETHER, _MOST_PIXELS, _MOST_COLOURS = 32, 4_000_000, 2048
# Pixels of the stretches that are run: whole rows together, or one row in parts.
_SHORTEST, _LONGEST = 512, 1024


class _Own(threading.local):
    """What a thread keeps from one picture to the next.

    Attributes
    ----------
    full_at : float
        Where the last table was full, as a share of the picture.
    automata : ndarray
        Shape (pictures, pixels, states).
    phrases : list
        Where phrases go on in them, and with which pixels, by picture.
    """

    def __init__(self) -> None:
        self.full_at = 1.0
        self.automata = np.zeros((0, 0, _TABLE), np.int16)
        self.phrases: list[tuple[I64, Pixels]] = []


_own = _Own()


class _Begun(NamedTuple):
    """A picture whose table is full.

    Attributes
    ----------
    flat : ndarray
        The pixels that are left.
    cuts : list of int
        Where stretches of them begin.
    bits : int
        Of the data before them.
    data : bytes
    clear : int
        The clear code.
    codes : ndarray
        Those of the data.
    pixel : ndarray
        The pixel after each of them but the last: together they make the table's phrases.
    """

    flat: Pixels
    cuts: list[int]
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
        full, and None where that takes too much memory.
    """
    begun = [_begun(pixels, size, blocks) for pixels, size in pictures]
    there = [one for one in begun if not isinstance(one, bytes)]
    if sum(len(one.flat) for one in there) > _MOST_PIXELS:
        there = []
    step = _MOST_COLOURS // max((one.clear for one in there), default=1)
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
    # in scrolls, the table is full within a tenth of where it was the last time (measured)
    rows = min(height, int(height * _own.full_at * 1.1) + 1)
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
            _own.full_at = 1.0
            return made
        rows = min(height, rows * 5 // 4 + 1)
    flat, clear, codes = pixels.ravel(), 1 << size, codes[:-1]
    ends = np.cumsum(_lengths(codes, clear))
    start = int(ends[-1])
    _own.full_at = start / len(flat)
    if start == len(flat):
        return blocks(pixels, size)
    # in the column in which most phrases end, a cut costs least
    column = int(np.bincount(ends % width).argmax()) - start
    cuts = _cuts(len(flat) - start, width, column % width)
    return _Begun(flat[start:], cuts, bits, data, clear, codes, flat[ends[:-1]])


def _cuts(size: int, width: int, column: int) -> list[int]:
    """Where stretches of rows begin, the first of which may be short."""
    step = width * -(-_SHORTEST // width)
    parts = -(-step // _LONGEST)
    rows = range(column, size, step)
    cuts = [row + step * part // parts for row in rows for part in range(parts)]
    return [0] * (column > 0) + [cut for cut in cuts if cut < size]


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


def _automata(begun: list[_Begun]) -> I16:
    """The automata of full tables: the next state, by picture, pixel and state.

    The last pixel stands for the end of a stretch: there, and after it, the state is -1.
    """
    automata, high = _own.automata, max(one.clear for one in begun) + 2
    if automata.shape[1] != high or len(automata) < len(begun):
        # a pixel alone; -1 less than the last pixel's states lies one before them
        alone = np.append(np.arange(high - 2, dtype=np.int16), np.full(2, -1, np.int16))
        automata = np.repeat(alone, _TABLE).reshape(1, high, _TABLE).repeat(len(begun), axis=0)
        _own.automata, _own.phrases = automata, []
    tables = automata.reshape(len(automata), -1)
    for table, (where, pixel) in zip(tables, _own.phrases, strict=False):
        table[where] = pixel
    _own.phrases = [(one.pixel * np.int64(_TABLE) + one.codes[:-1], one.pixel) for one in begun]
    for table, one, (where, _) in zip(tables, begun, _own.phrases, strict=False):
        table[where] = np.arange(one.clear + 2, _TABLE)
    return automata


def _finished(begun: list[_Begun]) -> list[bytes]:
    """The sub-blocks of pictures."""
    stretches: dict[tuple[int, bytes], int] = {}
    orders = []
    for k, one in enumerate(begun):
        data, cuts = one.flat.tobytes(), itertools.pairwise([*one.cuts, len(one.flat)])
        own = [stretches.setdefault((k, data[a:b]), len(stretches)) for a, b in cuts]
        orders.append(own)
    states = _run([k for k, _ in stretches], [one for _, one in stretches], _automata(begun))
    clear = np.array([begun[k].clear for k, _ in stretches], np.int16)[:, None]
    # a phrase ends where the next pixel is alone
    ends = np.zeros(states.shape, bool)
    np.less(states[:, 1:], clear, ends[:, :-1])
    ends &= states >= 0
    places = np.flatnonzero(ends)
    codes = states.ravel()[places]
    edges = np.searchsorted(places, np.arange(len(states) + 1) * states.shape[1]).tolist()
    out = []
    for one, own in zip(begun, orders, strict=True):
        parts = [codes[edges[k] : edges[k + 1]] for k in own]
        end = np.array([one.clear + 1], np.int16)
        out.append(joined(_packed(one.data, one.bits, np.concatenate([*parts, end]))))
    return out


def _run(pictures: list[int], stretches: list[bytes], automata: I16) -> I16:
    """The states that stretches go through, shape (stretches, pixels + 1); -1 after their ends."""
    length, (_, high, _) = max(map(len, stretches)), automata.shape
    padded = b"".join([one.ljust(length, b"\0") for one in stretches])
    places = np.full((length + 1, len(stretches)), high - 1, np.int32)
    places[:-1] = np.frombuffer(padded, np.uint8).reshape(-1, length).T
    for k, one in enumerate(stretches):
        if len(one) < length:
            places[len(one) :, k] = high - 1
    states, place = np.empty(places.shape, np.int16), np.empty_like(places[0])
    states[0] = places[0]
    places += np.array(pictures, np.int32) * high
    places *= _TABLE
    flat = automata.ravel()
    for before, row, following in zip(states, places[1:], states[1:], strict=False):
        np.add(before, row, place)
        flat.take(place, None, following, "clip")
    return np.ascontiguousarray(states.T)


def _packed(data: bytes, bits: int, codes: I16) -> bytes:
    """The first bits of some data, and codes of full width after them."""
    even = np.append(codes, np.zeros(len(codes) % 2, np.int16)).astype(np.int32)
    pairs = (even[::2] | even[1::2] << _WIDEST).astype("<u4")
    three = pairs.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    shift, size = bits % 8, bits + len(codes) * _WIDEST
    rest = int.from_bytes(three, "little") << shift | data[bits // 8] & (1 << shift) - 1
    return data[: bits // 8] + rest.to_bytes(-(-size // 8) - bits // 8, "little")
