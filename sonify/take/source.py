"""Takes as they come: a detector log, or a MIDI file from the player's jack."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["NOTE", "LogTake", "MidiTake", "is_take", "load_take"]

NOTE = np.dtype(
    [("on_s", "f8"), ("off_s", "f8"), ("pitch", "u1"), ("velocity", "u1"), ("channel", "u1")]
)
"""One note that came out of the jack; `off_s` is nan where its note-off never came."""

MIDI = (".mid", ".midi")
LOGS = (".csv", ".npy", ".wav")
MAX_SAMPLES = 200_000_000
"""The most samples that a log may have: they are all held at once."""


@dataclass(frozen=True, eq=False)
class LogTake:
    """A detector log: levels in its own units, `rate` samples a second."""

    path: Path
    clock: NDArray[np.float32]
    data: NDArray[np.float32]
    rate: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class MidiTake:
    """Notes from the jack.

    Attributes
    ----------
    notes : ndarray of NOTE
        By onset.
    orphans : ndarray of float64
        When a note-off came with no note to end, in s.
    struck_again : ndarray of float64
        When a note-on came for a note that sounded, in s.
    """

    path: Path
    notes: NDArray[np.void]
    orphans: NDArray[np.float64]
    struck_again: NDArray[np.float64]
    seconds: float


def is_take(path: Path) -> bool:
    """Whether a file's suffix is one of a take."""
    return path.suffix.casefold() in (*MIDI, *LOGS)


def load_take(path: str | Path, sample_rate: float | None = None) -> LogTake | MidiTake:
    """Read a take.

    Raises
    ------
    InputError
        No such file, not a take, or nothing in it.
    """
    path = Path(path)
    suffix = path.suffix.casefold()
    if not is_take(path):
        raise InputError(
            "a take is a MIDI file (.mid) from the player's jack or a detector log "
            f"({', '.join(LOGS)})",
            file=path,
        )
    if path.is_dir():
        raise InputError("this is a folder; a file is needed", file=path)
    if not path.exists():
        raise InputError("there is no such file", file=path)
    return _midi(path) if suffix in MIDI else _log(path, sample_rate)


def _log(path: Path, sample_rate: float | None) -> LogTake:
    from sonify.read.log.samples import open_samples

    if path.stat().st_size == 0:
        raise InputError("the file is empty; record the detectors again", file=path)
    samples = open_samples(path, sample_rate)
    if samples.frames > MAX_SAMPLES:
        raise InputError(
            f"{samples.frames:,} samples are too many to hold against a disc; cut the log to the "
            f"one reading ({MAX_SAMPLES:,} at most)",
            file=path,
        )
    blocks = list(samples.blocks())
    if not blocks or sum(map(len, blocks)) < 16:
        raise InputError("there are no samples in it; record the detectors again", file=path)
    both = np.concatenate(blocks)
    return LogTake(
        path,
        np.ascontiguousarray(both[:, 0]),
        np.ascontiguousarray(both[:, 1]),
        samples.rate,
        tuple(samples.notes),
    )


def _midi(path: Path) -> MidiTake:
    import mido

    if path.stat().st_size == 0:
        raise InputError("the file is empty; record the jack again", file=path)
    try:
        file = mido.MidiFile(str(path))
        messages = list(file)
    except (OSError, EOFError, ValueError, KeyError, IndexError, TypeError) as e:
        raise InputError(
            f"this is not a MIDI file that can be read ({e or 'it is cut short'}); record it again",
            file=path,
        ) from None
    now = 0.0
    open_notes: dict[tuple[int, int], list[float]] = {}
    found: list[tuple[float, float, int, int, int]] = []
    orphans, again = [], []
    for message in messages:
        now += message.time
        if message.type not in ("note_on", "note_off"):
            continue
        key = message.channel, message.note
        if message.type == "note_on" and message.velocity:
            if key in open_notes:
                again.append(now)
                on, velocity = open_notes.pop(key)
                found.append((on, float("nan"), key[1], int(velocity), key[0]))
            open_notes[key] = [now, float(message.velocity)]
        elif key in open_notes:
            on, velocity = open_notes.pop(key)
            found.append((on, now, key[1], int(velocity), key[0]))
        else:
            orphans.append(now)
    for key, (on, velocity) in open_notes.items():
        found.append((on, float("nan"), key[1], int(velocity), key[0]))
    notes = np.array(found, NOTE)
    notes = notes[np.argsort(notes["on_s"], kind="stable")]
    if not len(notes):
        raise InputError("there is no note in it; record the jack again", file=path)
    return MidiTake(path, notes, np.array(orphans), np.array(again), now)
