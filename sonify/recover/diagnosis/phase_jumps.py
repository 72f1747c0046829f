"""Jumps in the phase of a log's channels, which no disc can make.

A disc has inertia: it may stand still, but its angle can't jump. Two faults show such jumps:

- *A recorder that drops samples* joins what came before and after. At such a seam both channels
  jump together. The clock's phase moves for good, and a hole or a web beside the seam is too short
  (where a disc stands still, one is too long; a false or a missing pulse leaves the phase alone).
  Or the recorder repeats a sample in the place of those that it lost.
- *A loose detector* moves against the other one: the holes of one channel jump against those of
  the other, from one delay to another.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.channels import is_digital, runs
from sonify.recover.diagnosis.source import LogRecording
from sonify.recover.signal.averages import running_mean
from sonify.recover.signal.clock import PulseClock
from sonify.recover.signal.levels import BINS, cells_of
from sonify.recover.signal.pulses import FEWEST, find_pulses

__all__ = ["NO_JUMPS", "PhaseJumps", "phase_jumps"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SIGMAS = 5.0
"""By which a phase or a length stands out: of 1000 pulses, one does by chance in 1700 logs (normal
distribution)."""

SPANS = (5, 10)
"""Pulses on either side that tell the clock's phase: a few follow a speed that changes, more
average a jitter."""

UNEVEN = 0.25
"""Of a position: pulses whose intervals differ by more tell no phase; jitter of a tenth differs by
0.14."""

MISSED = 0.2
"""Of the positions, without a pulse: where more are, this is no clock channel (a data channel has
holes at about half of its places)."""

UNLIKE = 0.6
"""Of the usual length, by which those pulses may differ from it: a hole that runs into another one
is at least twice as long."""

MOSTLY = 0.5
"""Share of the pulses that must be even: where fewer are, the clock channel itself is spoilt."""

LEAST_PHASE, LEAST_SHORT = 0.03, 0.05
"""Least standard deviations of a phase, in positions, and of a length, as a share: edges are known
to 0.29 of a sample, which at 16 samples a position is 0.02, and a length has two of them."""

LONG = 2.5
"""Of the usual length: a seam joins two parts of a hole or a web, which are at most twice that."""

RUN, MOST_SLOTS, LEAST_SLOTS = 3, 12, 6
"""Parts on either side that tell the delay of the data, and how many slots each takes, fewer in a
short log."""

CLEAR = 0.3
"""Resultant length (0 to 1) of the places at which a part's levels vary, from which its holes tell
a delay: noise alone has about 1 / sqrt(32 bins), or 0.2."""

AGREE = 0.95
"""The same for the delays of neighbouring parts: it holds back parts in which a jump lies."""

LEAST_MOVE = 0.1
"""Positions by which a loose detector moves at least: pauses and lights move the delay of sound
ones by up to 0.09 (measured with generators a and b)."""


HOPS = 0.2
"""Positions between the tenth and the ninetieth in a hundred of the data's holes against the
clock's pulses, beyond which one of the detectors moves, if neighbours agree to a quarter of it: of
480 recordings of generators a, b, d, e and f, 14 of 20 with a loose clock showed 0.24 or more, and
all others 0.2 or less."""


ANYWHERE = 0.7
"""The same of holes that have nothing to do with the pulses: of chance, 0.8; of a loose clock, at
most 0.57."""

STEADIER = 2.0
"""Times as uneven as the data's holes the clock's pulses must be, for the clock detector to move:
sound channels differ by a factor of 1.6 at most where holes are clear (generators a, b, d, e)."""


QUARTER = 0.25
"""Of a position: while a motor rests, channels with little noise stand still for less, and samples
that are lost for less do no harm (own choice)."""

REPEATS, MANY, MUCH, SELDOM = 0.2, 20, 5.0, math.log(1e6)
"""Share of the samples that repeat the one before on both channels, from which on noise is too
little to tell; runs of them that tell how long they are, and how many times as long an odd one is;
and how seldom one comes by chance if there are fewer, as a logarithm (own choices)."""


SOLID = 4
"""Positions in which no channel changes: solid material is as long once in 16 times."""


class PhaseJumps(NamedTuple):
    """When both channels jumped together, in s; when the clock's pulses jumped against the data's
    holes, in s, and by how many positions; by how many positions they wander about holes that
    follow one another more evenly, as a standard deviation; and when both channels stood still,
    though noise or holes should move them, in s."""

    together: tuple[float, ...] = ()
    apart: tuple[tuple[float, float], ...] = ()
    wander: float = 0.0
    held: tuple[float, ...] = ()


NO_JUMPS = PhaseJumps()


def phase_jumps(log: LogRecording, clock: PulseClock, low: bool) -> PhaseJumps:
    """Look for jumps in a log with its clock as it was followed; whether data holes read `low`."""
    if len(clock.missing) > MISSED * len(clock.slot_s):
        return NO_JUMPS
    apart = _apart(log, clock)
    found: list[float] = []
    if clock.clear and not apart:
        found = sorted({t for span in SPANS for t in _by_phase(*clock.holes, span)})
    # both pulses beside a seam tell of the same one
    apart_by = 2 * clock.usual_s
    together = tuple(t for k, t in enumerate(found) if not k or t - found[k - 1] > apart_by)
    held = _held(log, clock.usual_s) or _silent(log, clock)
    return PhaseJumps(together, apart, _wander(log, clock, low), held)


def _held(log: LogRecording, period_s: float) -> tuple[float, ...]:
    """When a recorder repeated samples, or wrote zeros, in place of those that it lost."""
    zeros = (log.clock == 0, log.data == 0)
    if zeros[0].any() and (zeros[0] == zeros[1]).all():
        return tuple((runs(zeros[0])[0] / log.rate).tolist())
    same = np.ones(len(log.clock) - 1, bool)
    for x in (log.clock, log.data):  # what is beyond a limit repeats itself, too
        same &= (np.diff(x) == 0) & (x[1:] != x.min()) & (x[1:] != x.max())
    share, (first, long) = float(same.mean()), runs(same)
    if not 0 < share < REPEATS:
        return ()
    if len(long) > MANY:
        odd = long > MUCH * np.percentile(long, 99)
    else:
        odd = long * -math.log(share) > SELDOM + math.log(len(same))
    odd &= long > QUARTER * period_s * log.rate
    return tuple((first[odd] / log.rate).tolist())


def _silent(log: LogRecording, clock: PulseClock) -> tuple[float, ...]:
    """When several pulses in a row are missing from two comparators' outputs, and the data's do not
    change meanwhile: dirt on the clock row leaves the data alone."""
    good = ~clock.extra
    steps = np.diff(clock.pulse_slot[good])
    at = np.flatnonzero(steps > 2)
    if not clock.clear or not len(at):
        return ()
    if not (is_digital(log.clock) and is_digital(log.data)):
        return ()
    change = np.flatnonzero((np.diff(log.clock) != 0) | (np.diff(log.data) != 0)) / log.rate
    out, told = list[float](), 0
    for begin, end, some in zip(
        clock.pulse_s[good][at], clock.pulse_s[good][at + 1], steps[at], strict=True
    ):
        inside = change[(change > begin) & (change < end)]
        still = np.diff(np.concatenate([[begin], inside, [end]]))
        if still.max() > (some - 1.5) * clock.usual_s:
            out.append(float(begin))
            told += int(some) - 1
    # each position without a hole may as well be solid material
    return tuple(out) if told >= SOLID else ()


def _by_phase(middle: Reals, length: Reals, span: int) -> list[float]:
    """The middles of pulses about which the phase jumps and a hole or a web is too short; each is
    left out of the phases."""
    at = np.arange(span, len(middle) - span)
    if len(at) < 2 * span:
        return []

    def about(x: Reals, wide: int) -> Reals:
        """The `wide` values before each pulse and after it."""
        near = np.lib.stride_tricks.sliding_window_view(x, wide)
        return np.concatenate([near[at - span], near[at + 1]], axis=1)

    web = (middle - length / 2)[1:] - (middle + length / 2)[:-1]
    ramp = np.arange(span) - (span - 1) / 2
    both = about(middle, span)
    before, after = both[:, :span], both[:, span:]
    period = (before @ ramp + after @ ramp) / (2 * (ramp @ ramp))
    passed = (after.mean(axis=1) - before.mean(axis=1)) / period
    jump = np.abs(passed - np.rint(passed))
    uneven = np.abs(about(np.diff(middle), span - 1) / period[:, None] - 1)
    holes = about(length, span)
    hole, gap = np.median(holes, axis=1), np.median(about(web, span - 1), axis=1)
    alike = np.abs(holes / hole[:, None] - 1).max(axis=1) < UNLIKE
    even = (uneven.max(axis=1) < UNEVEN) & alike
    if even.mean() < MOSTLY:
        return []
    beside = np.stack([web[at - 1] / gap, length[at] / hole, web[at] / gap])
    usual = 1.4826 * np.median(np.abs(beside[:, even] - 1), axis=1)
    short = ((1 - beside) / np.maximum(usual, LEAST_SHORT)[:, None]).max(axis=0)
    chance = max(1.4826 * float(np.median(jump[even])), LEAST_PHASE)
    found = even & (jump > SIGMAS * chance) & (short > SIGMAS) & (beside.max(axis=0) < LONG)
    return list[float](middle[at[found]].tolist())


def _wander(log: LogRecording, clock: PulseClock, low: bool) -> float:
    """By how many positions the clock's pulses wander about the data's holes, though neighbouring
    ones agree, or if they come less evenly than those; a motor's jitter moves both alike."""
    pulses = clock.pulse_s[_alike(clock.length_s)]
    if len(pulses) < FEWEST:
        return 0.0
    period = float(np.median(np.diff(pulses)))
    best: tuple[float, Reals, Reals, Reals] | None = None
    for sense in (low, not low):
        data = find_pulses(log.data, log.rate, clock.usual_s, sense)
        holes = data.middle[_alike(data.length)]
        if not data.clear or len(holes) < FEWEST:
            continue
        after = np.clip(np.searchsorted(pulses, holes), 1, len(pulses) - 1)
        sides = np.stack([holes - pulses[after - 1], holes - pulses[after]])
        off = np.where(sides[0] < -sides[1], sides[0], sides[1])
        way = np.exp(2j * np.pi * off / period)
        if best is None or abs(way.mean()) > best[0]:
            best = abs(way.mean()), way, holes, (pulses[after] - pulses[after - 1]) / period
    if best is None:
        return 0.0
    _, way, holes, paces = best
    beside = np.angle(way / way.mean()) / (2 * np.pi)
    hops = 1.4826 * float(np.median(np.abs(np.angle(way[1:] / way[:-1])))) / (2 * np.pi)
    # what is late by a time, or moves slowly, wanders with the speed, or with time
    with_speed = np.stack([np.ones(len(holes)), holes - holes[0], 1 / np.clip(paces, 0.5, 2.0)], 1)
    beside -= with_speed @ np.linalg.lstsq(with_speed, beside, rcond=None)[0]
    wide = float(np.subtract(*np.percentile(beside, [90, 10])))
    if HOPS < wide < ANYWHERE and hops < wide / STEADIER**2:
        return wide / 2
    uneven = [_uneven(x, period) for x in (pulses, holes)]
    spread = 1.4826 * float(np.median(np.abs(beside)))
    return spread if uneven[1] * STEADIER < uneven[0] and spread > LEAST_MOVE else 0.0


