"""The samples of a detector log in blocks, whatever kind of file they are in."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from sonify.recover.sources.log.array import load_array, open_array
from sonify.recover.sources.log.columns import Floats
from sonify.recover.sources.log.table import open_table
from sonify.recover.sources.log.wave import open_wave

__all__ = ["Samples", "open_samples"]


class Samples(Protocol):
    """Two channels of samples.

    Attributes
    ----------
    rate : float
        Samples per second.
    remarks : list of str
        What to know of them.
    """

    rate: float
    remarks: list[str]

    @property
    def frames(self) -> int:
        """Samples per channel; an estimate for text."""
        ...

    def window(self, start: int, count: int) -> Floats:
        """Samples from about `start` on, shape (samples, 2): clock, data."""
        ...

    def blocks(self) -> Iterator[Floats]:
        """All samples in order, shape (samples, 2) each: clock, data."""
        ...


def open_samples(path: Path, rate: float | None = None) -> Samples:
    """Open a detector log by its suffix: .wav, .npy, or text.

    Parameters
    ----------
    path : Path
    rate : float, optional
        Samples per second, if the file has no times.

    Raises
    ------
    InputError
        Not a log, one channel, no sample rate, a file cut short.
    """
    suffix = path.suffix.casefold()
    if suffix == ".wav":
        return open_wave(path)
    if suffix == ".npy":
        return open_array(path, load_array(path), rate)
    return open_table(path, rate)
