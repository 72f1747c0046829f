"""The position clock of a recording: onsets and lengths of its notes, counted in positions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.signal.comb import comb_scores

__all__ = ["PositionClock", "beat_clock", "recovered_clocks", "windows"]

MOST_CLOCKS = 6  # position lengths that are followed; a swing gives two or three peaks
WINDOW = 48  # notes over which the speed counts as constant: under a turn on common discs
PEAK = 12  # steps of 0.2 % on each side over which a peak must be the highest

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PositionClock:
    """Notes by the positions that had passed.

    Attributes
    ----------
    position_s : float
        The average length of a position.
    onset, length : ndarray, shape (notes,)
        In positions.
    swing : float
        How much slower the slowest stretch is than the fastest, as a share.
    exact : bool
        Whether positions follow from the file's own beats, counted from the file's start.
    counts : tuple of int
        The numbers of positions in a turn for which the mapping makes a position that many beats;
        empty if positions do not follow from beats.
    """

    position_s: float
    onset: Floats
    length: Floats
    swing: float
    exact: bool = False
    counts: tuple[int, ...] = ()


def beat_clock(
    notes: NDArray[np.void], step_beats: float, counts: tuple[int, ...]
) -> PositionClock | None:
    """The clock of the file's own beats, where a position lasts `step_beats` quarter notes, as it
    does with some numbers of positions in a turn.

    None if all notes begin at once.
    """
    span = float(notes["on_beat"].max())
    if span <= 0:
        return None
    last = int(np.argmax(notes["on_beat"]))
    return PositionClock(
        float(notes["on_s"][last] / span * step_beats),
        notes["on_beat"] / step_beats,
        (notes["off_beat"] - notes["on_beat"]) / step_beats,
        0.0,
        exact=True,
        counts=counts,
    )


def recovered_clocks(
    on_s: Floats, off_s: Floats, low: float, high: float, path: Any,
    steady: NDArray[np.bool_] | None = None,
) -> list[PositionClock]:  # fmt: skip
    """Recover the position clock from onsets alone: every plausible one, longest position first.

    Parameters
    ----------
    on_s, off_s : ndarray, shape (notes,)
    low, high : float
        The range of position lengths to search, in s.
    steady : ndarray of bool, shape (notes,), optional
        Notes that the mapping puts on whole positions.

    Raises
    ------
    InputError
        The notes lie on no even grid.
    """
    onsets = np.unique(np.round(on_s if steady is None else on_s[steady], 6))
    gaps = np.concatenate([onsets[k:] - onsets[:-k] for k in (1, 2, 3) if len(onsets) > k])
    gaps = gaps[(gaps > 0.3 * low) & (gaps < 24 * high)]
    if len(gaps) < 3:
        raise InputError("its notes are too few or too far apart to show the speed", file=path)
    periods = np.exp(np.arange(np.log(low), np.log(high), 0.002))
    score = comb_scores(gaps, periods)
    if score.max() < 0.25:
        raise InputError(
            "its notes do not lie on an even grid of positions; is it a player's recording?",
            file=path,
            hint="{preset} must be what it was played with",
        )
    # swung notes fit a fraction of a position better than a whole one, so lower peaks count too
    highest = windows(score, 2 * PEAK + 1, "reflect").max(axis=1)
    peaks = np.flatnonzero((score == highest) & (score > 0.5 * score.max()))[::-1][:MOST_CLOCKS]
    return [_followed(on_s, off_s, onsets, float(periods[at])) for at in peaks]


def _followed(on_s: Floats, off_s: Floats, onsets: Floats, period: float) -> PositionClock:
    # strummed notes say nothing about the clock
    apart = np.append(True, np.diff(onsets) > 0.6 * period)
    local = np.interp(onsets, onsets[apart], _local_periods(onsets[apart], period))
    steps = np.diff(onsets)
    # the period of a gap between onsets is the mean of those at its ends
    here = (local[1:] + local[:-1]) / 2
    fine = _in_phase(np.append(0.0, np.cumsum(steps / here)))
    # beyond the first and the last onset their speed goes on
    far = 1e4
    at = np.concatenate([[onsets[0] - far], onsets, [onsets[-1] + far]])
    ends = fine[0] - far / local[0], fine[-1] + far / local[-1]
    onset = np.interp(on_s, at, np.concatenate([ends[:1], fine, ends[1:]]))
    return PositionClock(
        float((onsets[-1] - onsets[0]) / max(fine[-1] - fine[0], 1.0)),
        onset,
        (off_s - on_s) / np.interp(on_s, onsets, local),
        float(local.max() / local.min() - 1),
    )


def _local_periods(onsets: Floats, period: float) -> Floats:
    """The length of a position near each onset."""
    n = len(onsets)
    near = period * np.linspace(0.94, 1.06, 241)
    centres, found = [], []
    for start in range(0, max(1, n - WINDOW // 2), WINDOW // 2):
        part = onsets[start : start + WINDOW]
        steps = np.concatenate([np.diff(part), part[2:] - part[:-2]])
        steps = steps[steps < 40 * period]
        if len(part) < 4 or len(steps) < 3:
            continue
        score = comb_scores(steps, near)
        best = float(near[int(np.argmax(score))])
        # finer, by least squares over the window, now that its positions are counted
        count = np.rint(steps / best)
        centres.append(float(part.mean()))
        found.append(float((steps * count).sum() / (count**2).sum()))
    if not found:
        return np.full(n, period)
    rates = np.array(found)
    if len(rates) >= 5:
        rates = np.median(windows(rates, 3, "edge"), axis=1)
    out: Floats = np.interp(onsets, centres, rates)
    return out


def _in_phase(onset: Floats) -> Floats:
    """Shift onsets, in positions, so that most lie on whole ones; takes off slow drift."""
    width = min(31, len(onset) // 2 * 2 - 1)
    if width < 5:
        return np.rint(onset)
    mean = windows(np.exp(2j * np.pi * onset), width, "reflect").mean(axis=1)
    out: Floats = onset - np.unwrap(np.angle(mean)) / (2 * np.pi)
    return out


def windows(values: NDArray[Any], width: int, beyond: Literal["edge", "reflect"]) -> NDArray[Any]:
    """The values around each value, shape (values, width), with `beyond` the ends more of them."""
    padded = np.pad(values, width // 2, mode=beyond)
    return np.lib.stride_tricks.sliding_window_view(padded, width)
