"""The clock row's phase: at every moment, how many positions have gone by.

The clock row is one note, its pitch the speed. Its frequency is followed through the log as the
best path over short spectra (Viterbi's algorithm), then its phase is taken against that and
smoothed over a few positions, so that pulses that are missing, doubled or drowned in noise do not
lose count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Clock", "follow"]

Floats = NDArray[np.float64]

WINDOW = 8  # positions in a spectrum
HOP = 2
STEEPEST = 0.05  # change of frequency from one spectrum to the next
SMOOTH = 3.0  # positions over which the phase is smoothed


@dataclass(frozen=True, eq=False)
class Clock:
    """The phase of a stretch of log.

    Attributes
    ----------
    phase : ndarray, shape (samples,)
        Positions gone by; whole where the middle of a clock hole is under the detector.
    strength : ndarray, shape (samples,)
        How strong the clock row's note is, 1 as usual.
    low : bool
        Whether holes read low.
    sure_low : bool
        Whether that could be told.
    """

    phase: Floats
    strength: Floats
    low: bool
    sure_low: bool


def _moving_mean(x: NDArray[Any], width: int) -> NDArray[Any]:
    """The mean over `width` samples about each, narrower at the ends."""
    width = max(1, min(width | 1, len(x) // 2 * 2 - 1))
    half = width // 2
    total = np.concatenate([[0], np.cumsum(x)])
    at = np.arange(len(x))
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, len(x))
    out: NDArray[Any] = (total[high] - total[low]) / (high - low)
    return out


def _unrest(y: Floats, period: float) -> float:
    """How much wider than usual to look, for the noise that there is: 1 to 4.

    Taken so that noise moves the phase by no more than a fiftieth of a position.
    """
    if len(y) < 8:
        return 1.0
    noise = float(np.mean(np.diff(y) ** 2)) / 2
    signal = max(float(np.var(y)) - noise, 0.05 * noise)
    height = np.sqrt(1.4 * signal)
    jitter = np.sqrt(2 * noise / (1.3 * SMOOTH * period)) / height / (2 * np.pi)
    return float(np.clip((jitter / 0.02) ** 2, 1.0, 4.0))


def _frequencies(x: Floats, period: float, low: float, high: float, wide: float) -> Floats:
    """Positions a sample, at each sample."""
    size = round(WINDOW * min(wide, 3.0) * period)
    hop = max(1, round(HOP * period))
    if len(x) < 2 * size:
        size = max(16, len(x) // 2)
        hop = max(1, size // 4)
    starts = np.arange(0, len(x) - size + 1, hop)
    bins = np.exp(np.arange(np.log(low), np.log(high), 0.012))
    turn = np.exp(-2j * np.pi * np.arange(size)[:, None] * bins[None, :]).astype(np.complex64)
    turn *= np.hanning(size + 2)[1:-1, None].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(x.astype(np.float32), size)[::hop]
    power = np.empty((len(starts), len(bins)), np.float32)
    for k in range(0, len(starts), 512):
        power[k : k + 512] = np.abs(frames[k : k + 512].astype(np.complex64) @ turn) ** 2
    power /= max(float(power.mean()), 1e-30)
    reach = max(1, int(np.ceil(STEEPEST / 0.012)))
    slope = 0.15 * np.abs(np.arange(-reach, reach + 1))
    best = power[0].copy()
    back = np.zeros(power.shape, np.int16)
    padded = np.full(len(bins) + 2 * reach, -np.inf, np.float32)
    for k in range(1, len(starts)):
        padded[reach:-reach] = best
        options = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1) - slope
        back[k] = options.argmax(axis=1)
        best = np.take_along_axis(options, back[k][:, None].astype(np.int64), axis=1)[:, 0]
        best += power[k]
        best -= best.max()
    at = int(best.argmax())
    track = np.empty(len(starts), np.int64)
    for k in range(len(starts) - 1, -1, -1):
        track[k] = at
        at += int(back[k, at]) - reach if k else 0
    # between the bins, by a parabola through the neighbours
    inner = np.clip(track, 1, len(bins) - 2)
    rows = np.arange(len(starts))
    a, b, c = (np.log(power[rows, inner + d] + 1e-12) for d in (-1, 0, 1))
    curve = a - 2 * b + c
    shift = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, -1), 0)
    track_f = np.exp(np.log(bins[0]) + 0.012 * (inner + np.clip(shift, -1, 1)))
    out: Floats = np.interp(np.arange(len(x)), starts + size / 2, track_f)
    return out


def follow(
    x: NDArray[np.float32], period: float, low: float, high: float, want_low: bool | None = None
) -> Clock:
    """Follow the clock row through a stretch of log.

    Parameters
    ----------
    x : ndarray, shape (samples,)
        The clock channel.
    period : float
        Samples a position, about.
    low, high : float
        The range of positions a sample to look in.
    want_low : bool, optional
        Whether holes read low, where that is known already.

    Returns
    -------
    Clock
    """
    y: Floats = x - _moving_mean(x.astype(np.float64), round(6 * period))
    wide = _unrest(y, period)
    for _ in range(2):
        rate = _frequencies(y, period, low, high, wide)
        phase = np.cumsum(rate)
        phase -= phase[0]
        beat = y * np.exp(-2j * np.pi * phase)
        width = round(SMOOTH * wide * period)
        for _ in range(2):
            beat = _moving_mean(beat, width)
        strength = np.abs(beat)
        usual = float(np.median(strength))
        if usual > 0:
            break
    # while the note is gone, its phase goes on as the speed was
    weight = np.minimum(strength / max(usual, 1e-30), 1.0)
    turn = np.unwrap(np.angle(beat))
    phase = phase + turn / (2 * np.pi)
    weak = weight < 0.15
    if weak.any() and not weak.all():
        at = np.arange(len(phase))
        phase[weak] = np.interp(at[weak], at[~weak], phase[~weak])
    phase = np.maximum.accumulate(phase)
    is_low, sure = _polarity(y, phase)
    if want_low is not None and not sure:
        is_low = want_low
    if is_low:
        phase = phase - 0.5
    return Clock(phase, strength / max(usual, 1e-30), is_low, sure)


def _polarity(y: Floats, phase: Floats) -> tuple[bool, bool]:
    """Whether the short part of each position is the low one, and whether that is clear."""
    place = np.floor((phase % 1) * 64).astype(int) % 64
    count = np.maximum(np.bincount(place, minlength=64), 1)
    fold = np.bincount(place, y, 64) / count
    fold = (np.roll(fold, 1) + fold + np.roll(fold, -1)) / 3
    middle = (fold.max() + fold.min()) / 2
    share = float((fold < middle).mean())
    # holes are shorter than the webs between them; where both are alike, a hole is low
    return share < 0.53, abs(share - 0.5) > 0.03
