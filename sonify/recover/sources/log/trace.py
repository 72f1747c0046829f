"""A detector log as one record a position: when it passed, and what was seen there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural
from sonify.errors import InputError
from sonify.recover.sources.log.clock import Clock, follow
from sonify.recover.sources.log.levels import BINS, binned, judge, measure, measure_delay
from sonify.recover.sources.log.samples import Samples, open_samples
from sonify.recover.sources.log.signal import PER_PERIOD, coarse_blocks, probe

__all__ = ["PASSED", "Trace", "trace_log"]

PASSED = np.dtype(
    [("time_s", "f8"), ("level", "f4"), ("odds", "f4"), ("clock", "f4"), ("extra", "f4")]
)
"""One position that passed: its time, the data level (0 web, 1 hole), the natural logarithm of
the odds for a hole, the level of its clock hole (1 as usual, 0 missing), and that of the web
after it (0 as usual, 1 a hole: a doubled pulse)."""

STRETCH = 1 << 18  # coarse samples that are looked at together
OVERLAP = 48  # positions that neighbouring stretches share
HALF_SEEN = 0.05  # positions that a hole's middle may lie outside the log and still be read
LOST = 6  # positions without any clock after which the count is in doubt


@dataclass(frozen=True, eq=False)
class Trace:
    """What passed the detectors.

    Attributes
    ----------
    passed : ndarray of PASSED
        In the order of time.
    delay : float
        How far the data detector's holes come after the clock's, in positions (-0.5 to 0.5).
    noise : float
        Standard deviation of the level.
    low : tuple of bool
        Whether holes read low: clock, data.
    lost : ndarray of bool, shape (positions,)
        Where the clock row could not be followed.
    cells : ndarray, shape (positions, 32) or None
        The data level through each position, for a picture of the signal; kept on request.
    """

    passed: NDArray[np.void]
    delay: float
    noise: float
    low: tuple[bool, bool]
    lost: NDArray[np.bool_]
    rate: float
    notes: tuple[str, ...] = ()
    cells: NDArray[np.float32] | None = field(default=None, repr=False)

    @property
    def delay_s(self) -> float:
        """The delay in seconds, at the usual speed."""
        steps = np.diff(self.passed["time_s"])
        return self.delay * float(np.median(steps)) if len(steps) else 0.0


def _stretches(samples: Samples, step: int, overlap: int) -> Iterator[tuple[int, object, bool]]:
    """Coarse samples in overlapping stretches: the first one's index, the samples, the last?"""
    held: list[NDArray[np.float32]] = []
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


@dataclass
class _Part:
    index: NDArray[np.float64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]
    clock: NDArray[np.float64]
    extra: NDArray[np.float64]
    strength: NDArray[np.float64]
    outside: NDArray[np.bool_]
    clock_noise: float
    cells: NDArray[np.float32] | None


def _look(
    both: NDArray[np.float32], clock: Clock, begin: int, end: int, delay: float, keep: bool
) -> _Part:
    """The positions `begin` to `end` of a stretch."""
    phase = clock.phase
    count = end - begin
    at = np.interp(np.arange(begin, end), phase, np.arange(len(phase)) + 0.5)
    cells = binned(both[:, 1], phase, begin, count, delay)
    level, noise, _ = measure(cells)
    beat = binned(both[:, 0], phase, begin, count, 0.0)
    clock_level, clock_noise, _ = measure(beat)
    usual = float(np.median(clock_level)) or 1.0
    third = BINS // 4
    off = np.concatenate([beat[:, : third - 4], beat[:, -(third - 4) :]], axis=1)
    web = float(np.median(off))
    # the narrowest thing that counts is an eighth of a position
    runs = np.lib.stride_tricks.sliding_window_view(off, 3, axis=1).mean(axis=2)
    height = np.abs(runs - web).max(axis=1) / max(abs(usual), 1e-30)
    strength = np.interp(at, np.arange(len(phase)) + 0.5, clock.strength)
    middle = np.arange(begin, end) + delay
    return _Part(
        at,
        level,
        noise,
        clock_level / usual,
        height,
        strength,
        (middle < phase[0] - HALF_SEEN) | (middle > phase[-1] + HALF_SEEN),
        float(np.sqrt(np.mean(clock_noise**2))) / abs(usual),
        cells.astype(np.float32) if keep else None,
    )


