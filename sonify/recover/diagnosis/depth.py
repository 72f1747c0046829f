"""How the depth of a log's holes varies within rows, and its material's level within turns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.observed import Levels

__all__ = ["SWAYS", "ShallowStart", "Sway", "dip_of", "shallow_start", "sway_of"]

Reals = NDArray[np.float64]

FEWEST = 10
"""Holes that were read, from which a curve can be told from chance."""

SHALLOW = 0.75
"""Of the usual depth: the least fitted depth of a start that is named. A threshold in the middle
of the levels misses holes below one half."""

GAIN = 0.6
"""Share of the scatter that is left by a start that is named; chance leaves 0.8 or more of that of
`FEWEST` holes to a curve with two more parameters (F distribution, 99 %)."""


MOSTLY = 0.6
"""Of the rows, whose start must be shallow: of two rows in three, neighbours differ by chance."""

SWAYS = 0.15
"""Of the swing, by which the material's level rises and falls once a turn: that of flat discs
does by 0.11 at most, that of warped ones by 0.19 or more (generators a, b and d of
tests/benchmarks/world.py; where the detector stands beside its rows, it may look like 0.2)."""

WAVES, MOST_WAVES = 0.09, 4
"""The same if it does so several times a turn, and how many times: by 0.07 on flat discs, by 0.11
or more on those that are bent like a saddle or in waves (generators a, b, d, e and f)."""

DIPS, ALIKE = 0.7, 0.25
"""Share of the scatter of the holes' depth that a sine once a turn explains, in all rows alike, and
how much of that rows of their own depths may explain: a stage beside its rows makes rows differ
(of 640 logs of generators a, b, d and e, none with another fault exceeds both, but for a stage that
moves while rows are read)."""

SURELY = 10.0
"""Standard errors of that amplitude from which it is none by chance."""


@dataclass(frozen=True)
class ShallowStart:
    """Each row but the first starts shallow.

    Attributes
    ----------
    long : int
        Positions until the depth is as usual.
    least : float
        The depth at first, as a share of the usual one.
    """

    long: int
    least: float


@dataclass(frozen=True)
class Sway:
    """The material's level rises and falls with the turn.

    Attributes
    ----------
    amount : float
        Its amplitude, as a share of the swing.
    times : int
        How often a turn: 1, 2 for a disc that is bent like a saddle, or more for one in waves.
    at : int
        The position where it is nearest to the holes' level.
    """

    amount: float
    times: int
    at: int


def _fit(x: Reals, depth: Reals) -> tuple[float, Reals]:
    curve = x @ np.linalg.lstsq(x, depth, rcond=None)[0]
    return float(((depth - curve) ** 2).sum()), curve


def _start(row: Reals, order: Reals, n: int, depth: Reals) -> tuple[float, float, int]:
    """The best ramp at the start of each row but the first: what it leaves, its least depth and
    its length."""
    best = (math.inf, 1.0, 0)
    for long in range(1, max(2, n // 2)):
        ramp = np.where((row > 0) & (order < long), 1 - order / long, 0.0)
        if not ramp.any():
            continue
        left, curve = _fit(np.column_stack([np.ones(len(ramp)), ramp]), depth)
        if left < best[0] and curve[ramp > 0].mean() < curve[ramp == 0].mean():
            best = (left, float(curve[ramp > 0].min()), long)
    return best


def _depths(v: Levels) -> tuple[NDArray[np.int64], NDArray[np.int64], Reals]:
    """The rows and positions of all holes that were read, and how deep they look."""
    depth = np.abs(v.level - v.web) * np.where((v.level < v.web) == v.low, 1, -1)
    at = (v.truth == 1) & np.isfinite(depth)
    return *np.nonzero(at), depth[at]


def _order(time_s: Reals) -> NDArray[np.int64]:
    """As the how manyth of its row each place was read."""
    first = np.nanmin(np.where(np.isfinite(time_s), time_s, np.inf), axis=1, keepdims=True)
    late = np.where(np.isfinite(time_s), time_s - first, np.inf)
    return np.argsort(np.argsort(late, axis=1), axis=1)


def dip_of(v: Levels, time_s: Reals) -> Sway | None:
    """How the depth of the holes falls and rises once a turn, in all rows alike; None if other
    things explain more of it, such as a stage that comes late or a row that has its own depth."""
    row, place, depth = _depths(v)
    if len(depth) < 2 * FEWEST:
        return None
    usual = max(float(np.percentile(depth, 90)), 1e-30)
    d, angle = np.clip(depth / usual, -0.5, 1.5), 2 * np.pi * place / v.level.shape[1]
    one = np.ones(len(d))
    total = float(((d - d.mean()) ** 2).sum())
    left, curve = _fit(np.column_stack([one, np.cos(angle), np.sin(angle)]), d)
    own, _ = _fit((row[:, None] == np.unique(row)).astype(np.float64), d)
    amount, share = float(np.ptp(curve) / 2), 1 - left / max(total, 1e-30)
    if amount < SWAYS or share < DIPS or 1 - own / total > ALIKE * share:
        return None
    # a stage that moves while rows are read is at the first one in time
    order, first = _order(time_s)[row, place].astype(float), row == row.min()
    rest, alone = (
        float(((x - y)[first] ** 2).sum()) for x, y in ((d, curve), (d, d[first].mean()))
    )
    if rest > alone or _start(row.astype(float), order, v.level.shape[1], d)[0] < left:
        return None
    return Sway(amount, 1, int(place[np.argmin(curve)]))


def shallow_start(v: Levels, time_s: Reals) -> ShallowStart | None:
    """How shallow rows start; None if they do not.

    Parameters
    ----------
    v : Levels
    time_s : ndarray, shape (rows, positions)
        When each place was read; nan where it was not.
    """
    rows, n = v.level.shape
    holes, place, depth = _depths(v)
    if len(depth) < FEWEST or rows < 2:
        return None
    row = holes.astype(float)
    # a row that is read well may be the only one
    each = [depth[row == r] for r in range(rows)]
    usual = max(float(np.median(x)) for x in each if len(x) >= min(3, max(map(len, each))))
    if usual <= 0:
        return None
    d = np.clip(depth / usual, -0.5, 1.5)
    order = _order(time_s)
    scatter = float(((d - np.median(d)) ** 2).sum())
    if scatter <= 0.02 * len(d):
        return None
    early = order[holes, place].astype(float)
    left, least, long = _start(row, early, n, d)
    if not left < GAIN * scatter or not least < SHALLOW:
        return None
    # light or a lost lead makes one stretch of holes shallow, and not the start of each row
    both = [[d[(row == r) & ((early < long) == s)] for s in (True, False)] for r in range(1, rows)]
    starts = [np.median(a) < np.median(b) * SHALLOW for a, b in both if len(a) and len(b)]
    return ShallowStart(long, least) if np.mean(starts or [0.0]) > MOSTLY else None


def sway_of(v: Levels, swing: float) -> Sway | None:
    """How the material's level rises and falls with the turn; None if it hardly does."""
    place, n = np.nonzero(np.isfinite(v.web))[1], v.web.shape[1]
    web = v.web[np.isfinite(v.web)] / max(swing, 1e-30)
    best: Sway | None = None
    for times in range(1, MOST_WAVES + 1):
        angle = 2 * np.pi * times * place / n
        x = np.column_stack([np.ones(len(web)), np.cos(angle), np.sin(angle)])
        if len(web) < FEWEST:
            continue
        least, curve = _fit(x, web)
        amount = float(np.ptp(curve) / 2)
        error = math.sqrt(2 * least) / len(web)
        sound = max(WAVES if times > 1 else SWAYS, SURELY * error)
        if amount > max(sound, best.amount if best else 0.0):
            at = place[int((np.argmin if v.low else np.argmax)(curve))]
            best = Sway(amount, times, int(at))
    return best
