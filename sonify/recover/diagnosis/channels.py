"""What each channel of a detector log shows by itself, whatever the disc: silence, limits, hum."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FEW",
    "LIT",
    "LITTLE",
    "STILL",
    "Channel",
    "Channels",
    "channels_of",
    "is_digital",
    "runs",
    "white_noise",
]

Floats = NDArray[np.float32]
Reals = NDArray[np.float64]
Index = NDArray[np.int64]

PARTS = 4
"""Parts of a position whose means are compared: a hole passes in one or two of them."""

SEEN = 3.3
"""Standard deviations of noise: of 200 differences without holes, the fourth largest is 2.3 and
stays below this with 99.99 % (normal distribution)."""

SOME = 0.3
"""Of the usual swing: a turn that swings less holds no hole."""

TOP = 0.98
"""Share of a turn's differences below its swing: a row with a hole in 25 positions still shows."""

ENOUGH = 16
"""Samples of a position from which noise can be told: a hole's edges touch four samples each."""

STILL = 0.05
"""Of the clock's swing: a channel that moves by less is stuck. A converter of eight bits adds four
steps, which are this much of a swing that is a third of its range; an amplifier without light adds
more (0.07 and above, by generators a, b, d and e)."""

LITTLE = 0.15
"""Of the clock's swing, or of a limit: detectors use most of their supply (common practice, no
source), so a channel that swings by less shows no holes, and tells nothing of its hum."""

ENDS = [4, 96]
"""Percentiles of the levels of holes and webs: either is seen for a tenth of the time or more."""

ARCS = 16
"""Parts of a turn whose swings are compared."""

LEAST_TURNS = 2.5
"""Turns from which something once a turn can be told from a drift."""

FEW = 16
"""Positions whose levels are compared with those of others: a clock row shows both in each."""

LIT = 0.5
"""Of its swing, by which light from outside moves both levels of a clock channel: a threshold in
the middle is then at one of them."""

OTHER_SPEED = 1.4
"""By which the motor may be faster or slower than set, as a factor: more than motors drift."""

MAINS_HZ = (50.0, 60.0)
"""Mains frequencies (IEC 60196); lamps flicker at twice that."""

OFF_MAINS = 0.006
"""By which a mains frequency may be off, as a share (EN 50160 allows 1 % for short times)."""

ASTRAY = 0.05
"""By which the disc's own lines may lie beside multiples of the rate of positions that is set."""

WIDE = 2
"""Steps of a spectrum from a line's middle to its first zero, with Hann's window."""

NEXT = 2.5
"""Rates of positions on either side in which the disc's next lines are looked for: as many holes as
webs make every other line vanish, and the motor may be off by a fifth."""

OUTSTANDS = 2.0
"""Times the disc's next lines from which on a line is more than theirs: those of a rectangular wave
fall off with their number, from the second on by less than half."""

CLIPPED = 0.4
"""Share of samples at one limit: noise about the limit itself leaves one half there."""

HUM_S = 4.0
"""Length of the parts that are transformed to find hum, in s: a quarter of a hertz apart."""

LINE = 4.0
"""Times the amplitude of its neighbours from which a line stands out: of 40 neighbouring lines of
noise one in 10^5 does (Rayleigh distribution)."""


@dataclass(frozen=True)
class Channel:
    """What one channel shows.

    Attributes
    ----------
    low, high : float
        The two levels, where it swings; equal if it never does.
    last_s : float
        When a hole was last seen to pass; 0 if none ever was.
    rest : float
        The level after that.
    noise : float
        Standard deviation of the noise after that, from sample to sample.
    noise_before : float
        The same before that.
    usual_noise : float
        Standard deviation of the noise of the whole channel that is faster than a hole's passage; 0
        if it has too few samples to tell.
    spread : float
        From the lowest sample to the highest.
    long_s : float
        Length of the recording.
    wobble : float
        By how much its swing rises and falls once a turn, as a share of its mean.
    shift : float
        By how much both its levels move together in the recording, as a share of its swing, of
        a channel with a hole at every position.
    edges : float
        Changes of a digital channel in a position; 0 for others.
    digital : bool
        Whether there are only two values, or one.
    at_limit : float
        Share of the samples at exactly the highest or the lowest value, whichever is more frequent,
        of a channel that is not digital.
    limit : float
        That value.
    hum_hz, hum : float
        The frequency and the amplitude of the strongest hum of lamps, 0 for none.
    """

    low: float
    high: float
    last_s: float
    long_s: float
    rest: float
    noise: float
    noise_before: float
    usual_noise: float
    spread: float
    wobble: float
    shift: float
    edges: float
    digital: bool
    at_limit: float
    limit: float
    hum_hz: float
    hum: float

    @property
    def swing(self) -> float:
        """From the low level to the high one."""
        return self.high - self.low

    @property
    def clipped(self) -> bool:
        """Whether it is at a limit for so long that its swing, and when holes pass, tell little."""
        return self.at_limit > CLIPPED

    @property
    def ever(self) -> bool:
        """Whether any hole was seen to pass."""
        return self.last_s > 0


