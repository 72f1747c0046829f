"""The samples of a detector log, in blocks: .csv, .npy and two-channel .wav behind one shape."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["BLOCK", "CLOCK_NAMES", "DATA_NAMES", "TIME_NAMES", "Samples", "open_samples"]

BLOCK = 1 << 20
TIME_NAMES = ("time", "time_s", "t", "t_s", "seconds", "time_ms", "time_us", "ms", "us")
CLOCK_NAMES = ("clock", "clk", "clock_v", "clock_row")
DATA_NAMES = ("data", "dat", "data_v", "data_row")
_UNIT = {"time_ms": 1e-3, "ms": 1e-3, "time_us": 1e-6, "us": 1e-6}

Floats = NDArray[np.float32]


class Samples(Protocol):
    """Two channels of samples.

    Attributes
    ----------
    rate : float
        Samples a second.
    """

    rate: float
    notes: list[str]

    @property
    def frames(self) -> int:
        """How many samples each channel has (an estimate for text)."""
        ...

    def window(self, start: int, count: int) -> Floats:
        """Some samples from about `start`, shape (samples, 2): clock, data."""
        ...

    def blocks(self) -> Iterator[Floats]:
        """All samples in order, shape (samples, 2) each: clock, data."""
        ...


def _need_rate(rate: float | None, path: Path) -> float:
    if rate is None:
        raise InputError(
            "it has no time column",
            file=path,
            hint="give the samples per second with {sample-rate}",
        )
    if not (np.isfinite(rate) and rate > 0):
        raise InputError(f"{rate} is not a sample rate; give one above 0", key="sample-rate")
    return float(rate)


def _rate_of_times(times: NDArray[np.floating[Any]], path: Path) -> float:
    steps = np.diff(np.asarray(times, float))
    if len(steps) == 0 or not np.isfinite(steps).all() or np.median(steps) <= 0:
        raise InputError("its times do not rise; they must be seconds, one a sample", file=path)
    return float(1 / np.median(steps))


def _check_even(times: NDArray[np.floating[Any]], rate: float, notes: list[str]) -> None:
    steps = np.diff(np.asarray(times, float)) * rate
    gaps = int(np.count_nonzero(steps > 1.5))
    if gaps and len(notes) < 20:
        notes.append(f"{gaps} gaps between samples near {float(times[0]):.3f} s")


def finite(block: Floats, first: int, path: Path) -> Floats:
    """The block, or what is wrong with it."""
    # a sum is not finite when any of its terms is not
    if not np.isfinite(block.sum(dtype=np.float64)):
        bad = np.argwhere(~np.isfinite(block))[0]
        channel = ("clock", "data")[int(bad[1])]
        raise InputError(
            f"sample {first + int(bad[0]):,} of {channel} is not a number; "
            "cut the log there or write the level that was measured",
            file=path,
        )
    return block


@dataclass
class ArraySamples:
    """An array in a .npy file, mapped and not read whole."""

    path: Path
    array: NDArray[Any]
    columns: tuple[int, int]
    rate: float
    notes: list[str]

    @property
    def frames(self) -> int:
        """Samples a channel."""
        return len(self.array)

    def window(self, start: int, count: int) -> Floats:
        """Some samples from `start`."""
        part = self.array[start : start + count]
        if part.dtype.names:
            both = [part[part.dtype.names[c]] for c in self.columns]
            return np.stack(both, axis=1).astype(np.float32)
        if self.columns == (0, 1) and part.shape[1] == 2:
            return np.ascontiguousarray(part, np.float32)
        return np.ascontiguousarray(part[:, list(self.columns)], np.float32)

    def blocks(self) -> Iterator[Floats]:
        """All samples."""
        for start in range(0, self.frames, BLOCK):
            yield finite(self.window(start, BLOCK), start, self.path)


def open_array(path: Path, array: NDArray[Any], rate: float | None) -> ArraySamples:
    """A log in an array: columns (time, clock, data) or (clock, data), or those names."""
    notes: list[str] = []
    if array.dtype.names:
        names = [n.casefold() for n in array.dtype.names]
        time = next((names.index(n) for n in TIME_NAMES if n in names), None)
        clock = next((names.index(n) for n in CLOCK_NAMES if n in names), None)
        data = next((names.index(n) for n in DATA_NAMES if n in names), None)
        if clock is None or data is None:
            raise InputError(
                f"its fields are {', '.join(array.dtype.names)}; clock and data are needed",
                file=path,
            )
        if time is not None and rate is None:
            some = array[array.dtype.names[time]][: BLOCK // 16]
            rate = _rate_of_times(some, path) / _UNIT.get(names[time], 1.0)
        return ArraySamples(path, array, (clock, data), _need_rate(rate, path), notes)
    if array.ndim == 1:
        raise InputError("it has one channel; a log needs two, clock and data", file=path)
    if array.ndim != 2 or array.dtype.kind not in "biuf":
        raise InputError(
            f"its shape is {array.shape} of {array.dtype}; samples with the columns "
            "time, clock, data are needed",
            file=path,
        )
    if array.shape[0] < array.shape[1]:
        array = array.T
    columns = array.shape[1]
    if columns == 1:
        raise InputError("it has one channel; a log needs two, clock and data", file=path)
    if columns > 3:
        raise InputError(
            f"it has {columns} columns; time, clock, data (or clock, data) are needed", file=path
        )
    if columns == 3:
        if rate is None:
            rate = _rate_of_times(array[: BLOCK // 16, 0], path)
        for start in range(0, len(array), max(BLOCK, len(array) // 8)):
            _check_even(array[start : start + BLOCK // 16, 0], rate, notes)
        return ArraySamples(path, array, (1, 2), rate, notes)
    return ArraySamples(path, array, (0, 1), _need_rate(rate, path), notes)


@dataclass
class WaveSamples:
    """A two-channel sound file: left is the clock, right is the data."""

    path: Path
    frames: int
    rate: float
    notes: list[str]

    def window(self, start: int, count: int) -> Floats:
        """Some samples from `start`."""
        import soundfile

        with soundfile.SoundFile(str(self.path)) as sound:
            sound.seek(min(start, self.frames))
            out: Floats = sound.read(count, dtype="float32", always_2d=True)
            return out

    def blocks(self) -> Iterator[Floats]:
        """All samples."""
        import soundfile

        first = 0
        with soundfile.SoundFile(str(self.path)) as sound:
            while True:
                block: Floats = sound.read(BLOCK, dtype="float32", always_2d=True)
                if len(block) == 0:
                    break
                yield finite(block, first, self.path)
                first += len(block)


def open_wave(path: Path) -> WaveSamples:
    """A log in a .wav file."""
    import soundfile

    try:
        with soundfile.SoundFile(str(path)) as sound:
            channels, frames, rate = sound.channels, len(sound), sound.samplerate
    except (soundfile.SoundFileError, RuntimeError) as e:
        raise InputError(
            f"this is not a sound file that can be read ({e}); a two-channel WAV is needed",
            file=path,
        ) from None
    notes: list[str] = []
    said = _said_in_header(path)
    if said is not None and said > path.stat().st_size:
        raise InputError(
            f"the file is cut short: its header promises {said:,} bytes and "
            f"{path.stat().st_size:,} are there; record it again or mend the header",
            file=path,
        )
    if channels != 2:
        raise InputError(
            f"it has {channels} channel{'s' * (channels != 1)}; a log needs two: clock left, "
            "data right",
            file=path,
        )
    return WaveSamples(path, frames, float(rate), notes)


def _said_in_header(path: Path) -> int | None:
    """The size that a RIFF file's data chunk says the file must have."""
    with path.open("rb") as f:
        head = f.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            return None
        at = 12
        while True:
            f.seek(at)
            chunk = f.read(8)
            if len(chunk) < 8:
                return None
            size = int.from_bytes(chunk[4:], "little")
            if chunk[:4] == b"data":
                # writers that could not seek back leave all ones or zero
                return None if size in (0, 0xFFFFFFFF) else at + 8 + size
            at += 8 + size + (size & 1)


def open_samples(path: Path, rate: float | None = None) -> Samples:
    """Open a detector log by its suffix.

    Parameters
    ----------
    path : Path
        .csv, .npy or .wav.
    rate : float, optional
        Samples a second, where the file has no times.

    Raises
    ------
    InputError
        Not a log, one channel, no sample rate, a file cut short.
    """
    from sonify.recover.sources.log.table import open_table

    suffix = path.suffix.casefold()
    if suffix == ".wav":
        return open_wave(path)
    if suffix == ".npy":
        return open_array(path, load_array(path), rate)
    return open_table(path, rate)


def load_array(path: Path) -> NDArray[Any]:
    """An array of a .npy file, mapped; never a pickle."""
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
