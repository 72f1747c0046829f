"""Follow a recording by the notes that were due: which note of the score each recorded one is.

Pitches and the times between neighbours tell, so that waits of any length between rows, lost notes
and late ones do no harm: a score follower after R. B. Dannenberg (An On-Line Algorithm for
Real-Time Accompaniment, 1984), with dynamic programming over the whole recording. All voices are
followed together, and every path keeps the pace of its own notes, because a motor drifts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["CUT", "FEWEST", "LONGEST_S", "MOST", "SCORE", "Followed", "follow_score"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SCORE = np.dtype(
    [
        ("slot", "f8"), ("beside", "f8"), ("row", "i8"), ("position", "i8"), ("key", "i8"),
        ("voice", "i8"), ("anyway", "?"),
    ]
)  # fmt: skip
"""One note that is due: the slot in which it is played, by how much that is after its own position,
in slots, and whether it is played whatever the bits are."""

LOST, ADDED = math.log(12), math.log(20)
"""The price of a note that is lost, and of one that is added, as negative logarithms of how often
that happens where it happens at all (guesses to a factor of two)."""

WAIT = math.log(20)
"""The same of a wait before a row, as in a log."""

CUT = math.log(50)
"""The same of rows that were not recorded."""

NEAR, PACE = 0.12, 0.07
"""Standard deviation of the time between two notes, in positions, and what each position between
them adds: a motor's jitter, and its drift (common practice, no source)."""

FAITH = 8.0
"""Positions after which a path's pace is half that of its own notes: as many as lie within the
time in which a motor's speed changes (an eighth of a turn or so)."""

PACES = (0.6, 1.7)
"""Of the period expected: the slowest and the fastest pace of a path."""

FAR = 8.0
"""The most that a wrong time costs: then the note is late, which is rarer than lost."""

STEPS = (5, 3)
"""Notes of the score, and recorded ones, from one match to the next: four in a row may be lost."""

MOST = 4_000_000
"""Pairs of notes that are compared at most, for time's sake."""

SURE = 0.97
"""Of the recorded notes that must be due, for the rest of them to be stray ones: a take with other
bits than the disc's has other notes."""

FEWEST = 12
"""Notes that tell a score from chance: each pitch and time has at least one bit."""


LONGEST_S = 3.0
"""The longest that a note is taken to be late: a buffer of a kilobyte takes a third of a second, a
radio link some seconds (from memory)."""

GAIN = 0.25
"""By how much a motor's speed changes from one note to the next at most, as a share: it starts, or
is caught by its belt (own estimate)."""

AROUND = 4
"""Notes before and after it that say when it was due."""


@dataclass(frozen=True, eq=False)
class Followed:
    """Recorded notes by the score.

    Attributes
    ----------
    score : ndarray of SCORE
    of : ndarray of int64, shape (recorded notes,)
        The note of the score; -1 for none.
    slot : ndarray of int64, shape (recorded notes,)
        In which they were played, from the first one on.
    late : ndarray, shape (recorded notes,)
        How much later they came than those before and after them let expect, in positions.
    jitter, tick : float
        How irregularly notes come from one to the next, as a standard deviation, and how exact the
        recording's times are, in positions.
    """

    score: NDArray[np.void]
    of: Index
    slot: Index
    late: Reals
    jitter: float
    tick: float

    def part(self, voice: int, mine: NDArray[np.bool_]) -> Followed:
        """The notes of one voice; `mine` says which of the recorded ones are."""
        own = self.score["voice"] == voice
        of = np.where((self.of >= 0) & own[self.of], np.cumsum(own)[self.of] - 1, -1)
        return replace(
            self, score=self.score[own], of=of[mine], slot=self.slot[mine], late=self.late[mine]
        )


def follow_score(
    score: NDArray[np.void],
    keys: Index,
    on_s: Reals,
    period_s: float,
    positions: int,
    tick_s: float,
    main: NDArray[np.bool_],
) -> Followed | None:
    """Match recorded notes with the score; None if they are not of it.

    Parameters
    ----------
    score : ndarray of SCORE
        In the order of time, rows one after the other.
    keys, on_s : ndarray, shape (recorded notes,)
        Of the recording, in the order of time.
    period_s : float
        How long a position lasts.
    positions : int
        Per turn.
    tick_s : float
        How exact the recording's times are.
    main : ndarray of bool, shape (recorded notes,)
        Those of the voice that is listened to: others may get other pitches from a wrong bit.
    """
    if min(len(score), len(keys)) < FEWEST or len(score) * len(keys) > MOST:
        return None
    time = on_s / period_s
    of = _matched(score, keys, time, tick_s / period_s)
    if (of >= 0).sum() >= FEWEST:
        of = _overtaken(score, keys, time, of, positions, LONGEST_S / period_s)
    ordered = max((of >= 0).mean(), (of >= 0).mean(where=main) if main.any() else 0) < SURE
    if ordered:
        if not np.array_equal(np.sort(score["key"]), np.sort(keys)):
            return None
        # the same notes in another order: those of each pitch in the order of the score
        of = np.empty(len(keys), np.int64)
        of[np.argsort(keys, kind="stable")] = np.argsort(score["key"], kind="stable")
    slot = _slots(score, of, time, positions)
    beside: Reals = np.where(of >= 0, score["beside"][of], 0.0)
    late, jitter = _lateness(slot + beside, time)
    if ordered and late.max() * period_s > LONGEST_S:
        return None
    return Followed(score, of, slot, late, jitter, tick_s / period_s)


