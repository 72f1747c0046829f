"""What is compared with a disc: a detector log or a MIDI file recorded from a player."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.midi.note_events import MidiRecording, read_recorded_midi
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import kind_of

__all__ = ["LogRecording", "MidiRecording", "load_recording"]

# The most samples that a log may have, as all are held in memory: 1.6 GB.
MAX_SAMPLES = 200_000_000


@dataclass(frozen=True, eq=False)
class LogRecording:
    """A detector log: levels in its own units, `rate` samples per second, and when samples are
    missing by the file's own times and for how long, in s; and when time was put in that its
    recorder lost, and how much, in s."""

    path: Path
    clock: NDArray[np.float32]
    data: NDArray[np.float32]
    rate: float
    gaps: tuple[tuple[float, float], ...] = ()
    lost: tuple[tuple[float, float], ...] = ()


def load_recording(
    path: str | Path, sample_rate: float | None = None
) -> LogRecording | MidiRecording:
    """Read a recording.

    Raises
    ------
    InputError
        No such file, not a recording, or nothing in it.
    """
    path = Path(path)
    kind = kind_of(path, ReadOptions(sample_rate=sample_rate))
    if kind not in ("log", "recording"):
        raise InputError(f"this is a {kind}, and no detector log or MIDI file", file=path)
    return read_recorded_midi(path) if kind == "recording" else _log(path, sample_rate)


def _log(path: Path, sample_rate: float | None) -> LogRecording:
    from sonify.recover.sources.log.files import open_samples

    samples = open_samples(path, sample_rate)
    if samples.frames > MAX_SAMPLES:
        raise InputError(
            f"{samples.frames:,} samples are too many to compare; cut the log to one reading "
            f"({MAX_SAMPLES:,} at most)",
            file=path,
        )
    if samples.frames < 16:
        raise InputError("there are no samples in it; record the detectors again", file=path)
    both = np.concatenate(list(samples.blocks()))
    clock, data = (np.ascontiguousarray(both[:, k]) for k in (0, 1))
    return LogRecording(path, clock, data, samples.rate, tuple(samples.gaps))
