"""How the stage moved between readings: in time, late, early or slowly.

All its moves are laid over one another. Each hypothesis says up to which slot a row's holes show,
and from which slot on the next one's; between the two there is solid material. The bits of all
slots decide how late the stage starts and how long it moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design, signs_of
from sonify.recover.diagnosis.under_detector import TRUST

__all__ = [
    "FAULTY",
    "OPEN",
    "StageMove",
    "crossing",
    "gain_of_moves",
    "mean_log",
    "prefixes",
    "stage_move",
]

Reals = NDArray[np.float64]
Index = NDArray[np.signedinteger[Any]]

SHOWS = (0.3, 0.7)
"""Of its move, up to which a row's holes show, and from which on the next one's: holes take half of
the rows' distance (common practice, no source), and a stage is fastest halfway."""

LIKE_PROFILE = 0.25
"""Standard deviation of the time of the stage's move around the profile's, as a share of it (common
practice, no source)."""

FAULTY = math.log(50)
"""The log likelihood that a fault must gain: one stage in fifty is early, late or slow (a guess of
a mechanic's)."""

OPEN = 3.0
"""The log likelihood by which two faults must differ for the recording to tell them apart."""

CLEAR = 0.5
"""Of the evidence in perfect holes: half a row's from which on the detector is at the row."""

FINE = 60
"""Times of the move that are tried, between one slot and the longest."""


@dataclass(frozen=True)
class StageMove:
    """How a stage moves from row to row.

    Attributes
    ----------
    kind : str
        "sound", "late", "slow" or "early": what is likeliest.
    others : tuple of str
        Other faults that are nearly as likely.
    begins : float
        How many slots after a reading's end it starts.
    lasts : float
        How many slots it moves.
    usual : float
        How many it should move.
    """

    kind: str
    others: tuple[str, ...]
    begins: float
    lasts: float
    usual: float


def stage_move(
    seen: Reals, design: Design, phase: int, start: Index, shown: Index, period_s: float
) -> StageMove | None:
    """The likeliest way to move; None if no move from one row to another is known.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        The evidence for a hole, from -1 to 1; 0 where nothing is known.
    design : Design
    phase : int
        Slot k is position (k + phase) % positions.
    start, shown : ndarray of int64, shape (rows,)
        The slot in which each reading began, and the row under the detector; below 0 for none.
    period_s : float
        How long a position lasts.
    """
    n, signs = design.positions, signs_of(design.grid)

    def gains(slot: Index, sign: Index | int) -> Reals:
        inside = (slot >= 0) & (slot < len(seen))
        bits = np.where(inside, seen[np.clip(slot, 0, len(seen) - 1)], 0.0)
        return np.asarray(np.log1p(TRUST * sign * bits))

    slot = start[:, None] + np.arange(n)
    hole = signs[shown[:, None], (slot + phase) % n] > 0
    read = np.where(hole, gains(slot, 1), 0.0)
    halves = [
        read[:, part].sum(axis=1) / np.maximum(hole[:, part].sum(axis=1), 1)
        for part in (slice(n // 2), slice(n // 2, n))
    ]
    # a stage beside its rows shows too little of their holes to tell when it moved
    clear = (shown >= 0) & (np.max(halves, axis=0) > CLEAR * math.log1p(TRUST))
    known = clear[:-1] & clear[1:] & (shown[1:] == shown[:-1] + 1)
    if not known.any():
        return None
    done, gap = (start[:-1] + n)[known], int((start[1:] - start[:-1] - n)[known].min())
    before, reach = n // 2, max(gap, 0) + n // 2
    slot = done[:, None] + np.arange(-before, reach)

    def total(sign: Index | int) -> Reals:
        return np.append(0.0, np.cumsum(gains(slot, sign).sum(axis=0)))

    one, other = (signs[r[known][:, None], (slot + phase) % n] for r in (shown[:-1], shown[1:]))
    old, bare, new = total(one), total(-1), total(other)
    usual = max(design.stage_s / period_s, 1.0)
    begins = np.arange(-before, reach)[:, None]
    some = np.exp(np.linspace(0.0, math.log(2.0 * reach), FINE)) if reach > 1 else np.ones(1)
    lasts = np.append(some, usual)[None, :]
    off, on = (
        np.clip(np.rint(begins + s * lasts).astype(np.int64) + before, 0, before + reach)
        for s in SHOWS
    )
    likely = old[off] + bare[on] - bare[off] + new[-1] - new[on]
    as_set = likely - 0.5 * (np.log(lasts / usual) / LIKE_PROFILE) ** 2
    timely = np.abs(begins) <= 1
    ready = begins + lasts <= gap + 2
    every = {
        "sound": np.where(timely & ready, as_set, -np.inf),
        "late": np.where((begins > 1) & ~ready, as_set, -np.inf),
        "slow": np.where(timely & ~ready & (lasts > usual), likely, -np.inf),
        "early": np.where((begins < -1) & (off < before), as_set, -np.inf),
    }
    best = {name: float(x.max()) - FAULTY * (name != "sound") for name, x in every.items()}
    kind = max(best, key=lambda name: best[name])
    at = np.unravel_index(int(np.argmax(every[kind])), likely.shape)
    others = [x for x in best if x not in (kind, "sound") and best[x] > best[kind] - OPEN]
    return StageMove(
        kind,
        tuple(others) if kind != "sound" else (),
        float(begins[at[0], 0]),
        float(lasts[0, at[1]]),
        usual,
    )


def crossing(old: Reals, moving: Reals, since: Index, free: NDArray[np.bool_]) -> tuple[int, int]:
    """How many slots after a reading the stage likeliest leaves a row and arrives at the next one,
    by how much likelier a slot is if the row before shows, or the stage moves."""
    stays, goes = (
        prefixes(np.bincount(since[free], x[free]).astype(np.float64)) for x in (old, moving)
    )
    left = np.maximum.accumulate(stays - goes)
    arrives = int(np.argmax(left + goes))
    return int(np.argmax((stays - goes)[: arrives + 1])), arrives


def gain_of_moves(
    old: Reals, moving: Reals, since: Index, between: NDArray[np.bool_], latest: int
) -> float:
    """The log likelihood gained over a stage that is at the next row all the time, if it leaves
    rows at any moment and arrives at any later one, the same for all rows.

    Parameters
    ----------
    old, moving : ndarray, shape (slots,)
        By how much likelier a slot is if the row before shows, or the stage moves.
    since : ndarray of int64, shape (slots,)
        Slots since the reading before.
    between : ndarray of bool, shape (slots,)
        The slots that count.
    latest : int
        The most slots after a reading when it leaves.
    """
    first = int(since[between].min())
    stays, goes = (
        prefixes(np.bincount(since[between] - first, x[between]).astype(np.float64))
        for x in (old, moving)
    )
    # leaving at i and arriving at j, for each j the mean over all i up to it
    stays[latest + 1 - first :] = -np.inf
    leaving = np.logaddexp.accumulate(stays - goes) - np.log(np.arange(1, len(stays) + 1))
    return mean_log(leaving + goes)


def prefixes(x: Reals) -> Reals:
    """Sums of the first 0, 1, ... of some values."""
    return np.append(0.0, np.cumsum(x))


def mean_log(logs: Reals) -> float:
    """Log likelihood of a hypothesis, from that at each of its equally likely parameters."""
    return float(np.logaddexp.reduce(logs, axis=None)) - math.log(logs.size)
