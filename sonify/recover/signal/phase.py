"""Clock recovery by a tracking loop: how many positions have passed at every sample.

The clock row is a tone whose frequency is the speed. The best path over short spectra (Viterbi's
algorithm) follows that frequency; the phase is measured against it and smoothed over a few
positions, so that missing or doubled pulses and noise do not lose count. It needs a steady start:
`pulses` follows a motor that starts slowly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.signal.averages import running_mean
from sonify.recover.signal.slicer import HOLE_SHARE

__all__ = ["PhaseClock", "follow_phase"]

Reals = NDArray[np.float64]

WINDOW = 8
"""Positions in a spectrum: enough to resolve the speed to a few percent."""

HOP = 2
"""Positions from one spectrum to the next."""

BIN = 0.012
"""Logarithmic spacing of the frequencies tried: a tenth of a spectrum's resolution."""

STEEPEST = 0.05
"""Change of frequency from one spectrum to the next, at most: 20 % of drift in a few turns."""

SLOPE = 0.15
"""Price of a change by one bin, where the usual power in a bin is 1: found on noisy logs."""

SMOOTH = 3.0
"""Positions over which the phase is smoothed."""

JITTER = 0.02
"""Positions by which noise may move the phase; with more noise, more positions are averaged."""


@dataclass(frozen=True, eq=False)
class PhaseClock:
    """The clock row of a log.

    Attributes
    ----------
    phase : ndarray, shape (samples,)
        Positions passed; a whole number where the middle of a clock hole is under the detector.
    strength : ndarray, shape (samples,)
        Amplitude of the clock's tone, 1 as usual.
    low : bool
        Whether holes read low.
    """

    phase: Reals
    strength: Reals
    low: bool


def _widening(y: Reals, period: float) -> float:
    """How many times as many positions to average for the noise in a signal: 1 to 4."""
    if len(y) < 8:
        return 1.0
    noise = float(np.mean(np.diff(y) ** 2)) / 2
    signal = max(float(np.var(y)) - noise, 0.05 * noise)
    jitter = np.sqrt(2 * noise / (1.3 * SMOOTH * period)) / np.sqrt(1.4 * signal) / (2 * np.pi)
    return float(np.clip((jitter / JITTER) ** 2, 1.0, 4.0))


def _spectra(x: Reals, size: int, hop: int, bins: Reals) -> NDArray[np.float32]:
    """Power in bins (cycles per sample) of windows of the signal, shape (windows, bins)."""
    turn = np.exp(-2j * np.pi * np.arange(size)[:, None] * bins).astype(np.complex64)
    turn *= np.hanning(size + 2)[1:-1, None].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(x.astype(np.float32), size)[::hop]
    power = np.empty((len(frames), len(bins)), np.float32)
    for k in range(0, len(frames), 512):
        power[k : k + 512] = np.abs(frames[k : k + 512].astype(np.complex64) @ turn) ** 2
    power /= max(float(power.mean()), 1e-30)
    return power


def _best_path(power: NDArray[np.float32]) -> NDArray[np.int64]:
    """The bin of each window on the path of most power less the price of its changes."""
    reach = max(1, int(np.ceil(STEEPEST / BIN)))
    slope = SLOPE * np.abs(np.arange(-reach, reach + 1))
    best = power[0].copy()
    back = np.zeros(power.shape, np.int64)
    padded = np.full(power.shape[1] + 2 * reach, -np.inf, np.float32)
    for k in range(1, len(power)):
        padded[reach:-reach] = best
        options = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1) - slope
        back[k] = options.argmax(axis=1)
        best = np.take_along_axis(options, back[k][:, None], axis=1)[:, 0] + power[k]
        best -= best.max()
    at = int(best.argmax())
    track = np.empty(len(power), np.int64)
    for k in range(len(power) - 1, -1, -1):
        track[k] = at
        at += int(back[k, at]) - reach if k else 0
    return track


def _frequency(x: Reals, period: float, low: float, high: float, wide: float) -> Reals:
    """The clock's frequency at each sample, in positions per sample."""
    size, hop = round(WINDOW * min(wide, 3.0) * period), max(1, round(HOP * period))
    if len(x) < 2 * size:
        size = max(16, len(x) // 2)
        hop = max(1, size // 4)
    bins = np.exp(np.arange(np.log(low), np.log(high), BIN))
    power = _spectra(x, size, hop, bins)
    path = _best_path(power)
    middle = np.arange(len(power)) * hop + size / 2
    out: Reals = np.interp(np.arange(len(x)), middle, bins[path])
    return out


def follow_phase(x: NDArray[np.float32], period: float, low: float, high: float) -> PhaseClock:
    """Follow the clock row through a log.

    Parameters
    ----------
    x : ndarray, shape (samples,)
        The clock channel.
    period : float
        Samples per position, roughly.
    low, high : float
        The range of frequencies to search, in positions per sample.
    """
    y: Reals = x - running_mean(x, round(6 * period))
    wide = _widening(y, period)
    phase = np.cumsum(_frequency(y, period, low, high, wide))
    phase -= phase[0]
    beat = y * np.exp(-2j * np.pi * phase)
    for _ in range(2):
        beat = running_mean(beat, round(SMOOTH * wide * period))
    strength = np.abs(beat)
    strength /= max(float(np.median(strength)), 1e-30)
    phase += np.unwrap(np.angle(beat)) / (2 * np.pi)
    # where the tone is gone, the phase goes on at the speed around
    weak = strength < 0.15
    if weak.any() and not weak.all():
        at = np.arange(len(phase))
        phase[weak] = np.interp(at[weak], at[~weak], phase[~weak])
    phase = np.maximum.accumulate(phase)
    is_low = _reads_low(y, phase)
    return PhaseClock(phase - 0.5 if is_low else phase, strength, is_low)


def _reads_low(y: Reals, phase: Reals) -> bool:
    """Whether holes read low, from the mean shape of a position."""
    place = np.floor((phase % 1) * 64).astype(int) % 64
    fold = np.bincount(place, y, 64) / np.maximum(np.bincount(place, minlength=64), 1)
    fold = (np.roll(fold, 1) + fold + np.roll(fold, -1)) / 3
    return float((fold < (fold.max() + fold.min()) / 2).mean()) < HOLE_SHARE