def _lateness(slot: Reals, time: Reals) -> tuple[Reals, float]:
    """How much later notes come than those before and those after them let expect, and how
    irregularly they come from one to the next, as a standard deviation; in positions."""
    place, which = np.unique(np.round(slot, 3), return_inverse=True)
    if len(place) < 2 * AROUND:
        return np.zeros(len(slot)), 0.0
    order = np.lexsort((time, which))
    middle = np.searchsorted(which[order], np.arange(len(place)))
    passed = time[order][middle + (np.bincount(which) - 1) // 2]
    # off the line between its neighbours: a drift and a pause leave that alone
    ahead = np.diff(place)
    w = ahead[:-1] / (ahead[:-1] + ahead[1:])
    line = passed.copy()
    line[1:-1] = (1 - w) * passed[:-2] + w * passed[2:]
    off = np.abs(passed - line)[1:-1] / np.sqrt(1 + w**2 + (1 - w) ** 2)
    jitter = 1.4826 * float(np.median(off))
    window = np.lib.stride_tricks.sliding_window_view
    pace = np.median(window(np.pad(np.diff(passed) / ahead, AROUND, mode="edge"), 2 * AROUND), 1)
    pace = pace[: len(place)]
    near = window(np.pad(np.stack([place, passed]), ((0, 0), (AROUND, AROUND)), "edge"), AROUND, 1)

    def due(around: Reals) -> Reals:
        x, t = around
        out: Reals = np.median(t + pace[:, None] * (place[:, None] - x), axis=1)
        return out

    # as the speed changes, notes lie off that line too, the more the farther they are apart
    bent = np.pad(GAIN * np.minimum(ahead[:-1], ahead[1:]), 1)
    sides = due(near[:, : len(place)]), due(near[:, AROUND + 1 :])
    due_by = np.stack([*sides, line - bent, line + bent])[:, which]
    return time - np.clip(time, due_by.min(axis=0), due_by.max(axis=0)), jitter


def _overtaken(
    score: NDArray[np.void], keys: Index, time: Reals, of: Index, n: int, longest: float
) -> Index:
    """Notes that others have overtaken, as they came late or a row began elsewhere, matched too."""
    hit, slot = of >= 0, score["slot"]
    known = np.flatnonzero(hit)
    known = known[np.argsort(of[known])]
    rest = np.setdiff1d(np.arange(len(score)), of)
    # by the nearest note of the same row, as rows may wait
    apart = np.abs(slot[rest][:, None] - slot[of[known]])
    apart[score["row"][rest][:, None] != score["row"][of[known]]] += 1e6
    by = known[np.argmin(apart, axis=1)]
    due = time[by] + slot[rest] - slot[of[by]]
    out = of.copy()
    for j in np.flatnonzero(~hit).tolist():
        lag = time[j] - due
        late = np.where((lag > -1) & (lag < longest), np.abs(lag), np.inf)
        turned = np.abs(np.abs(lag) - n)
        off = np.minimum(late, np.where(turned < max(2.0, PACE * n), turned, np.inf))
        off[score["key"][rest] != keys[j]] = np.inf
        if len(off) and np.isfinite(off.min()):
            k = int(np.argmin(off))
            out[j] = rest[k]
            rest, due = np.delete(rest, k), np.delete(due, k)
    return out


def _matched(score: NDArray[np.void], keys: Index, time: Reals, tick: float) -> Index:
    """The note of the score that each recorded one is; -1 for none. Times are in positions."""
    count, heard = len(score), len(keys)
    rows, slot, every = score["row"], score["slot"], np.arange(len(keys))
    same = score["key"][:, None] == keys[None, :]
    # what a pitch tells: the rarer, the more
    _, which, often = np.unique(score["key"], return_inverse=True, return_counts=True)
    worth = 1.0 - np.log(often[which] / count)
    into = np.arange(count) - np.searchsorted(rows, rows)
    left = np.searchsorted(rows, rows, "right") - 1 - np.arange(count)
    begin = LOST * into + CUT * (rows > rows[0])
    near = math.hypot(NEAR, tick)
    best = np.full((count, heard), -np.inf)
    pace = np.ones((count, heard))
    came = np.full((count, heard), -1, np.int64)
    ended, ender = np.full(heard, -np.inf), np.full(heard, -1, np.int64)
    over, overer = ended.copy(), ender.copy()

    def furthest(value: Reals, source: Index, skip: float) -> tuple[Reals, Index]:
        """The best of all recorded notes before each, with a price for those between."""
        top = np.maximum.accumulate(value + skip * every)
        last = np.maximum.accumulate(np.where(value + skip * every == top, every, 0))
        return np.append(-np.inf, (top - skip * every)[:-1]), np.append(-1, source[last][:-1])

    lost, added = np.arange(1, STEPS[0] + 1), np.arange(1, STEPS[1] + 1)
    dear = LOST * (lost - 1)[:, None, None], ADDED * (added - 1)[:, None]
    for i in range(count):
        # only the recorded notes of its pitch
        own = np.flatnonzero(same[i])
        now, back = -ADDED * every[own] - begin[i], np.full(len(own), -1, np.int64)
        steady = np.ones(len(own))

        def take(
            way: Reals, source: Index, speed: Reals, now: Reals = now, back: Index = back,
            steady: Reals = steady,
        ) -> None:  # fmt: skip
            better = way > now
            now[better], back[better], steady[better] = way[better], source[better], speed[better]

        if i:
            # any number of notes may be lost within a row, at the price of an unknown time
            done = best[i - 1] > over - LOST
            over = np.where(done, best[i - 1], over - LOST)
            overer = np.where(done, (i - 1) * heard + every, overer)
            value, source = furthest(over - FAR, overer, ADDED)
            take(value[own], source[own], pace.flat[source[own]])
        if i and rows[i] != rows[i - 1]:
            # what all rows so far come to, by the last note recorded of them
            most = best[:i] - LOST * left[:i, None]
            ender = np.argmax(most, axis=0) * heard + every
            ended, ender = furthest(most.max(axis=0) - CUT - WAIT, ender, 0.0)
        take((ended - LOST * into[i])[own], ender[own], pace.flat[ender[own]])
        if i and len(own):
            # shape (notes of the score before it, recorded notes before each, own)
            h, before = i - lost[:i, None, None], own - added[:, None]
            gap, wide = slot[i] - slot[h], rows[i] != rows[h]
            speed, took = pace[h, before], time[own] - time[before]
            off = (took - gap * speed) / (near + PACE * gap)
            price = np.minimum(0.5 * off**2, FAR)
            price = np.where(wide & (off > 0), np.minimum(price, WAIT), price)
            fits = (np.abs(off) < 3) * (gap / (gap + FAITH))
            moved = np.clip(speed + fits * (took / np.where(gap > 0, gap, 1) - speed), *PACES)
            speed = np.where(~wide & (gap > 0), moved, speed)
            way = best[h, before] - price - dear[0][:i] - dear[1]
            way = np.where(before < 0, -np.inf, way).reshape(-1, len(own))
            one = np.argmax(way, axis=0), np.arange(len(own))
            source = (h * heard + before).reshape(way.shape)
            take(way[one], source[one], speed.reshape(way.shape)[one])
        best[i, own] = now + worth[i]
        came[i, own], pace[i, own] = back, steady
    end = best - (LOST * left + CUT * (rows < rows[-1]))[:, None] - ADDED * every[::-1]
    at = int(np.argmax(end))
    of = np.full(heard, -1, np.int64)
    while at >= 0 and np.isfinite(best.flat[at]):
        i, j = divmod(at, heard)
        of[j] = i
        at = int(came[i, j])
    return of


def _slots(score: NDArray[np.void], of: Index, time: Reals, n: int) -> Index:
    """The slots of recorded notes: each passes at its position, and time tells in which turn."""
    hit = np.flatnonzero(of >= 0)
    place = score["position"][of[hit]]
    gone = np.diff(time[hit] - score["beside"][of[hit]])
    # a motor drifts, so the pace is that of the notes around
    ahead = np.diff(place) % n
    near = (gone > 0) & (np.abs(gone - ahead) < 0.4 * np.maximum(ahead, 1)) & (ahead > 0)
    pace = float(np.median(gone[near] / ahead[near])) if near.any() else 1.0
    turns = np.rint((gone / pace - ahead) / n).astype(np.int64)
    out = np.full(len(of), -1, np.int64)
    # a note of an earlier position may be played after one of a later position
    out[hit] = np.concatenate([[0], np.cumsum(ahead + n * np.maximum(turns, -1))])
    rest = np.flatnonzero(of < 0)
    out[rest] = np.rint(np.interp(time[rest], time[hit], out[hit])).astype(np.int64)
    return out
