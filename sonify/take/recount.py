"""Clock pulses missing or doubled, told from notes: which count of positions explains them best.

A player counts the clock row. Without a pulse at one position it leaves that one out, and puts all
bits after it one place too early; with one too many it reads a bit twice. Notes come when the
holes come, so the places must be worked out: for each position, what a player with that pulse
missing or doubled would have played is held against what was heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.take.observed import Observed
from sonify.take.place import Plan

__all__ = ["Miscount", "recounted"]

LEAST = 4
SHARE = 0.45


@dataclass(frozen=True)
class Miscount:
    """A clock pulse that is missing or doubled at one position of every turn.

    Attributes
    ----------
    kind : str
        "missing" or "doubled".
    position : int
    before, after : int
        Places that do not fit without and with this explanation.
    """

    kind: str
    position: int
    before: int
    after: int


def recounted(
    seen: Observed, plan: Plan, pitch: NDArray[np.int16] | None
) -> tuple[Observed, Miscount | None]:
    """The bits as a player counted them, if its clock was wrong at one position.

    Parameters
    ----------
    seen : Observed
        From a MIDI file.
    plan : Plan
    pitch : ndarray of int16, shape (rows, positions), or None
        The pitch that goes with each place, where the place alone decides.
    """
    n, rows = plan.positions, plan.rows
    slots = np.arange(n + 3)
    begin = seen.placing.start + seen.placing.phase
    first = np.zeros(rows, np.int64) if plan.index else begin % n
    position = (first[:, None] + slots[None, :]) % n
    r = np.arange(rows)[:, None]
    truth = plan.grid[seen.placing.seen_row][r, position]
    heard = seen.under
    tone = seen.under_pitch
    known = (truth >= 0) & (heard >= 0)
    wrong = known & (heard != truth)
    loud = known & (heard == 1)

    def cost(read: NDArray[np.bool_], place: NDArray[np.int64]) -> int:
        """Places that do not fit where so many are read, at such counts."""
        out = int((wrong & read).sum() + (loud & ~read).sum())
        if pitch is not None and tone is not None:
            fit = pitch[r, place % n]
            out += int((read & (tone >= 0) & (fit >= 0) & (tone != fit)).sum())
        return out

    plain = np.broadcast_to(slots, (rows, n + 3))
    base = position if not plan.index else plain
    before = cost(plain < n, base)
    if before < LEAST:
        return seen, None
    best: tuple[int, str, int] = (before, "", -1)
    for c in range(n):
        at = (c - first) % n
        gone, count = _missing(plain, at[:, None], n)
        place = _places(count, c, seen, plan, position, -1)
        one = cost((count < n) & ~gone, place)
        if one < best[0]:
            best = one, "missing", c
        count = plain + (plain > at[:, None])
        place = _places(count, c, seen, plan, position, 1)
        one = cost(count < n, place)
        if one < best[0]:
            best = one, "doubled", c
    after, kind, c = best
    if not kind or before - after < LEAST or after > SHARE * before:
        return seen, None
    return _with_count(seen, plan, position, first, kind, c), Miscount(kind, c, before, after)


def _missing(
    plain: NDArray[np.int64], at: NDArray[np.int64], n: int
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Which slots have no pulse, and the count at the others."""
    gone = (plain - at) % n == 0
    return gone, plain - np.cumsum(gone, axis=1) + gone


def _places(
    count: NDArray[np.int64],
    c: int,
    seen: Observed,
    plan: Plan,
    position: NDArray[np.int64],
    way: int,
) -> NDArray[np.int64]:
    """The places to which counts go: on players that never stop counting, slips add up."""
    if plan.index:
        return count
    return _start_counts(seen, plan, c, way)[:, None] + count


def _start_counts(seen: Observed, plan: Plan, c: int, way: int) -> NDArray[np.int64]:
    """The place to which a player that miscounts puts each row's first bit."""
    n = plan.positions
    start = seen.placing.start + seen.placing.phase
    origin = int(start[0]) - int(start[0]) % n
    turns = (start - 1 - c) // n - (origin - 1 - c) // n  # passes of c before each start
    out: NDArray[np.int64] = start - origin + way * turns
    return out


def _with_count(
    seen: Observed,
    plan: Plan,
    position: NDArray[np.int64],
    first: NDArray[np.int64],
    kind: str,
    c: int,
) -> Observed:
    n, rows = plan.positions, plan.rows
    plain = np.broadcast_to(np.arange(n + 3), (rows, n + 3))
    at = ((c - first) % n)[:, None]
    bits = np.full((rows, n), -1, np.int8)
    time = np.full((rows, n), np.nan)
    if kind == "missing":
        gone, count = _missing(plain, at, n)
        read = (count < n) & ~gone
        place = _places(count, c, seen, plan, position, -1) % n
    else:
        count = plain + (plain > at)
        read = count < n
        place = _places(count, c, seen, plan, position, 1) % n
        second = (_places(at + 1, c, seen, plan, position, 1) % n)[:, 0]
        rows_in = np.flatnonzero(at[:, 0] + 1 < n)
        # the second pulse falls beside the hole, unless a note says otherwise
        bits[rows_in, second[rows_in]] = 0
        for row, place_in_row in seen.extra_place:
            if 0 < place_in_row - at[row, 0] < 1:
                bits[row, second[row]] = 1
    r, s = np.nonzero(read)
    bits[r, place[r, s]] = seen.under[r, s]
    slot = seen.placing.start[r] + s
    time[r, place[r, s]] = np.interp(slot, np.arange(len(seen.slot_s)), seen.slot_s)
    ends = np.where(read, plain, -1).max(axis=1)
    begins = np.where(read, plain, 2 * n).min(axis=1)
    return replace(seen, bits=bits, time_s=time, span=np.stack([begins, ends], axis=1))
