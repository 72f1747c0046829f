"""What was heard: the notes of a MIDI file, in seconds and then in positions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.bends import BEND_RANGE

__all__ = ["HEARD", "Pulse", "pulses_of", "read_notes", "written_pulse"]

HEARD = np.dtype(
    [
        *(("on_s", "f8"), ("off_s", "f8"), ("on_beat", "f8"), ("off_beat", "f8")),
        *(("pitch", "i2"), ("bend", "i2"), ("velocity", "u1"), ("channel", "u1")),
    ]
)
"""One note as it was recorded; beats are quarter notes of the file, bends for a range of two
semitones."""

MAX_BYTES = 64 * 1024 * 1024
MOST_PULSES = 6
WINDOW = 48  # notes that are looked at together for the speed

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Pulse:
    """The player's real speed.

    Attributes
    ----------
    position_s : float
        How long a position lasts, on average.
    slot : ndarray, shape (notes,)
        When each note begins, in positions from the first note's on.
    length : ndarray, shape (notes,)
        In positions.
    swing : float
        How much the speed changes from its slowest to its fastest stretch, as a share.
    written : bool
        Whether it is the file's own beats, so that positions are exact.
    """

    position_s: float
    slot: Floats
    length: Floats
    swing: float
    written: bool = False


def read_notes(path: Path) -> NDArray[np.void]:
    """The notes of a MIDI file, by onset.

    Raises
    ------
    InputError
        Not a MIDI file, a broken one, or fewer than two notes.
    """
    import mido

    if path.stat().st_size > MAX_BYTES:
        raise InputError(f"more than {MAX_BYTES:,} bytes are too many for a recording", file=path)
    try:
        midi = mido.MidiFile(str(path), clip=True)
        if midi.type == 2:
            raise InputError("its tracks are separate pieces (format 2); save it as format 1",
                             file=path)  # fmt: skip
        out = _notes_of(midi)
    except InputError:
        raise
    except (OSError, ValueError, KeyError, IndexError, EOFError, TypeError, AttributeError) as e:
        raise InputError(
            f"this is not a MIDI file that can be read ({str(e) or type(e).__name__}); "
            "record it again as a .mid of format 0 or 1",
            file=path,
        ) from None
    if len(out) < 4:
        raise InputError(
            f"{len(out)} notes are too few to tell a player's speed; record the whole disc",
            file=path,
        )
    notes = np.array(out, HEARD)
    return notes[np.argsort(notes["on_s"], kind="stable")]


def _notes_of(midi: Any) -> list[tuple[float, ...]]:
    from mido import merge_tracks

    now = beat = 0.0
    tempo = 500_000
    per_quarter = max(1, midi.ticks_per_beat)
    wheel = [0] * 16
    reach = [float(BEND_RANGE)] * 16
    parameter = [(127, 127)] * 16
    open_notes: dict[tuple[int, int], list[tuple[float, float, int, int]]] = {}
    out: list[tuple[float, ...]] = []
    for message in merge_tracks(midi.tracks):
        now += message.time * tempo / per_quarter * 1e-6
        beat += message.time / per_quarter
        kind = message.type
        if kind == "set_tempo":
            tempo = message.tempo
        elif kind == "pitchwheel":
            wheel[message.channel] = message.pitch
        elif kind == "control_change":
            _parameter(message, parameter, reach)
        if kind not in ("note_on", "note_off"):
            continue
        key = (message.channel, message.note)
        if kind == "note_on" and message.velocity > 0:
            bend = round(wheel[message.channel] * reach[message.channel] / BEND_RANGE)
            open_notes.setdefault(key, []).append((now, beat, message.velocity, bend))
        elif open_notes.get(key):
            on, on_beat, velocity, bend = open_notes[key].pop(0)
            out.append((on, now, on_beat, beat, message.note, bend, velocity, message.channel))
    for (channel, note), begun in open_notes.items():
        out += [
            (on, now, on_beat, beat, note, bend, velocity, channel)
            for on, on_beat, velocity, bend in begun
        ]
    return out


def _parameter(message: Any, parameter: list[tuple[int, int]], reach: list[float]) -> None:
    """Registered parameter 0, the bend range, as MIDI 1.0 sets it."""
    c, value = message.channel, message.value
    if message.control == 101:
        parameter[c] = (value, parameter[c][1])
    elif message.control == 100:
        parameter[c] = (parameter[c][0], value)
    elif message.control == 6 and parameter[c] == (0, 0):
        reach[c] = float(value)


def _comb(steps: Floats, periods: Floats) -> Floats:
    """How well time differences are whole multiples of each period, -1 to 1."""
    out = np.empty(len(periods))
    for k in range(0, len(periods), 512):
        out[k : k + 512] = np.cos(2 * np.pi * steps / periods[k : k + 512, None]).mean(axis=1)
    return out


def written_pulse(notes: NDArray[np.void], step_beats: float) -> Pulse | None:
    """The pulse of the file's own beats, where a position lasts `step_beats` quarter notes.

    None where the notes don't span any time.
    """
    span = float(notes["on_beat"].max())
    if span <= 0:
        return None
    last = int(np.argmax(notes["on_beat"]))
    slot = notes["on_beat"] / step_beats
    return Pulse(
        float(notes["on_s"][last] / span * step_beats),
        slot,
        (notes["off_beat"] - notes["on_beat"]) / step_beats,
        0.0,
        written=True,
    )


def pulses_of(
    on_s: Floats, off_s: Floats, low: float, high: float, path: Any,
    steady: NDArray[np.bool_] | None = None,
) -> list[Pulse]:  # fmt: skip
    """The length of a position, followed through the recording: what it may be, the longest first.

    Parameters
    ----------
    on_s, off_s : ndarray, shape (notes,)
    low, high : float
        The range of lengths to look in, in s.
    steady : ndarray of bool, shape (notes,), optional
        Those that the mapping lays on whole positions.

    Raises
    ------
    InputError
        The notes lie on no even grid.
    """
    onsets = np.unique(np.round(on_s if steady is None else on_s[steady], 6))
    gaps = np.concatenate([onsets[k:] - onsets[:-k] for k in (1, 2, 3) if len(onsets) > k])
    gaps = gaps[(gaps > 0.3 * low) & (gaps < 24 * high)]
    if len(gaps) < 3:
        raise InputError("its notes are too few and too far apart to tell the speed", file=path)
    periods = np.exp(np.arange(np.log(low), np.log(high), 0.002))
    score = _comb(gaps, periods)
    if score.max() < 0.25:
        raise InputError(
            "its notes lie on no even grid of positions; is it the recording of a player, and is "
            "the preset the one that it played with?",
            file=path,
        )
    # notes that swing fit a part of a position better than a whole one, so the best is not enough
    padded = np.pad(score, 12, constant_values=-1)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 25).max(axis=1)
    peaks = np.flatnonzero((score == highest) & (score > 0.5 * score.max()))[::-1][:MOST_PULSES]
    return [_followed(on_s, off_s, onsets, float(periods[at])) for at in peaks]


def _followed(on_s: Floats, off_s: Floats, onsets: Floats, period: float) -> Pulse:
    # notes that are strummed say nothing about the pulse
    apart = np.append(True, np.diff(onsets) > 0.6 * period)
    local = np.interp(onsets, onsets[apart], _local_periods(onsets[apart], period))
    steps = np.diff(onsets)
    # a step beside each onset: the mean of the periods at its two ends
    here = (local[1:] + local[:-1]) / 2
    fine = _in_phase(np.append(0.0, np.cumsum(steps / here)))
    # on beyond the first and the last at their speed
    far = 1e4
    at = np.concatenate([[onsets[0] - far], onsets, [onsets[-1] + far]])
    ends = fine[0] - far / local[0], fine[-1] + far / local[-1]
    slot = np.interp(on_s, at, np.concatenate([ends[:1], fine, ends[1:]]))
    last_rate = np.interp(on_s, onsets, local)
    return Pulse(
        float((onsets[-1] - onsets[0]) / max(fine[-1] - fine[0], 1.0)),
        slot,
        (off_s - on_s) / last_rate,
        float(local.max() / local.min() - 1),
    )


def _local_periods(onsets: Floats, period: float) -> Floats:
    """The length of a position near each onset."""
    n = len(onsets)
    near = period * np.linspace(0.94, 1.06, 241)
    centres, found = [], []
    for start in range(0, max(1, n - WINDOW // 2), WINDOW // 2):
        part = onsets[start : start + WINDOW]
        if len(part) < 4:
            continue
        steps = np.diff(part)
        steps = steps[steps < 40 * period]
        two = part[2:] - part[:-2]
        steps = np.concatenate([steps, two[two < 40 * period]])
        if len(steps) < 3:
            continue
        score = _comb(steps, near)
        best = float(near[int(np.argmax(score))])
        # the spacing over the whole window, now that its steps can be counted
        count = np.rint(steps / best)
        use = count > 0
        if use.any():
            best = float((steps[use] * count[use]).sum() / (count[use] ** 2).sum())
        centres.append(float(part.mean()))
        found.append(best)
    if not found:
        return np.full(n, period)
    rates = np.array(found)
    if len(rates) >= 5:
        padded = np.pad(rates, 1, mode="edge")
        rates = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    out: Floats = np.interp(onsets, centres, rates)
    return out


def _in_phase(slot: Floats) -> Floats:
    """Positions moved so that most notes lie on whole ones, with slow drift taken off."""
    width = min(31, len(slot) // 2 * 2 - 1)
    if width < 5:
        return np.rint(slot)
    turn = np.exp(2j * np.pi * slot)
    padded = np.pad(turn, width // 2, mode="reflect")
    mean = np.lib.stride_tricks.sliding_window_view(padded, width).mean(axis=1)
    out: Floats = slot - np.unwrap(np.angle(mean)) / (2 * np.pi)
    return out
