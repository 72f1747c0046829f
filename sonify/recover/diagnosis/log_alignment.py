"""A detector log held against a disc: what the machine read at each clock pulse."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.diagnosis.alignment import Alignment, Design, align_rows, turn_phase
from sonify.recover.diagnosis.clock import Clock, find_clock, levels_of
from sonify.recover.diagnosis.next_position import align_next_position
from sonify.recover.diagnosis.observed import Levels, Observed
from sonify.recover.diagnosis.source import LogRecording

__all__ = ["Sampling", "observe_log"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

MANY = 2  # rows by which a log may begin late without a further look
SURE = 0.9  # the share of bits as they should be from which on rows are surely where they seem
LEAST = 2  # rows' worth of bits that must be in a log for that

WINDOW = 0.22  # of a position: what is averaged for its level
LEAST_SPREAD = 0.04  # of the swing
TRACE = 48  # samples of a trace
MOST_TRACES = 4000


class _Sums:
    """Means of a signal between two moments, from running sums."""

    def __init__(self, x: NDArray[np.float32], rate: float) -> None:
        self.total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])
        self.rate = rate

    def mean(self, begin: Reals, end: Reals) -> Reals:
        """Means over spans; at least one sample each. nan outside the log."""
        top = len(self.total) - 1
        a = np.clip(np.rint(begin * self.rate).astype(np.int64), 0, top)
        b = np.clip(np.rint(end * self.rate).astype(np.int64), 0, top)
        b = np.maximum(b, np.minimum(a + 1, top))
        out = np.full(len(a), np.nan)
        some = b > a
        out[some] = (self.total[b[some]] - self.total[a[some]]) / (b[some] - a[some])
        return out

    def held(self, begin: Reals, end: Reals) -> Reals:
        """Means as a machine takes them that has just these samples: over each one that holds at
        some moment of a span, from when it is taken until the next one is. nan outside the log."""
        top = len(self.total) - 1
        a = np.floor(begin * self.rate).astype(np.int64)
        b = np.floor(end * self.rate).astype(np.int64) + 1
        inside = (a >= 0) & (b <= top) & (b > a)
        a, b = np.where(inside, a, 0), np.where(inside, b, 1)
        return np.where(inside, (self.total[b] - self.total[a]) / (b - a), np.nan)


@dataclass(frozen=True)
class Sampling:
    """How the machine samples its data detector for a bit, as far as that is told.

    Attributes
    ----------
    at_s : float or None
        The middle of the time over which it averages, in s after the middle of the clock's pulse;
        where holes pass if None.
    width : float or None
        How long that is, as a share of a position; a fifth or so if None.
    """

    at_s: float | None = None
    width: float | None = None

    @property
    def told(self) -> bool:
        """Whether anything is."""
        return self.at_s is not None or self.width is not None


def _delay(sums: _Sums, clock: Clock, about: float) -> float:
    """How much later the data detector sees holes, in s: where the levels spread widest."""
    period = clock.period
    usual = float(np.median(period))
    shares = np.arange(-0.45, 0.4501, 0.025)
    spread = np.empty(len(shares))
    for k, share in enumerate(shares):
        middle = clock.slot_s + about + share * usual
        level = sums.mean(middle - 0.08 * usual, middle + 0.08 * usual)
        spread[k] = np.nanvar(level)
    # the middle of the part where the spread is high, as a hole is seen evenly early and late
    over = np.maximum(spread - 0.5 * (spread.max() + spread.min()), 0)
    return about + float((over * shares).sum() / max(over.sum(), 1e-30)) * usual


def _levels(sums: _Sums, at: Reals, period: Reals) -> tuple[Reals, Reals]:
    """The level at moments, and of the material beside them."""
    half = WINDOW / 2 * period
    level = sums.mean(at - half, at + half)
    before = sums.mean(at - 0.56 * period, at - 0.44 * period)
    after = sums.mean(at + 0.44 * period, at + 0.56 * period)
    return level, (before + after) / 2


def _split(level: Reals) -> float:
    """A threshold between two classes of levels, halfway between their means."""
    some = level[np.isfinite(level)]
    return float(sum(levels_of(some.astype(np.float32))) / 2)


def _evidence(level: Reals, web: Reals, low: bool) -> Reals:
    """How much speaks for a hole in each slot, from -1 to 1; 0 where nothing is known.

    Whatever the machine took it for: either by the level alone or by how far it stands out of the
    material beside it, which light from elsewhere moves along; by what parts the two better.
    """
    best, most = np.zeros(len(level)), -1.0
    for value in (level, level - web):
        value = -value if low else value
        some = value[np.isfinite(value)]
        if not len(some):
            continue
        zero, one = levels_of(some.astype(np.float32))
        middle, half = (one + zero) / 2, max((one - zero) / 2, 1e-9)
        rest = np.abs(some - middle) - half
        apart = half / max(float(np.sqrt(np.mean(rest**2))), 1e-9)
        if apart > most:
            most = apart
            best = np.where(np.isfinite(value), np.clip((value - middle) / half, -1, 1), 0.0)
    return best


def observe_log(
    log: LogRecording,
    design: Design,
    period_s: float,
    threshold: float | None,
    delay_s: float,
    sampling: Sampling | None = None,
    low_holes: bool | None = None,
) -> Observed:
    """Read a log as the machine did.

    Parameters
    ----------
    log : LogRecording
    design : Design
        With a hole as 1.
    period_s : float
        How long a position should last.
    threshold : float or None
        The machine's own threshold, in the log's units; found from the log if None.
    delay_s : float
        The delay of the profile, from which the search starts.
    sampling : Sampling, optional
        How the machine samples, as far as that is told. The log's samples are then taken for the
        machine's own: what it averages is among them, and it sees an edge of the clock at the
        first sample that lies past it.
    low_holes : bool, optional
        Whether holes read low; found from the log if not given.

    Raises
    ------
    InputError
        No pulses, or less than a row of them.
    """
    clock = find_clock(log, period_s, low_holes)
    n, rows = design.positions, design.rows
    if len(clock.slot_s) < n // 2:
        raise InputError(
            f"{len(clock.slot_s)} positions passed and a row has {n}: too little to compare",
            file=log.path,
        )
    sums = _Sums(log.data, log.rate)
    delay = _delay(sums, clock, delay_s)
    period = clock.period
    looked_at, web = _levels(sums, clock.slot_s + delay, period)

    def sampled(pulse_s: Reals) -> Reals:
        how = sampling or Sampling()
        of = np.interp(pulse_s, clock.slot_s, period)
        if not how.told:
            return _levels(sums, pulse_s + delay, of)[0]
        middle = pulse_s + (delay if how.at_s is None else how.at_s + 0.5 / log.rate)
        half = (how.width or WINDOW) / 2 * of
        return sums.held(middle - half, middle + half)

    level = sampled(clock.slot_s)
    found = _split(level)
    used = found if threshold is None else threshold
    low = clock.low
    hole = (level < used) == low
    seen = _evidence(looked_at, web, low)
    phase, _ = turn_phase(seen, design.grid)
    good = np.flatnonzero(~clock.extra)
    if design.index:
        alignment = _align(seen, design, phase)
        first = _first_pulses(clock, alignment.start, good)
    else:
        material = 1.0 if (float(np.nanmedian(web)) < found) == low else -1.0
        alignment, first = align_next_position(seen, material, design, phase, clock)
    # a doubled pulse has its own sample
    own = sampled(clock.pulse_s)
    pulse_hole = np.where(np.isfinite(own), (own < used) == low, -1).astype(np.int8)
    bits = np.full((rows, n), -1, np.int8)
    time = np.full((rows, n), np.nan)
    level_at, web_at = np.full((rows, n), np.nan), np.full((rows, n), np.nan)
    passed = np.full((rows, n), np.nan)
    under = np.full((rows, n + 3), -1, np.int8)
    origin: int | None = None
    for r in range(rows):
        start = int(alignment.start[r])
        slots = np.arange(max(start, 0), min(start + n + 3, len(seen)))
        under[r, slots - start] = hole[slots] & np.isfinite(level[slots])
        inside = slots[slots < start + n]
        where = (inside + phase) % n
        level_at[r, where], web_at[r, where] = level[inside], web[inside]
        passed[r, where] = clock.slot_s[inside]
        offset, j0 = max(0, -start), max(0, int(first[r]))
        if offset >= n or j0 >= len(clock.pulse_s):
            continue
        if origin is None:
            origin = j0 - offset - (start + phase) % n
        pulses = np.arange(j0, min(j0 + n - offset, len(clock.pulse_s)))
        if design.index:
            places = offset + np.arange(len(pulses))
        else:
            places = (pulses - origin) % n
        bits[r, places] = pulse_hole[pulses]
        time[r, places] = clock.pulse_s[pulses]
    return Observed(
        kind="log",
        bits=bits,
        time_s=time,
        under=under,
        beat_slot=clock.pulse_slot[good],
        beat_s=clock.pulse_s[good],
        slot_s=clock.slot_s,
        alignment=alignment,
        told=1.0,
        clock=clock,
        levels=_margin(
            log,
            design.grid[alignment.seen_row],
            passed,
            level_at,
            web_at,
            used,
            threshold,
            low,
            delay,
        ),
        extra_s=clock.pulse_s[clock.extra],
        extra_place=_extra_places(clock, alignment, n),
    )


def _align(seen: Reals, design: Design, phase: int) -> Alignment:
    """When each row was read, where rows wait for the index; a log may begin many rows late."""
    alignment = align_rows(seen, design, phase, turning=True)
    sure = alignment.agreement >= SURE
    if sure and alignment.start[0] > -MANY * design.step:
        return alignment
    late = align_rows(seen, design, phase, turning=True, lost=design.rows - 1)
    # where nothing fits, rows that lie outside would fit best
    enough = _covered(seen, late, design.positions) >= LEAST * design.positions
    better = late.agreement >= SURE and (not sure or _strange(late) < _strange(alignment))
    return late if enough and better else alignment


def _covered(seen: Reals, alignment: Alignment, n: int) -> int:
    """How many bits that were seen lie in rows."""
    slot = alignment.start[:, None] + np.arange(n)
    return int(np.count_nonzero(seen[slot[(slot >= 0) & (slot < len(seen))]]))


def _strange(alignment: Alignment) -> int:
    """How many rows were read in the place of others."""
    return int((alignment.seen_row != np.arange(len(alignment.seen_row))).sum())


def _first_pulses(clock: Clock, start: Index, good: Index) -> Index:
    """The first pulses of readings that start in slots."""
    at = np.searchsorted(clock.pulse_slot[good], start)
    out: Index = np.append(good, len(clock.pulse_s))[at]
    return out


def _extra_places(clock: Clock, alignment: Alignment, n: int) -> list[tuple[int, float]]:
    """Row and place (with a fraction) of pulses too many."""
    out = []
    for t in clock.pulse_s[clock.extra]:
        slot = float(np.interp(t, clock.slot_s, np.arange(len(clock.slot_s))))
        r = int(np.searchsorted(alignment.start, slot, "right")) - 1
        if 0 <= r < len(alignment.start) and slot < alignment.start[r] + n + 1:
            out.append((r, slot - float(alignment.start[r])))
    return out


def _margin(
    log: LogRecording,
    truth: NDArray[np.int8],
    passed: Reals,
    level: Reals,
    web: Reals,
    used: float,
    given: float | None,
    low: bool,
    delay: float,
) -> Levels:
    read = np.flatnonzero(np.isfinite(passed.reshape(-1)))
    steps = np.diff(passed, axis=1)
    period = float(np.median(steps[np.isfinite(steps)])) if np.isfinite(steps).any() else 0.0
    if len(read) > MOST_TRACES:
        read = read[np.linspace(0, len(read) - 1, MOST_TRACES).astype(int)]
    at = passed.reshape(-1)[read] + delay
    across = np.linspace(-0.75, 0.75, TRACE) * period
    index = np.rint((at[:, None] + across[None, :]) * log.rate).astype(np.int64)
    traces = log.data[np.clip(index, 0, len(log.data) - 1)].astype(np.float64)
    return Levels(
        level=level,
        web=web,
        truth=truth,
        threshold=used,
        given=given is not None,
        low=low,
        traces=traces,
        trace_bits=truth.reshape(-1)[read],
        delay_s=delay,
    )


def best_threshold(ones: Reals, zeros: Reals) -> tuple[float, float]:
    """The threshold of the fewest errors between two normal distributions, and that error rate.

    The point where the weighted densities cross (J. G. Proakis, Digital Communications, the
    binary decision between two Gaussians). Middles and spreads are the medians and 1.4826 times
    the median absolute deviations, so that a few places that went wrong do not move them.
    """
    m1, m0 = float(np.median(ones)), float(np.median(zeros))
    # levels that hardly differ, of few bits or clipped, do not draw the threshold to themselves
    least = LEAST_SPREAD * max(abs(m1 - m0), 1e-9)
    s1 = max(1.4826 * float(np.median(np.abs(ones - m1))), least)
    s0 = max(1.4826 * float(np.median(np.abs(zeros - m0))), least)
    p1 = len(ones) / (len(ones) + len(zeros))
    a = 1 / (2 * s0**2) - 1 / (2 * s1**2)
    b = m1 / s1**2 - m0 / s0**2
    c = (
        m0**2 / (2 * s0**2)
        - m1**2 / (2 * s1**2)
        + math.log(max(p1, 1e-9) / max(1 - p1, 1e-9) * s0 / s1)
    )
    middle = (m1 * s0 + m0 * s1) / (s0 + s1)
    if abs(a) < 1e-12 * abs(b):
        point = -c / b if b else middle
    else:
        disc = b * b - 4 * a * c
        roots = [(-b + w * math.sqrt(max(disc, 0))) / (2 * a) for w in (1, -1)]
        point = min(roots, key=lambda x: abs(x - middle))
    if not min(m0, m1) <= point <= max(m0, m1):
        point = middle
    tail = 0.5 * math.sqrt(0.5)
    way = 1.0 if m1 > m0 else -1.0
    miss = 0.5 * math.erfc(way * (m1 - point) / s1 * 2 * tail)
    add = 0.5 * math.erfc(way * (point - m0) / s0 * 2 * tail)
    return point, p1 * miss + (1 - p1) * add
