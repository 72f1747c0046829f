"""The samples of a detector log: two channels, in parts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["BLOCK", "SOME", "Channels", "Floats", "Samples", "sample_rate"]

Floats = NDArray[np.float32]

BLOCK = 1 << 20
"""Samples processed at a time: 8 MB."""

SOME = BLOCK // 16
"""Samples whose times are looked at in one place."""

TIME = ("time", "time_s", "t", "t_s", "seconds", "time_ms", "time_us", "ms", "us")
CLOCK = ("clock", "clk", "clock_v", "clock_row")
DATA = ("data", "dat", "data_v", "data_row")

_WITH_UNIT = re.compile(r"(.+?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]")
_MICRO = ("us", "\u00b5s", "\u03bcs")
_UNITS = {"ms": 1e-3, "time_ms": 1e-3, "time_us": 1e-6} | dict.fromkeys(_MICRO, 1e-6)
"""Seconds in the unit of a time column, by that unit or by the column's name."""


class Channels(NamedTuple):
    """The numbers of a log's columns (None if there is none of that name), and the seconds in the
    unit of its times."""

    time: int | None
    clock: int | None
    data: int | None
    unit: float

    @property
    def both(self) -> list[int]:
        """Clock and data, as far as there are."""
        return [at for at in (self.clock, self.data) if at is not None]

    @classmethod
    def named(cls, names: Sequence[str]) -> Channels:
        """The columns of a header, whose names may have units: "Time (ms)", "clock [V]"."""
        split = [(m[1], m[2]) if (m := _WITH_UNIT.fullmatch(n)) else (n, n) for n in names]
        plain = [name for name, _ in split]
        time, clock, data = (
            next((plain.index(n) for n in wanted if n in plain), None)
            for wanted in (TIME, CLOCK, DATA)
        )
        return cls(time, clock, data, 1.0 if time is None else _UNITS.get(split[time][1], 1.0))


@dataclass
class Samples:
    """Two channels of samples.

    Attributes
    ----------
    path : Path
    frames : int
        Samples per channel.
    rate : float
        Samples per second.
    part : callable
        From a first sample and a count to samples, shape (samples, 2): clock, data.
    remarks : list of str
        Cautions about the samples.
    gaps : list of tuple of float
        When samples are missing by the file's own times, and for how long, in s; the level before
        is held there.
    """

    path: Path
    frames: int
    rate: float
    part: Callable[[int, int], Floats]
    remarks: list[str] = field(default_factory=list)
    gaps: list[tuple[float, float]] = field(default_factory=list)

    def blocks(self, size: int = BLOCK) -> Iterator[Floats]:
        """All samples in order, in blocks.

        Raises
        ------
        InputError
            A sample that is not a number.
        """
        for first in range(0, self.frames, size):
            block = self.part(first, size)
            # a sum is finite only if all its terms are
            if not np.isfinite(block.sum(dtype=np.float64)):
                row, column = np.argwhere(~np.isfinite(block))[0].tolist()
                raise InputError(
                    f"sample {first + row:,} of {('clock', 'data')[column]} is not a number; cut "
                    "the log there, or write the level that was measured",
                    file=self.path,
                )
            yield block


def sample_rate(rate: float | None, times: NDArray[Any] | None, unit: float, path: Path) -> float:
    """Samples per second: as given, from the times of the first samples, or from the
    file's name."""
    if rate is None and times is not None:
        steps = np.diff(np.asarray(times, float))
        if len(steps) == 0 or not np.isfinite(steps).all() or np.median(steps) <= 0:
            raise InputError("its times do not rise; each sample needs its time in s", file=path)
        return float(1 / np.median(steps)) / unit
    named = re.search(r"(\d+(?:\.\d+)?) ?(k?)hz", path.stem, re.IGNORECASE)
    if rate is None and named is not None:
        rate = float(named[1]) * (1000 if named[2] else 1)
    if rate is None:
        raise InputError(
            "it has no time column",
            file=path,
            hint="give the samples per second with {sample-rate}, or in its name (log-500Hz.npy)",
        )
    if not (np.isfinite(rate) and rate > 0):
        raise InputError(f"{rate} is not a sample rate; give one above 0", key="sample-rate")
    return float(rate)
