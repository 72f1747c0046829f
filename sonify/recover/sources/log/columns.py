"""Which columns of a log hold the time, the clock and the data, and how fast it was sampled."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["BLOCK", "Columns", "Floats", "finite", "gaps_near", "given_rate", "rate_of_times"]

BLOCK = 1 << 20
"""Samples processed at a time: 8 MB."""

TIME = ("time", "time_s", "t", "t_s", "seconds", "time_ms", "time_us", "ms", "us")
CLOCK = ("clock", "clk", "clock_v", "clock_row")
DATA = ("data", "dat", "data_v", "data_row")

_WITH_UNIT = re.compile(r"(.+?)\s*[(\[]\s*([^)\]]*?)\s*[)\]]")
_MICRO = ("us", "\u00b5s", "\u03bcs")
_UNITS = {"ms": 1e-3, "time_ms": 1e-3, "time_us": 1e-6} | dict.fromkeys(_MICRO, 1e-6)
"""Seconds in the unit of a time column, by that unit or by the column's name."""

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Columns:
    """Where the channels of a log are.

    Attributes
    ----------
    time, clock, data : int or None
        The number of each column; None if there is none of that name.
    unit : float
        Seconds in the unit of the time column.
    """

    time: int | None
    clock: int | None
    data: int | None
    unit: float = 1.0

    @classmethod
    def named(cls, names: Sequence[str]) -> Columns:
        """The columns of a header, whose names may have units: "Time (ms)", "clock [V]"."""
        split = [(m[1], m[2]) if (m := _WITH_UNIT.fullmatch(n)) else (n, n) for n in names]
        plain = [name for name, _ in split]
        time, clock, data = (
            next((plain.index(n) for n in wanted if n in plain), None)
            for wanted in (TIME, CLOCK, DATA)
        )
        return cls(time, clock, data, 1.0 if time is None else _UNITS.get(split[time][1], 1.0))


def given_rate(rate: float | None, path: Path) -> float:
    """The sample rate, where the file has no times."""
    if rate is None:
        raise InputError(
            "it has no time column",
            file=path,
            hint="give the samples per second with {sample-rate}",
        )
    if not (np.isfinite(rate) and rate > 0):
        raise InputError(f"{rate} is not a sample rate; give one above 0", key="sample-rate")
    return float(rate)


def rate_of_times(times: NDArray[Any], path: Path) -> float:
    """Samples per unit of time, from the first samples' times."""
    steps = np.diff(np.asarray(times, float))
    if len(steps) == 0 or not np.isfinite(steps).all() or np.median(steps) <= 0:
        raise InputError("its times do not rise; each sample needs its time in s", file=path)
    return float(1 / np.median(steps))


def gaps_near(times: NDArray[Any], rate: float) -> list[str]:
    """A remark on gaps between samples, if there are any."""
    gaps = int(np.count_nonzero(np.diff(np.asarray(times, float)) * rate > 1.5))
    return [f"{gaps} gaps between samples near {float(times[0]):.3f} s"] if gaps else []


def finite(block: Floats, first: int, path: Path) -> Floats:
    """A block of samples whose first is number `first`, or an error that names a wrong one."""
    # a sum is finite only if all its terms are
    if not np.isfinite(block.sum(dtype=np.float64)):
        row, column = np.argwhere(~np.isfinite(block))[0].tolist()
        raise InputError(
            f"sample {first + row:,} of {('clock', 'data')[column]} is not a number; cut the log "
            "there, or write the level that was measured",
            file=path,
        )
    return block