def _alike(length: Reals) -> NDArray[np.bool_]:
    """Which lengths are about the usual one."""
    usual = float(np.median(length)) if len(length) else 0.0
    return np.asarray(np.abs(length - usual) < UNLIKE * usual)


def _uneven(middle: Reals, period: float) -> float:
    """How much neighbouring intervals differ, in positions; infinite if hardly any are."""
    gaps = np.diff(middle) / period
    single = np.abs(gaps - 1) < UNLIKE
    apart = np.abs(np.diff(gaps))[single[1:] & single[:-1]]
    return 1.4826 * float(np.median(apart)) if len(apart) >= FEWEST else math.inf


def _apart(log: LogRecording, clock: PulseClock) -> tuple[tuple[float, float], ...]:
    """When the data's holes jump against the clock's, and by how many positions."""
    cells = cells_of(log.data, log.rate, clock, 0.0)
    wide = int(np.clip(len(cells) // (2 * RUN + 1), LEAST_SLOTS, MOST_SLOTS))
    count = len(cells) // wide
    rest = cells - running_mean(cells.mean(axis=1), 9)[:, None]
    spread = rest[: count * wide].reshape(count, wide, BINS).var(axis=1)
    turn = np.exp(2j * np.pi * ((np.arange(BINS) + 0.5) / BINS - 0.5))
    place = (spread @ turn) / np.maximum(spread.sum(axis=1), 1e-30)
    told = np.flatnonzero(np.abs(place) > CLEAR)
    if len(told) < 2 * RUN + 1:
        return ()
    way = place[told] / np.abs(place[told])
    # of parts beside one another, and of means of RUN parts
    noise = 1.4826 * float(np.median(np.abs(np.angle(way[1:] / way[:-1])))) / (2 * np.pi)
    least = max(LEAST_MOVE, SIGMAS * noise / math.sqrt(RUN))
    runs = np.lib.stride_tricks.sliding_window_view(way, RUN).sum(axis=1)
    # the jump may lie within a part, which is left out
    before, after = runs[: -RUN - 1], runs[RUN + 1 :]
    moved = np.angle(after / before) / (2 * np.pi)
    clear = np.minimum(np.abs(before), np.abs(after)) > AGREE * RUN
    size = np.where(clear, np.abs(moved), 0.0)
    out: list[tuple[float, float]] = []
    for k in np.argsort(-size, kind="stable").tolist():
        if size[k] < least:
            break
        moment = float(clock.slot_s[told[k + RUN] * wide + wide // 2])
        if all(abs(moment - t) > RUN * wide * clock.usual_s for t, _ in out):
            out.append((moment, float(moved[k])))
    return tuple(sorted(out))