class Channels(NamedTuple):
    """Both channels of a log."""

    clock: Channel
    data: Channel


def channels_of(
    clock: Floats, data: Floats, rate: float, period_s: float, positions: int
) -> Channels:
    """Look at both channels.

    Parameters
    ----------
    clock, data : ndarray, shape (samples,)
    rate : float
        Samples per second.
    period_s : float
        How long a position lasts, roughly, in s.
    positions : int
        Of a turn.
    """
    first = _channel(clock, rate, period_s, positions, 0.0)
    return Channels(first, _channel(data, rate, period_s, positions, first.swing))


def _channel(x: Floats, rate: float, period_s: float, positions: int, holes: float) -> Channel:
    """Look at a channel whose holes should be about as deep as `holes`, 0 if that is not known."""
    wide = max(1, int(period_s * rate / PARTS))
    z = x[: len(x) // wide * wide].reshape(-1, wide).mean(axis=1, dtype=np.float64)
    half = PARTS // 2
    moves = np.abs(z[half:] - z[:-half])
    turn = PARTS * positions
    count = max(1, len(moves) // turn)
    turns = np.array_split(moves, count)
    swings = np.array([np.percentile(t, 100 * TOP) for t in turns])
    digital = is_digital(x)
    # of fewer samples, most lie at an edge, and third differences show edges
    tells = period_s * rate >= ENOUGH and not digital
    hz, hum = _hum(x, rate, period_s)
    usual_noise = averaged = 0.0
    if tells:
        apart, square = _noise_by_time(x, period_s * rate, hum, hz / rate)
        usual_noise = math.sqrt(square[-1])
        # a mean over many samples holds the less of a noise, the faster it is
        averaged = math.sqrt(np.diff(square, prepend=0.0) @ np.minimum(apart / wide, 1.0))
    usual = float(np.percentile(swings, 90))
    some = max(STILL * holes, SOME * usual, SEEN * math.sqrt(2) * averaged)
    if hum < LITTLE * holes:  # a dark detector may still see lamps
        some = max(some, 2 * hum)
    some = max(some, 1e-6 * float(np.abs(x).max()))
    active = np.flatnonzero(swings > some)
    low = high = float(np.median(x))
    last = -1
    if len(active):
        ends = np.cumsum([len(t) for t in turns])
        begin = int(ends[active[0]] - len(turns[active[0]]))
        last = int(np.flatnonzero(moves[: ends[active[-1]]] > some)[-1]) + half
        low, high = (float(v) for v in np.percentile(z[begin : last + 1], ENDS))
    # a hole's passage may still fade after the last part in which it was seen
    tail = x[(last + 1 + (half if last >= 0 else 0)) * wide :]
    limit, share = _limit(x)
    return Channel(
        low=low,
        high=high,
        last_s=(last + 1) * wide / rate,
        long_s=len(x) / rate,
        rest=float(np.median(tail)) if len(tail) else low,
        noise=white_noise(tail),
        noise_before=white_noise(x[: max(0, last) * wide]),
        usual_noise=usual_noise,
        spread=float(np.ptp(x)),
        wobble=_wobble(moves, turn),
        shift=0.0 if digital else _shift(z),
        edges=np.count_nonzero(np.diff(x)) * period_s * rate / len(x) if digital else 0.0,
        digital=digital,
        at_limit=0.0 if digital else share,
        limit=limit,
        hum_hz=hz,
        hum=hum,
    )


def _wobble(moves: Reals, turn: int) -> float:
    """The once-a-turn part of a swing, from `moves` of which a turn has so many."""
    wide = max(1, turn // ARCS)
    swing = moves[: len(moves) // wide * wide].reshape(-1, wide).mean(axis=1)
    turns = len(swing) * wide / turn
    if turns < LEAST_TURNS:
        return 0.0
    spectrum = np.abs(np.fft.rfft((swing - swing.mean()) * np.hanning(len(swing))))
    near = slice(max(1, int(turns / OTHER_SPEED)), int(turns * OTHER_SPEED) + 2)
    return float(4 * spectrum[near].max() / len(swing) / max(float(swing.mean()), 1e-30))


def _shift(z: Reals) -> float:
    """By how much the two levels move together, as a share of the usual swing. Parts that swing
    by less than half of it are left out: their lamp has failed, or the disc stands still."""
    parts = np.array_split(z, max(1, len(z) // (PARTS * FEW)))
    ends = np.array([np.percentile(part, [10, 90]) for part in parts])
    swing = ends[:, 1] - ends[:, 0]
    usual = float(np.median(swing))
    ends = ends[np.abs(swing - usual) <= usual / 2]
    if not len(ends) or usual <= 0:
        return 0.0
    middle = ends.mean(axis=1)
    return float((ends[np.argmax(middle)] - ends[np.argmin(middle)]).min()) / usual


def is_digital(x: Floats) -> bool:
    """Whether a channel has two values or one, by some thousands of its samples."""
    return len(np.unique(x[:: max(1, len(x) // 4096)])) <= 2


def runs(x: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where runs begin, and how long they are."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], x.astype(np.int8), [0]])))
    return edges[::2], edges[1::2] - edges[::2]


def white_noise(x: Floats) -> float:
    """Standard deviation of the white noise in a channel: third differences pass it, with 20 times
    its variance, and little else."""
    if len(x) < 8:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(x.astype(np.float64), 3)))) / math.sqrt(20)


def _noise_by_time(x: Floats, position: float, hum: float, hum_at: float) -> tuple[Index, Reals]:
    """The noise that an amplifier lets pass, which may be far slower than the samples: distances
    up to a part in `ENOUGH` of a `position`, in samples, and the variance of what changes within
    each, less what hum of an amplitude and a frequency, in turns a sample, adds to it."""
    apart = 2 ** np.arange(int(math.log2(position / ENOUGH)) + 1)
    # third differences of a sine, and the median of its magnitude
    also = 1.4826 * math.sqrt(0.5) * hum * np.abs(2 * np.sin(np.pi * hum_at * apart)) ** 3
    square = np.array([white_noise(x[::k]) ** 2 for k in apart.tolist()]) - also**2 / 20
    return apart, np.maximum.accumulate(np.maximum(square, 0.0))


def _limit(x: Floats) -> tuple[float, float]:
    top, bottom = float(x.max()), float(x.min())
    shares = {v: float(np.mean(x == np.float32(v))) for v in (top, bottom)}
    value = max(shares, key=lambda v: shares[v])
    return value, shares[value]


def _hum(x: Floats, rate: float, period_s: float) -> tuple[float, float]:
    """The frequency of the strongest hum and its amplitude."""
    size = int(min(len(x), HUM_S * rate))
    if size < 64:
        return 0.0, 0.0
    # mean power of parts that overlap by half (P. D. Welch, 1967)
    parts = np.lib.stride_tricks.sliding_window_view(x, size)[:: size // 2]
    window = np.hanning(size) / (np.hanning(size).sum() / 2)
    power = np.zeros(size // 2 + 1)
    for part in parts:
        power += np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2
    hz, amplitude = np.fft.rfftfreq(size, 1 / rate), np.sqrt(power / len(parts))
    best = (0.0, 0.0)
    for mains in MAINS_HZ:
        lamp = 2 * mains
        # below twice the lamps' frequency, samples show it folded
        folded = abs(lamp - round(lamp / rate) * rate)
        near = max(OFF_MAINS * lamp, 1.5 * hz[1])
        line = np.flatnonzero(np.abs(hz - folded) <= near)
        beside = (np.abs(hz - folded) > 2 * near) & (np.abs(hz - folded) < 2 * near + 20 * hz[1])
        if not len(line) or not beside.any() or folded < 4 * hz[1]:
            continue
        # the line at the rate of positions is the disc's, and hum that folds onto it is hidden
        line = line[np.abs(hz[line] - 1 / period_s) > ASTRAY / period_s + WIDE * hz[1]]
        if not len(line):
            continue
        k = line[int(np.argmax(amplitude[line]))]
        harmonic = folded * period_s
        if round(harmonic) and abs(harmonic - round(harmonic)) < ASTRAY * harmonic:
            # holes themselves make lines at multiples of their rate, each like some of the next on
            # either side; hum that one level shows more of has lines beside it, too
            away = (hz - hz[k]) * period_s
            next_ones = (np.abs(hz - hz[k]) > 2 * near) & (np.abs(away) < NEXT)
            sides = [amplitude[next_ones & (way * away > 0)] for way in (-1, 1)]
            if amplitude[k] < OUTSTANDS * min(side.max(initial=0.0) for side in sides):
                continue
        if amplitude[k] > LINE * float(np.median(amplitude[beside])) and amplitude[k] > best[1]:
            best = (lamp, float(amplitude[k]))
    return best
