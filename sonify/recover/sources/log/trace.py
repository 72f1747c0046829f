"""A detector log as one record per position: when it passed, and what was seen there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural
from sonify.errors import Caution, InputError
from sonify.recover.signal.levels import BINS, binned, hole_delay, hole_levels
from sonify.recover.signal.phase import PhaseClock, follow_phase
from sonify.recover.signal.slicer import soft_bits
from sonify.recover.sources.log.columns import Floats
from sonify.recover.sources.log.decimate import PER_PERIOD, coarse_blocks, probe
from sonify.recover.sources.log.samples import Samples, open_samples

__all__ = ["PASSED", "Trace", "trace_log"]

Reals = NDArray[np.float64]

PASSED = np.dtype(
    [("time_s", "f8"), ("level", "f4"), ("odds", "f4"), ("clock", "f4"), ("extra", "f4")]
)
"""One position: its time, the data level (0 web, 1 hole), the natural logarithm of the odds for a
hole, the level of its clock hole (1 as usual, 0 missing), and that of the web after it (0 as usual,
1 a hole: a doubled pulse)."""

STRETCH = 1 << 18
"""Coarse samples processed together: a few megabytes."""

OVERLAP = 48
"""Positions that neighbouring stretches share: more than the clock needs to settle."""

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
        steps = np.diff(self.passed["time_s"])
        return float(np.median(steps)) if len(steps) else float("nan")

    @property
    def delay_s(self) -> float:
        """The delay in seconds, at the usual speed."""
        return self.delay * self.period_s if len(self.passed) > 1 else 0.0


@dataclass
class _Part:
    """Positions of one stretch; an array per field, one value per position."""

    index: Reals
    level: Reals
    noise: Reals
    clock: Reals
    clock_noise: Reals
    extra: Reals
    strength: Reals
    outside: NDArray[np.bool_]


def _stretches(samples: Samples, step: int, overlap: int) -> Iterator[tuple[int, Floats, bool]]:
    """Coarse samples in overlapping stretches: the first index, the samples, whether the last."""
    held: list[Floats] = []
    have, first = 0, 0
    for block in coarse_blocks(samples, step):
        held.append(block)
        have += len(block)
        if have >= STRETCH + 4 * overlap:
            both = np.concatenate(held)
            yield first, both, False
            held = [both[-2 * overlap :].copy()]
            first += len(both) - 2 * overlap
            have = 2 * overlap
    yield first, np.concatenate(held) if held else np.empty((0, 2), np.float32), True


def _look(both: Floats, clock: PhaseClock, begin: int, end: int, first: int, delay: float) -> _Part:
    """The positions `begin` to `end` of a stretch whose first sample is number `first`."""
    phase, count = clock.phase, end - begin
    position = np.arange(begin, end)
    at = np.interp(position, phase, np.arange(len(phase)) + 0.5)
    level, noise = hole_levels(binned(both[:, 1], phase, begin, count, delay))
    beat = binned(both[:, 0], phase, begin, count, 0.0)
    clock_level, clock_noise = hole_levels(beat)
    usual = float(np.median(clock_level)) or 1.0
    # a second pulse stands in the web around; an eighth of a position is the narrowest that counts
    side = BINS // 4 - 4
    off = np.concatenate([beat[:, :side], beat[:, -side:]], axis=1)
    runs = np.lib.stride_tricks.sliding_window_view(off, 3, axis=1).mean(axis=2)
    extra = np.abs(runs - float(np.median(off))).max(axis=1) / max(abs(usual), 1e-30)
    middle = position + delay
    return _Part(
        at + first,
        level,
        noise,
        clock_level / usual,
        clock_noise / usual,
        extra,
        np.interp(at, np.arange(len(phase)) + 0.5, clock.strength),
        (middle < phase[0] - EDGE) | (middle > phase[-1] + EDGE),
    )


def trace_log(path: str | Path, sample_rate: float | None = None) -> Trace:
    """Follow a detector log, in bounded memory.

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
    period = 1 / (middle * step)
    search = 0.72 * low * step, min(1.35 * high * step, 0.45)
    overlap = round(OVERLAP * period)
    parts: list[_Part] = []
    delay, clock_low, first_low = 0.0, None, None
    join: tuple[float, float] | None = None
    done = 0
    for first, both, last in _stretches(samples, step, overlap):
        if len(both) < 4 * period:
            break
        clock = follow_phase(both[:, 0], period, *search, clock_low)
        clock_low = clock.low
        first_low = clock.low if first_low is None else first_low
        phase = clock.phase
        at = np.arange(len(phase)) + 0.5 + first
        if join is None:
            phase -= np.floor(phase[0])
            begin = int(np.ceil(phase[0] - EDGE))
        else:
            phase += round(join[1] - float(np.interp(join[0], at, phase)))
            begin = done
        end = int(np.floor(phase[-1] + EDGE)) + 1
        if not last:
            join = float(at[-1] - overlap), float(np.interp(at[-1] - overlap, at, phase))
            end = int(np.floor(join[1]))
        if end <= begin:
            continue
        if not parts:
            delay = hole_delay(binned(both[:, 1], phase, begin, end - begin, 0.0))
        parts.append(_look(both, clock, begin, end, first, delay))
        done = end
    if not parts or first_low is None:
        raise InputError(
            "fewer than four positions passed; a log should hold at least one turn of the disc",
            file=path,
        )
    whole = _Part(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(_Part)))
    return _trace(whole, samples, step, delay, first_low, path)


def _trace(
    part: _Part, samples: Samples, step: int, delay: float, clock_low: bool, path: Path
) -> Trace:
    bits = soft_bits(part.level, part.noise)
    out = np.empty(len(part.index), PASSED)
    out["time_s"] = part.index * step / samples.rate
    out["level"], out["odds"] = bits.level, bits.odds
    out["clock"], out["extra"] = part.clock, part.extra
    weak = part.strength < 0.3
    alive = np.flatnonzero(~weak)
    if len(alive) == 0:
        raise InputError("the clock row could not be followed", file=path)
    keep = slice(int(alive[0]), int(alive[-1]) + 1)
    out, weak, lost = out[keep], weak[keep], part.outside[keep]
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
    if float(np.sqrt(np.mean(part.clock_noise**2))) < 0.15:
        missing = int(np.count_nonzero((out["clock"] < 0.4) & ~lost))
        doubled = int(np.count_nonzero(out["extra"] > 0.5))
        if missing:
            what = plural(missing, "clock pulse")
            cautions.append(Caution(f"{what} missing; put in from the even spacing"))
        if doubled:
            cautions.append(Caution(f"{plural(doubled, 'clock pulse')} doubled; each counted once"))
    return Trace(out, delay, bits.noise, (clock_low, bits.low), lost, tuple(cautions))
