"""Detector logs in .npy files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.columns import (
    BLOCK,
    Columns,
    Floats,
    finite,
    gaps_near,
    given_rate,
    rate_of_times,
)

__all__ = ["load_array", "open_array"]

SOME = BLOCK // 16
"""Samples whose times are looked at in one place."""

MOST_REMARKS = 20


@dataclass
class ArraySamples:
    """An array in a .npy file, mapped and not read whole."""

    path: Path
    array: NDArray[Any]
    columns: tuple[int, int]
    rate: float
    remarks: list[str] = field(default_factory=list)

    @property
    def frames(self) -> int:
        """Samples per channel."""
        return len(self.array)

    def window(self, start: int, count: int) -> Floats:
        """Samples from `start` on."""
        part = self.array[start : start + count]
        if part.dtype.names:
            both = [part[part.dtype.names[c]] for c in self.columns]
            return np.stack(both, axis=1).astype(np.float32)
        whole = self.columns == (0, 1) and part.shape[1] == 2
        return np.ascontiguousarray(part if whole else part[:, list(self.columns)], np.float32)

    def blocks(self) -> Iterator[Floats]:
        """All samples."""
        for start in range(0, self.frames, BLOCK):
            yield finite(self.window(start, BLOCK), start, self.path)


def load_array(path: Path) -> NDArray[Any]:
    """The array in a .npy file, mapped; never a pickle."""
    try:
        out: NDArray[Any] = np.load(path, mmap_mode="r", allow_pickle=False)
    except (ValueError, OSError, EOFError) as e:
        what = str(e).split("\n")[0]
        if "pickle" in what or "Object arrays" in what:
            what = "it holds Python objects, which are not read"
        raise InputError(
            f"this is not a NumPy array that can be read ({what})", file=path
        ) from None
    return out


def open_array(path: Path, array: NDArray[Any], rate: float | None) -> ArraySamples:
    """A log in an array: columns (time, clock, data) or (clock, data), or fields of those names."""
    fields = array.dtype.names
    if fields:
        at = Columns.named([n.casefold() for n in fields])
        if at.clock is None or at.data is None:
            raise InputError(
                f"its fields are {', '.join(fields)}; clock and data are needed", file=path
            )
        if at.time is not None and rate is None:
            rate = rate_of_times(array[fields[at.time]][:SOME], path) / at.unit
        return ArraySamples(path, array, (at.clock, at.data), given_rate(rate, path))
    if array.size == 0:
        raise InputError("it holds no samples; record the detectors again", file=path)
    if array.ndim == 2 and array.shape[0] < array.shape[1]:
        array = array.T
    if array.ndim == 1 or (array.ndim == 2 and array.shape[1] == 1):
        raise InputError("it has one channel; a log needs two, clock and data", file=path)
    if array.ndim != 2 or array.dtype.kind not in "biuf":
        raise InputError(
            f"its shape is {array.shape} of {array.dtype}; samples with the columns "
            "time, clock, data are needed",
            file=path,
        )
    columns = array.shape[1]
    if columns > 3:
        raise InputError(
            f"it has {columns} columns; time, clock, data (or clock, data) are needed", file=path
        )
    if columns == 2:
        return ArraySamples(path, array, (0, 1), given_rate(rate, path))
    rate = rate_of_times(array[:SOME, 0], path) if rate is None else rate
    log = ArraySamples(path, array, (1, 2), rate)
    for start in range(0, len(array), max(BLOCK, len(array) // 8)):
        log.remarks += gaps_near(array[start : start + SOME, 0], rate)
    log.remarks = log.remarks[:MOST_REMARKS]
    return log
