"""Takes as they come: a detector log, or a MIDI file from the player's jack."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["NOTE", "LogRecording", "MidiRecording", "is_recording", "load_recording"]

NOTE = np.dtype(
    [("on_s", "f8"), ("off_s", "f8"), ("pitch", "u1"), ("velocity", "u1"), ("channel", "u1")]
)
"""One note that came out of the jack; `off_s` is nan where its note-off never came."""

TWIN_S = 0.005
"""So soon after it, in s, the same message is the same one again."""

MIDI = (".mid", ".midi")
LOGS = (".csv", ".npy", ".wav")
MAX_SAMPLES = 200_000_000
"""The most samples that a log may have: they are all held at once."""


@dataclass(frozen=True, eq=False)
class LogRecording:
    """A detector log: levels in its own units, `rate` samples a second."""

    path: Path
    clock: NDArray[np.float32]
    data: NDArray[np.float32]
    rate: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class MidiRecording:
    """Notes from the jack.

    Attributes
    ----------
    notes : ndarray of NOTE
        By onset.
    orphans : ndarray of float64
        When a note-off came with no note to end, in s.
    struck_again : ndarray of float64
        When a note-on came for a note that sounded, in s.
    remarks : tuple of str
        What else the user should know of it.
    tick_s : float
        The longest that a tick lasts, in s.
    """

    path: Path
    notes: NDArray[np.void]
    orphans: NDArray[np.float64]
    struck_again: NDArray[np.float64]
    seconds: float
    remarks: tuple[str, ...] = ()
    tick_s: float = 0.0


def is_recording(path: Path) -> bool:
    """Whether a file's suffix is one of a recording."""
    return path.suffix.casefold() in (*MIDI, *LOGS)


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
    suffix = path.suffix.casefold()
    if not is_recording(path):
        raise InputError(
            "a recording is a MIDI file (.mid) from the player's jack or a detector log "
            f"({', '.join(LOGS)})",
            file=path,
        )
    if path.is_dir():
        raise InputError("this is a folder; a file is needed", file=path)
    if not path.exists():
        raise InputError("there is no such file", file=path)
    return _midi(path) if suffix in MIDI else _log(path, sample_rate)


def _log(path: Path, sample_rate: float | None) -> LogRecording:
    from sonify.recover.sources.log.samples import open_samples

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
    return LogRecording(
        path,
        np.ascontiguousarray(both[:, 0]),
        np.ascontiguousarray(both[:, 1]),
        samples.rate,
        tuple(samples.remarks),
    )


def _midi(path: Path) -> MidiRecording:
    import mido

    if path.stat().st_size == 0:
        raise InputError("the file is empty; record the jack again", file=path)
    try:
        file = mido.MidiFile(str(path))
        tracks = list(file.tracks)
    except (OSError, EOFError, ValueError, KeyError, IndexError, TypeError) as e:
        raise InputError(
            f"this is not a MIDI file that can be read ({e or 'it is cut short'}); record it again",
            file=path,
        ) from None
    if file.type == 2 and len(tracks) > 1:
        raise InputError(
            "it is of format 2, whose tracks are pieces of their own; export it as format 0 or 1",
            file=path,
        )
    messages, tick_s, seconds = _timed(mido.merge_tracks(tracks), _frame_tick(path), file)
    twins = _twins(messages)
    open_notes: dict[tuple[int, int], list[float]] = {}
    found: list[tuple[float, float, int, int, int]] = []
    orphans, again = [], []
    ends = 0
    for k, (now, message) in enumerate(messages):
        if k in twins:
            continue
        key = message.channel, message.note
        if message.type == "note_on" and message.velocity:
            if key in open_notes:
                again.append(now)
                on, velocity = open_notes.pop(key)
                found.append((on, float("nan"), key[1], int(velocity), key[0]))
            open_notes[key] = [now, float(message.velocity)]
            continue
        ends += 1
        if key in open_notes:
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
    remarks = []
    if twins:
        remarks.append(
            "each note came twice within a few milliseconds, as where two inputs or a loop are "
            "recorded: the first of each counts"
        )
    if not ends:
        remarks.append(
            "no note-off came at all: the player sends none, or the recorder leaves them out"
        )
    return MidiRecording(
        path, notes, np.array(orphans), np.array(again), seconds, tuple(remarks), tick_s
    )


def _frame_tick(path: Path) -> float | None:
    """How long a tick lasts where the header counts frames of film and not beats, in s.

    Standard MIDI Files 1.0 (RP-001): a division whose highest bit is set holds the frames a
    second, as a negative number (29 for 29.97, drop frame), and the ticks a frame.
    """
    with path.open("rb") as f:
        head = f.read(14)
    if len(head) < 14 or not head[12] & 0x80:
        return None
    frames = 256 - head[12]
    rate = 30000 / 1001 if frames == 29 else float(frames)
    return 1.0 / (rate * max(1, head[13]))


def _timed(
    messages: Iterable[Any], tick_s: float | None, file: Any
) -> tuple[list[tuple[float, Any]], float, float]:
    """Note-ons and note-offs with their times in s, the longest tick, and the whole duration."""
    now, longest = 0.0, tick_s or 0.0
    beat = tick_s if tick_s is not None else 0.5 / max(1, file.ticks_per_beat)
    out = []
    for message in messages:
        now += message.time * beat
        if message.time:
            longest = max(longest, beat)
        if message.type == "set_tempo" and tick_s is None:
            beat = message.tempo * 1e-6 / max(1, file.ticks_per_beat)
        elif message.type in ("note_on", "note_off"):
            out.append((now, message))
    return out, longest, now


def _twins(messages: list[tuple[float, Any]]) -> set[int]:
    """Messages that came a second time, if so many of all did that it can't be by chance."""
    last: dict[tuple[Any, ...], float] = {}
    twins = set()
    for k, (now, message) in enumerate(messages):
        sounds = message.type == "note_on" and message.velocity > 0
        key = (message.channel, message.note, sounds)
        if now - last.get(key, -1.0) <= TWIN_S:
            twins.add(k)
            last.pop(key)
        else:
            last[key] = now
    return twins if len(twins) > 0.45 * len(messages) else set()
