"""Sound that has been rendered, kept where it takes no memory, to be read as often as needed."""

from __future__ import annotations

import tempfile
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from typing import IO, Protocol

import numpy as np

from sonify.export.sound.synth import PIECE, Samples
from sonify.midi.smf import RATE

__all__ = ["IN_MEMORY", "STRIDE", "Looped", "Recorded", "Take", "blocks_of", "fold", "record"]

STRIDE = 2 * RATE
"""Samples to handle at a time, few enough to stay near the processor."""

IN_MEMORY = 96 << 20
"""Bytes of a take that are kept in memory."""

_FRAME = 8


class Take(Protocol):
    """Sound to read from: `size` samples."""

    size: int

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, shape (end - start, 2); silence outside."""
        ...


class Recorded:
    """A take in memory and, from so many bytes on, in a temporary file that goes with it."""

    def __init__(self, in_memory: int = IN_MEMORY) -> None:
        self._most = in_memory // _FRAME
        self._blocks: list[Samples] = []
        self._starts: list[int] = []
        self._held = 0  # samples that are in memory
        self._file: IO[bytes] | None = None
        self.size = 0

    def add(self, block: Samples) -> None:
        """Put a block behind what is there; it is kept as it is, not copied."""
        if not len(block):
            return
        if self._file is None and self._held + len(block) <= self._most:
            # a small part would keep the whole that it was cut from
            whole = block if block.base is None else block.base
            small = getattr(whole, "nbytes", 0) > 1.25 * block.nbytes
            self._blocks.append(block.copy() if small else block)
            self._starts.append(self._held)
            self._held += len(block)
        else:
            if self._file is None:
                self._file = tempfile.TemporaryFile()  # noqa: SIM115
            self._file.seek((self.size - self._held) * _FRAME)
            self._file.write(np.ascontiguousarray(block, "<f4").data)
        self.size += len(block)

    def cut(self, size: int) -> None:
        """Keep the first `size` samples."""
        self.size = min(self.size, size)

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, with silence outside."""
        out = np.zeros((end - start, 2), np.float32)
        low, high = max(start, 0), min(end, self.size)
        first = max(bisect_right(self._starts, low) - 1, 0)
        for at, block in zip(self._starts[first:], self._blocks[first:], strict=True):
            if at >= high:
                break
            a, b = max(low, at), min(high, at + len(block))
            if a < b:
                out[a - start : b - start] = block[a - at : b - at]
        a = max(low, self._held)
        if a < high and self._file is not None:
            self._file.seek((a - self._held) * _FRAME)
            data = self._file.read((high - a) * _FRAME)
            out[a - start : high - start] = np.frombuffer(data, "<f4").reshape(-1, 2)
        return out


class Looped:
    """A take played several times, each time `period_s` after the last, ringing over the seam.

    Parameters
    ----------
    one : Take
    period : float
        In samples; need not be whole.
    times : int
        How often.
    """

    def __init__(self, one: Take, period: float, times: int) -> None:
        self._one = one
        self._starts = np.rint(np.arange(times) * period).astype(np.int64)
        self.size = int(self._starts[-1]) + one.size

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, with silence outside."""
        out = np.zeros((end - start, 2), np.float32)
        first = int(np.searchsorted(self._starts, start - self._one.size, side="right"))
        last = int(np.searchsorted(self._starts, end))
        for at in self._starts[first:last].tolist():
            low, high = max(start, at), min(end, at + self._one.size)
            if low < high:
                out[low - start : high - start] += self._one.read(low - at, high - at)
        return out


def fold(one: Take, period: int, in_memory: int = IN_MEMORY) -> Recorded:
    """A take of `period` samples that can be repeated for ever: its end rings on into its start."""
    out = Recorded(in_memory)
    for a in range(0, period, PIECE):
        b = min(a + PIECE, period)
        block = one.read(a, b)
        for k in range(period, one.size, period):
            block += one.read(a + k, b + k)
        out.add(block)
    return out


def record(
    blocks: Iterable[Samples],
    each: Callable[[Samples], None] | None = None,
    in_memory: int = IN_MEMORY,
) -> Recorded:
    """Keep blocks; `each` sees them as they come."""
    out = Recorded(in_memory)
    for block in blocks:
        out.add(block)
        if each is not None:
            each(block)
    return out


def blocks_of(take: Take, size: int = PIECE) -> Iterator[Samples]:
    """A take from its start to its end."""
    for a in range(0, take.size, size):
        yield take.read(a, min(a + size, take.size))
