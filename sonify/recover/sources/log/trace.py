"""A detector log as one record per position: when it passed, and what was seen there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural
from sonify.errors import Caution, InputError
from sonify.recover.signal.levels import BINS, binned, hole_delay, hole_levels
from sonify.recover.signal.phase import follow_phase
from sonify.recover.signal.slicer import soft_bits
from sonify.recover.sources.log.decimate import PER_PERIOD, coarse, probe
from sonify.recover.sources.log.files import open_samples

__all__ = ["PASSED", "Trace", "trace_log"]

Reals = NDArray[np.float64]

PASSED = np.dtype(
    [("time_s", "f8"), ("level", "f4"), ("odds", "f4"), ("clock", "f4"), ("extra", "f4")]
)
"""One position: its time, the data level (0 web, 1 hole), the natural logarithm of the odds for a
hole, the level of its clock hole (1 as usual, 0 missing), and that of the web after it (0 as usual,
1 a hole: a doubled pulse)."""

EDGE = 0.05
"""Positions by which a hole's middle may lie outside the log and still be read."""

WEAK = 0.3
"""Of the clock's usual strength: below it, the clock is lost."""

CLEAN = 0.15
"""Noise of the clock's levels up to which missing and doubled pulses can be told."""

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
        steps = np.diff(self.passed["time_s"])
        return float(np.median(steps)) if len(steps) else float("nan")

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
    low, middle, high = probe(samples, path)
    step = max(1, int(1 / (high * 1.1) / PER_PERIOD))
    both = coarse(samples, step)
    search = 0.72 * low * step, min(1.35 * high * step, 0.45)
    clock = follow_phase(both[:, 0], 1 / (middle * step), *search)
    phase = clock.phase - np.floor(clock.phase[0])
    first, end = int(np.ceil(phase[0] - EDGE)), int(np.floor(phase[-1] + EDGE)) + 1
    if end - first < 4:
        raise InputError(
            "fewer than four positions passed; a log should hold at least one turn of the disc",
            file=path,
        )
    delay = hole_delay(binned(both[:, 1], phase, first, end - first, 0.0))
    position, every = np.arange(first, end), np.arange(len(phase)) + 0.5
    at = np.interp(position, phase, every)
    bits = soft_bits(*hole_levels(binned(both[:, 1], phase, first, end - first, delay)))
    level, noise, extra = _clock_levels(binned(both[:, 0], phase, first, end - first, 0.0))
    out = np.empty(end - first, PASSED)
    out["time_s"], out["clock"], out["extra"] = at * step / samples.rate, level, extra
    out["level"], out["odds"] = bits.level, bits.odds
    lost = (position + delay < phase[0] - EDGE) | (position + delay > phase[-1] + EDGE)
    weak = np.interp(at, every, clock.strength) < WEAK
    alive = np.flatnonzero(~weak)
    if len(alive) == 0:
        raise InputError("the clock row could not be followed", file=path)
    keep = slice(int(alive[0]), int(alive[-1]) + 1)
    out, weak, lost = out[keep], weak[keep], lost[keep]
    cautions = [Caution(text) for text in samples.remarks]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], weak.view(np.int8), [0]])))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a > LOST:
            lost[a:b] = True
            cautions.append(
                Caution(
                    f"the clock row was lost for {b - a} positions at {out['time_s'][a]:.2f} s; "
                    "the count after that is in doubt"
                )
            )
    if noise < CLEAN:
        missing = int(np.count_nonzero((out["clock"] < 0.4) & ~lost))
        doubled = int(np.count_nonzero(out["extra"] > 0.5))
        if missing:
            what = plural(missing, "clock pulse")
            cautions.append(Caution(f"{what} missing; put in from the even spacing"))
        if doubled:
            cautions.append(Caution(f"{plural(doubled, 'clock pulse')} doubled; each counted once"))
    return Trace(out, delay, bits.noise, (clock.low, bits.low), lost, tuple(cautions))


def _clock_levels(beat: Reals) -> tuple[Reals, float, Reals]:
    """The level of each clock hole (1 as usual), the noise, and the level of a second pulse."""
    level, noise = hole_levels(beat)
    usual = float(np.median(level)) or 1.0
    # a second pulse stands in the web around; an eighth of a position is the narrowest that counts
    side = BINS // 4 - 4
    off = np.concatenate([beat[:, :side], beat[:, -side:]], axis=1)
    runs = np.lib.stride_tricks.sliding_window_view(off, 3, axis=1).mean(axis=2)
    extra = np.abs(runs - float(np.median(off))).max(axis=1) / max(abs(usual), 1e-30)
    return level / usual, float(np.sqrt(np.mean((noise / usual) ** 2))), extra
