"""Samples, and rendered sound kept within a limit of memory, to be read as often as needed."""

from __future__ import annotations

import tempfile
from bisect import bisect_right
from collections.abc import Iterator
from typing import IO, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "IN_MEMORY",
    "PIECE",
    "RATE",
    "STRIDE",
    "Audio",
    "LoopedAudio",
    "Samples",
    "StoredAudio",
    "blocks_of",
    "fold",
]

RATE = 48000
"""Samples per second of all rendering."""

Samples = NDArray[np.float32]
"""Shape (samples, 2), full scale at 1.0."""

PIECE = 30 * RATE
"""The most samples between the starts of two pieces of a long performance."""

STRIDE = 2 * RATE
"""Samples to handle at a time, so few that they stay in the processor's cache."""

IN_MEMORY = 96 << 20
"""Bytes of rendered sound that are kept in memory."""

_FRAME = 8
"""Bytes of a sample of both channels."""


class Audio(Protocol):
    """Sound to read from: `size` samples."""

    size: int

    def read(self, start: int, end: int) -> Samples:
        """The samples from `start` to `end`, shape (end - start, 2); silence outside."""
        ...


class StoredAudio:
    """Sound in memory and, beyond `in_memory` bytes, in a temporary file."""

    def __init__(self, in_memory: int = IN_MEMORY) -> None:
        self._most = in_memory // _FRAME
        self._blocks: list[Samples] = []
        self._starts: list[int] = []
        self._held = 0  # samples that are in memory
        self._file: IO[bytes] | None = None
        self.size = 0

    def add(self, block: Samples) -> None:
        """Append a block; it is kept, not copied."""
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


class LoopedAudio:
    """Sound played several times, ringing on over the seams.

    Parameters
    ----------
    one : Audio
    period : float
        From one start to the next in samples; need not be whole.
    times : int
    """

    def __init__(self, one: Audio, period: float, times: int) -> None:
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


def fold(one: Audio, period: int, in_memory: int = IN_MEMORY) -> StoredAudio:
    """Sound of `period` samples that repeats without a seam: its end is added to its start."""
    out = StoredAudio(in_memory)
    for a in range(0, period, PIECE):
        b = min(a + PIECE, period)
        block = one.read(a, b)
        for k in range(period, one.size, period):
            block += one.read(a + k, b + k)
        out.add(block)
    return out


def blocks_of(audio: Audio, size: int = PIECE) -> Iterator[Samples]:
    """Sound block by block."""
    for a in range(0, audio.size, size):
        yield audio.read(a, min(a + size, audio.size))
