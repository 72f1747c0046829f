"""What was heard: the notes of a MIDI file, in seconds and then in positions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["HEARD", "Pulse", "pulses_of", "read_notes"]

HEARD = np.dtype(
    [("on_s", "f8"), ("off_s", "f8"), ("pitch", "i2"), ("velocity", "u1"), ("channel", "u1")]
)
"""One note as it was recorded."""

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
    """

    position_s: float
    slot: Floats
    length: Floats
    swing: float


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
        now = 0.0
        open_notes: dict[tuple[int, int], list[tuple[float, int]]] = {}
        out: list[tuple[float, float, int, int, int]] = []
        for message in midi:
            now += message.time
            if message.type not in ("note_on", "note_off"):
                continue
            key = (message.channel, message.note)
            if message.type == "note_on" and message.velocity > 0:
                open_notes.setdefault(key, []).append((now, message.velocity))
            elif open_notes.get(key):
                on, velocity = open_notes[key].pop(0)
                out.append((on, now, message.note, velocity, message.channel))
        for (channel, note), begun in open_notes.items():
            out += [(on, now, note, velocity, channel) for on, velocity in begun]
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


def _comb(steps: Floats, periods: Floats) -> Floats:
    """How well time differences are whole multiples of each period, -1 to 1."""
    out = np.empty(len(periods))
    for k in range(0, len(periods), 512):
        out[k : k + 512] = np.cos(2 * np.pi * steps / periods[k : k + 512, None]).mean(axis=1)
    return out


def pulses_of(on_s: Floats, off_s: Floats, low: float, high: float, path: Any) -> list[Pulse]:
    """The length of a position, followed through the recording: what it may be, the longest first.

    Parameters
    ----------
    on_s, off_s : ndarray, shape (notes,)
    low, high : float
        The range of lengths to look in, in s.

    Raises
    ------
    InputError
        The notes lie on no even grid.
    """
    onsets = np.unique(np.round(on_s, 6))
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
    local = _local_periods(onsets, period)
    steps = np.diff(onsets)
    # a step beside each onset: the mean of the periods at its two ends
    here = (local[1:] + local[:-1]) / 2
    whole = np.concatenate([[0.0], np.cumsum(np.rint(steps / here))])
    fine = _smoothed(onsets, whole, period)
    slot = np.interp(on_s, onsets, fine)
    last_rate = np.interp(on_s, onsets, local)
    return Pulse(
        float((onsets[-1] - onsets[0]) / max(whole[-1], 1.0)),
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


def _smoothed(onsets: Floats, whole: Floats, period: float) -> Floats:
    """Positions with the fractions by which notes come late or early, slow drift taken off."""
    n = len(onsets)
    width = min(31, n // 2 * 2 - 1)
    if width < 5:
        return whole
    # where the grid runs, as a running straight line of time against position
    off = onsets - period * whole
    padded = np.pad(off, width // 2, mode="reflect", reflect_type="odd")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    base = np.median(windows, axis=1)
    fraction = (off - base) / period
    out: Floats = whole + np.clip(fraction, -0.45, 0.45)
    return out
