"""The files that hold detector logs: sound, arrays, and text."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.edges import open_dump
from sonify.recover.sources.log.samples import (
    BLOCK,
    SOME,
    Channels,
    Floats,
    Samples,
    sample_rate,
)
from sonify.recover.sources.log.table import open_table

__all__ = ["load_array", "open_samples"]

MOST_REMARKS = 20
"""Remarks on gaps between samples."""


def open_samples(path: Path, rate: float | None = None) -> Samples:
    """Open a detector log by its suffix: .wav, .npy, .vcd, or text.

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
        return _open_wave(path)
    if suffix == ".vcd":
        return open_dump(path)
    return _open_array(path, rate) if suffix == ".npy" else open_table(path, rate)


def _open_wave(path: Path) -> Samples:
    """A log in a two-channel sound file: left is the clock, right is the data."""
    import soundfile

    try:
        info = soundfile.info(str(path))
    except (soundfile.SoundFileError, RuntimeError) as e:
        raise InputError(
            f"this is not a sound file that can be read ({e}); a two-channel WAV is needed",
            file=path,
        ) from None
    promised, there = _promised_size(path), path.stat().st_size
    if promised is not None and promised > there:
        raise InputError(
            f"the file is cut short: its header promises {promised:,} bytes and {there:,} are "
            "there; record it again, or correct the header",
            file=path,
        )
    if info.channels != 2:
        raise InputError(
            f"it has {info.channels} channel{'s' * (info.channels != 1)}; a log needs two: clock "
            "left, data right",
            file=path,
        )

    def part(start: int, count: int) -> Floats:
        out: Floats = soundfile.read(str(path), count, start, dtype="float32")[0]
        return out

    return Samples(path, info.frames, float(info.samplerate), part)


def _promised_size(path: Path) -> int | None:
    """The size that a RIFF file must have by its data chunk; None if it does not say."""
    with path.open("rb") as f:
        head = f.read(12)
        if head[:4] != b"RIFF" or head[8:12] != b"WAVE":
            return None
        at = 12
        while len(chunk := f.read(8)) == 8:
            size = int.from_bytes(chunk[4:], "little")
            if chunk[:4] == b"data":
                # recorders that could not seek back leave zero or all ones
                return None if size in (0, 0xFFFFFFFF) else at + 8 + size
            at = f.seek(at + 8 + size + (size & 1))
    return None


def load_array(path: Path) -> NDArray[Any]:
    """The array in a .npy file, mapped; never a pickle."""
    try:
        out: NDArray[Any] = np.load(path, mmap_mode="r", allow_pickle=False)
    # a damaged header makes NumPy raise nearly anything
    except Exception as e:
        what = str(e).split("\n")[0]
        if "pickle" in what or "Object arrays" in what:
            what = "it holds Python objects, which are not read"
        raise InputError(
            f"this is not a NumPy array that can be read ({what})", file=path
        ) from None
    return out


def _open_array(path: Path, rate: float | None) -> Samples:
    """A log in an array: columns (time, clock, data) or (clock, data), or fields of those names."""
    array = load_array(path)
    if array.dtype.names:
        return _open_fields(path, array, array.dtype.names, rate)
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
    if array.shape[1] > 3:
        raise InputError(
            f"it has {array.shape[1]} columns; time, clock, data (or clock, data) are needed",
            file=path,
        )

    def part(start: int, count: int) -> Floats:
        return np.ascontiguousarray(array[start : start + count, -2:], np.float32)

    timed = array.shape[1] == 3
    rate = sample_rate(rate, array[:SOME, 0] if timed else None, 1.0, path)
    log = Samples(path, len(array), rate, part)
    for start in range(0, len(array) if timed else 0, max(BLOCK, len(array) // 8)):
        near = np.asarray(array[start : start + SOME, 0], float)
        gaps = int(np.count_nonzero(np.diff(near) * rate > 1.5))
        if gaps and len(log.remarks) < MOST_REMARKS:
            log.remarks.append(f"{gaps} gaps between samples near {near[0]:.3f} s")
    return log


def _open_fields(
    path: Path, array: NDArray[Any], names: tuple[str, ...], rate: float | None
) -> Samples:
    at = Channels.named([n.casefold() for n in names])
    if len(at.both) < 2:
        raise InputError(f"its fields are {', '.join(names)}; clock and data are needed", file=path)
    both = [names[k] for k in at.both]

    def part(start: int, count: int) -> Floats:
        block = array[start : start + count]
        return np.stack([block[name] for name in both], axis=1).astype(np.float32)

    times = None if at.time is None else array[names[at.time]][:SOME]
    return Samples(path, len(array), sample_rate(rate, times, at.unit, path), part)
