"""A detector log as one record per position: when it passed, and what was seen there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural
from sonify.errors import Caution
from sonify.recover.signal.clock import follow_clock
from sonify.recover.signal.levels import aligned_cells, hole_levels
from sonify.recover.signal.slicer import soft_bits
from sonify.recover.sources.log.decimate import PER_PERIOD, coarse, probe
from sonify.recover.sources.log.files import open_samples

__all__ = ["PASSED", "Trace", "trace_log"]

Reals = NDArray[np.float64]

PASSED = np.dtype([("time_s", "f8"), ("level", "f4"), ("odds", "f4")])
"""One position: its time, the data level (0 web, 1 hole), and the natural logarithm of the odds for
a hole."""

EDGE = 0.05
"""Positions by which a hole's middle may lie outside the log and still be read."""

LOST = 6
"""Positions without any clock after which the count is in doubt."""


@dataclass(frozen=True, eq=False)
class Trace:
    """What passed the detectors.

    Attributes
    ----------
    passed : ndarray of PASSED
        In the order of time.
    delay : float
        How much later than the clock's the data detector's holes pass, in positions (-0.5 to 0.5).
    noise : float
        Standard deviation of the level.
    low : tuple of bool
        Whether holes read low: clock, data.
    lost : ndarray of bool, shape (positions,)
        Where the clock row could not be followed.
    cautions : tuple of Caution
    """

    passed: NDArray[np.void]
    delay: float
    noise: float
    low: tuple[bool, bool]
    lost: NDArray[np.bool_]
    cautions: tuple[Caution, ...] = ()

    @property
    def period_s(self) -> float:
        """How long a position usually lasts, in s; nan for fewer than two."""
        times = self.passed["time_s"]
        few = min(8, len(times) - 1)
        return float(np.median(times[few:] - times[:-few]) / few) if few else float("nan")

    @property
    def delay_s(self) -> float:
        """The delay in seconds, at the usual speed."""
        return self.delay * self.period_s if len(self.passed) > 1 else 0.0


def trace_log(path: str | Path, sample_rate: float | None = None) -> Trace:
    """Follow a detector log. Only its means over 32nds of a position are held in memory.

    Parameters
    ----------
    path : path
        .csv with a header, .npy, or two-channel .wav.
    sample_rate : float, optional
        Samples per second, if the file has no times.

    Raises
    ------
    InputError
        Not a log, one channel, NaN, no pulses.
    """
    path = Path(path)
    samples = open_samples(path, sample_rate)
    middle, high = probe(samples, path)
    step = max(1, int(1 / (high * 1.1) / PER_PERIOD))
    both, rate = coarse(samples, step), samples.rate / step
    clock = follow_clock(both[:, 0], rate, 1 / (middle * samples.rate), path)
    cells, delay = aligned_cells(both[:, 1], rate, clock)
    bits, period = soft_bits(*hole_levels(cells)), clock.usual_s
    out = np.empty(len(clock.slot_s), PASSED)
    out["time_s"], out["level"], out["odds"] = clock.slot_s, bits.level, bits.odds
    seen = clock.slot_s + delay
    lost = (seen < -EDGE * period) | (seen > len(both) / rate + EDGE * period)
    cautions = [Caution(text) for text in samples.remarks]
    for at, pause in clock.pauses(LOST):
        said = f"no clock pulse came for {pause:.2f} s after {at:.2f} s"
        cautions.append(Caution(f"{said}; the count after that is in doubt"))
    if len(clock.missing):
        missing = plural(len(clock.missing), "clock pulse")
        cautions.append(Caution(f"{missing} missing; put in from the even spacing"))
    doubled = int(clock.extra.sum())
    if doubled:
        cautions.append(Caution(f"{plural(doubled, 'clock pulse')} doubled; each counted once"))
    return Trace(out, delay / period, bits.noise, (clock.low, bits.low), lost, tuple(cautions))