def trace_log(
    path: str | Path, sample_rate: float | None = None, *, keep_cells: bool = False
) -> Trace:
    """Follow a detector log, in bounded memory.

    Parameters
    ----------
    path : path
        .csv with a header, .npy, or two-channel .wav.
    sample_rate : float, optional
        Samples a second, where the file has no times.
    keep_cells : bool
        Keep the data level through each position (128 bytes each).

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
    overlap = round(OVERLAP * period)
    parts: list[_Part] = []
    lows: list[tuple[bool, bool]] = []
    delay: float | None = None
    join: tuple[float, float] | None = None
    done = 0
    want_low: bool | None = None
    for first, both, last in _stretches(samples, step, overlap):
        assert isinstance(both, np.ndarray)
        if len(both) < 4 * period:
            break
        clock = follow(
            both[:, 0], period, 0.72 * low * step, min(1.35 * high * step, 0.45), want_low
        )
        want_low = clock.low
        lows.append((clock.low, clock.sure_low))
        phase = clock.phase
        at = np.arange(len(phase)) + 0.5 + first
        if join is None:
            phase -= np.floor(phase[0])
            begin = int(np.ceil(phase[0] - 0.05))
        else:
            phase += round(join[1] - float(np.interp(join[0], at, phase)))
            begin = done
        end = int(np.floor(phase[-1] + 0.05)) + 1
        if not last:
            middle_at = at[-1] - overlap
            end = int(np.floor(np.interp(middle_at, at, phase)))
            join = (float(middle_at), float(np.interp(middle_at, at, phase)))
        if end <= begin:
            continue
        if delay is None:
            count = end - begin
            delay = measure_delay(_flat(binned(both[:, 1], phase, begin, count, 0.0)))
        part = _look(both, clock, begin, end, delay, keep_cells)
        part.index += first
        parts.append(part)
        done = end
    if not parts:
        raise InputError(
            "fewer than four positions passed in it; a log should hold at least one turn", file=path
        )
    return _joined(parts, samples, step, delay or 0.0, lows, path)


def _flat(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    """Binned levels less their slow drift."""
    means = cells.mean(axis=1)
    k = min(9, len(means) // 2 * 2 - 1)
    if k < 3:
        return cells
    padded = np.pad(means, k // 2, mode="edge")
    slow = np.convolve(padded, np.full(k, 1 / k), "valid")
    return cells - slow[:, None]


def _joined(
    parts: list[_Part],
    samples: Samples,
    step: int,
    delay: float,
    lows: list[tuple[bool, bool]],
    path: Path,
) -> Trace:
    def all_of(name: str) -> NDArray[np.float64]:
        return np.concatenate([getattr(p, name) for p in parts])

    index, level, noise = all_of("index"), all_of("level"), all_of("noise")
    strength = all_of("strength")
    levels = judge(level, noise)
    out = np.empty(len(index), PASSED)
    out["time_s"] = index * step / samples.rate
    out["level"], out["odds"] = levels.level, levels.odds
    out["clock"], out["extra"] = all_of("clock"), all_of("extra")
    weak = strength < 0.3
    alive = np.flatnonzero(~weak)
    if len(alive) == 0:
        raise InputError("the clock row could not be followed", file=path)
    keep = slice(int(alive[0]), int(alive[-1]) + 1)
    out, weak = out[keep], weak[keep]
    lost = np.concatenate([p.outside for p in parts])[keep]
    notes = list(samples.notes)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], weak.view(np.int8), [0]])))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if b - a > LOST:
            lost[a:b] = True
            notes.append(
                f"the clock row was lost for {b - a} positions at {out['time_s'][a]:.2f} s; "
                "the count after that is in doubt"
            )
    clock_noise = max(p.clock_noise for p in parts)
    if clock_noise < 0.15:
        missing = int(np.count_nonzero((out["clock"] < 0.4) & ~lost))
        doubled = int(np.count_nonzero(out["extra"] > 0.5))
        if missing:
            notes.append(f"{plural(missing, 'clock pulse')} missing, put in by the even spacing")
        if doubled:
            notes.append(f"{plural(doubled, 'clock pulse')} doubled, taken once")
    cells = [p.cells for p in parts]
    kept = None if cells[0] is None else np.concatenate([c for c in cells if c is not None])[keep]
    return Trace(
        out,
        delay,
        levels.noise,
        (lows[0][0], levels.low),
        lost,
        samples.rate,
        tuple(notes),
        kept,
    )
