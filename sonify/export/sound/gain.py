"""The gain that brings a sound to a loudness with its true peaks under a ceiling.

Source: Recommendation ITU-R BS.1770-4 (2015) for both. -14 LUFS with peaks under -1 dBTP is common
practice for video on the web, no source.

The gain is the same everywhere except around the few cells whose peaks would exceed the ceiling.
Only those cells are kept, and the gain is worked out as it is needed, so memory doesn't grow with
the sound's length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sonify.export.sound.audio import Audio, Samples
from sonify.export.sound.loudness import CELL, Meter, integrated, steps_of, true_peaks

__all__ = ["Level", "level"]

Floats = NDArray[np.float64]

# cells on either side of a peak over which the gain is reduced: 24 ms, own choice
_LOOK = 12

_REACH = _LOOK + 1
_AROUND = _LOOK + _REACH
_MOST_LIMITED = 10 ** (-12 / 20)
_MARGIN = 10 ** (-6 / 20)
_NEAR = 10 ** (-3 / 20)
_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class Curve:
    """A gain, and how it is reduced around loud cells.

    Attributes
    ----------
    gain : float
    ceiling : float
        What no peak may exceed, full scale at 1.0.
    loud : ndarray of int64, shape (loud,)
        The cells that may exceed it, in order.
    peaks : ndarray of float64, shape (loud,)
        Their true peaks before the gain.
    """

    gain: float = 1.0
    ceiling: float = np.inf
    loud: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    peaks: Floats = field(default_factory=lambda: np.zeros(0))

    def at(self, first: int, last: int) -> Floats | None:
        """The gain of each cell from `first` to before `last`; None if it is the same for all."""
        start = first - _AROUND
        low, high = np.searchsorted(self.loud, [start, last + _AROUND])
        need = self.ceiling / np.maximum(self.peaks[low:high] * self.gain, 1e-9)
        if not len(need) or need.min() >= 1.0:
            return None
        wanted = np.ones(last + _AROUND - start)
        wanted[self.loud[low:high] - start] = np.minimum(need, 1.0)
        # as low as any cell in reach needs, then smoothed: never higher than a cell allows
        lowest = np.lib.stride_tricks.sliding_window_view(wanted, 2 * _REACH + 1).min(axis=1)
        window = np.hanning(2 * _LOOK + 3)[1:-1]
        out: Floats = np.convolve(lowest, window / window.sum(), mode="valid")
        return self.gain * np.minimum(out, 1.0)

    def energies(self, meter: Meter) -> Iterator[NDArray[np.floating]]:
        """The energies of cells after the gain, part by part."""
        for a, energy, _ in meter.parts():
            own = self.at(a, a + len(energy))
            yield energy * np.square(self.gain if own is None else own)


@dataclass(frozen=True, eq=False)
class Level:
    """The gain to apply to sound, and the resulting levels.

    Attributes
    ----------
    curve : Curve
    lufs : float
        The resulting loudness.
    peak_db : float
        The resulting true peak, in dBTP.
    limited_db : float
        How far the loudest moment is turned down.
    short_db : float
        How far the loudness falls short of the target.
    """

    curve: Curve
    lufs: float = -np.inf
    peak_db: float = -np.inf
    limited_db: float = 0.0
    short_db: float = 0.0

    def apply(self, audio: Audio, start: int, end: int) -> Samples:
        """Read samples from `start` to `end` with the gain, interpolated from cell to cell."""
        x = audio.read(start, end)
        first, last = start // CELL - 1, -(-end // CELL) + 1
        near = self.curve.at(first, last + 1)
        if near is None:
            return x if self.curve.gain == 1.0 else x * np.float32(self.curve.gain)
        middle = (np.arange(first, last + 1) + 0.5) * CELL
        curve = np.interp(np.arange(start, end) + 0.5, middle, near)
        out: Samples = x * curve.astype(np.float32)[:, None]
        return out


def level(meter: Meter, lufs: float | None, peak_db: float) -> Level:
    """Find the gain that brings sound to a loudness with its true peak under a ceiling.

    Parameters
    ----------
    meter : Meter
        After measuring the whole sound.
    lufs : float or None
        The loudness to reach; None to leave the level as it is.
    peak_db : float
        The ceiling, in dBTP.

    Returns
    -------
    Level
    """
    as_is = meter.loudness()
    if meter.top == 0.0 or not np.isfinite(as_is):
        return Level(Curve())
    if lufs is None:
        at, peaks = _peaks(meter, meter.top * _NEAR)
        return Level(Curve(), as_is, _db(float(peaks.max())))
    ceiling = 10 ** (peak_db / 20)
    wanted = gain = 10 ** ((lufs - as_is) / 20)
    while True:
        # the peaks that matter, with headroom for a gain that rises while others are limited
        matters = ceiling / gain * _MARGIN
        at, peaks = _peaks(meter, min(matters, meter.top * _NEAR))
        top = float(peaks.max())
        most = ceiling / (top * _MOST_LIMITED)
        loud = peaks >= matters
        room = gain / _NEAR
        gain = wanted
        for _ in range(_ROUNDS):
            gain = min(gain, most)
            curve = Curve(gain, ceiling, at[loud], peaks[loud])
            reached = integrated(steps_of(curve.energies(meter), len(meter)))
            if abs(reached - lufs) < 0.01 or (gain == most and reached < lufs):
                break
            gain *= 10 ** ((lufs - reached) / 20)
        if curve.gain <= room:
            break
        gain = curve.gain
    # if any peak is limited, the highest ends at the ceiling: there the gain is lowest
    over = max(1.0, top * curve.gain / ceiling)
    return Level(curve, reached, _db(top * curve.gain / over), _db(over), max(0.0, lufs - reached))


def _peaks(meter: Meter, least: float) -> tuple[NDArray[np.int64], Floats]:
    """The cells whose sample peaks reach a level, and their true peaks."""
    where, peaks = [np.zeros(0, np.int64)], [np.zeros(0)]
    for a, _, peak in meter.parts():
        mine = np.flatnonzero(peak >= least)
        if len(mine):
            where.append(a + mine)
            peaks.append(np.maximum(true_peaks(meter.audio, a + mine), peak[mine]))
    return np.concatenate(where), np.concatenate(peaks)


def _db(ratio: float) -> float:
    return float(20 * np.log10(max(ratio, 1e-12)))
