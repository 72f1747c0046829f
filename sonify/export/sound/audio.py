"""Samples, and rendered sound stored within a memory limit."""

from __future__ import annotations

import tempfile
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

# samples per second of all rendering
RATE = 48000

Samples = NDArray[np.float32]
"""Shape (samples, 2), full scale at 1.0."""

# the most samples between the starts of two pieces of a long performance: own choice
PIECE = 30 * RATE

# samples to handle at a time; few enough to stay in the processor's cache
STRIDE = 2 * RATE

# bytes of rendered sound to keep in memory, seven minutes: own choice
IN_MEMORY = 160 << 20

# bytes of a sample of both channels
_FRAME = 8


class Audio(Protocol):
    """Sound to read from."""

    @property
    def size(self) -> int:
        """In samples."""
        ...

    def read(self, start: int, end: int) -> Samples:
        """Read the samples from `start` to `end`, shape (end - start, 2); silence outside."""
        ...


class StoredAudio:
    """Sound in memory; what comes after `in_memory` bytes, in a temporary file."""

    def __init__(self, in_memory: int = IN_MEMORY) -> None:
        # untouched memory costs nothing, and NumPy asks for large pages; a growing buffer in pages
        # of 4 kB has 25,000 page faults in six minutes of sound
        self._held = np.empty((in_memory // _FRAME, 2), np.float32)
        self._file: IO[bytes] | None = None
        self.size = 0

    def add(self, block: Samples) -> None:
        """Append a block."""
        room = self._held[self.size : self.size + len(block)]
        room[...] = block[: len(room)]
        self.size += len(block)
        if len(room) < len(block):
            self._file = self._file or tempfile.TemporaryFile()  # noqa: SIM115
            rest = np.ascontiguousarray(block[len(room) :], np.float32)
            self._file.seek((self.size - len(rest) - len(self._held)) * _FRAME)
            self._file.write(rest.data)

    def cut(self, size: int) -> None:
        """Keep the first `size` samples."""
        self.size = min(self.size, size)

    def read(self, start: int, end: int) -> Samples:
        """Read the samples from `start` to `end`, with silence outside the sound."""
        out = np.zeros((end - start, 2), np.float32)
        low, high = max(start, 0), min(end, self.size)
        if low >= high:
            return out
        found = self._held[low:high]
        out[low - start :][: len(found)] = found
        low += len(found)
        if low < high and self._file is not None:
            self._file.seek((low - len(self._held)) * _FRAME)
            self._file.readinto(out[low - start : high - start].data)  # type: ignore[attr-defined]
        return out


class LoopedAudio:
    """Sound played several times; each pass rings on into the next.

    Parameters
    ----------
    one : Audio
    period : float
        Samples from one start to the next; need not be a whole number.
    times : int
    """

    def __init__(self, one: Audio, period: float, times: int) -> None:
        self._one = one
        self._starts = np.rint(np.arange(times) * period).astype(np.int64)
        self.size = int(self._starts[-1]) + one.size

    def read(self, start: int, end: int) -> Samples:
        """Read the samples from `start` to `end`, with silence outside the sound."""
        out = np.zeros((end - start, 2), np.float32)
        first = int(np.searchsorted(self._starts, start - self._one.size, side="right"))
        last = int(np.searchsorted(self._starts, end))
        for at in self._starts[first:last].tolist():
            low, high = max(start, at), min(end, at + self._one.size)
            if low < high:
                out[low - start : high - start] += self._one.read(low - at, high - at)
        return out


def fold(one: Audio, period: int, in_memory: int = IN_MEMORY) -> StoredAudio:
    """Make sound of `period` samples that repeats seamlessly: its tail is added to its start."""
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
