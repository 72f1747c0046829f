"""Follow a recording by the notes that were due: which note of the score each recorded one is.

Pitches and the times between neighbours tell, so that waits of any length between rows, lost notes
and late ones do no harm: a score follower after R. B. Dannenberg (An On-Line Algorithm for
Real-Time Accompaniment, 1984), with dynamic programming over the whole recording.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["SCORE", "Delivery", "Followed", "delivered", "follow_score", "late_notes"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

SCORE = np.dtype(
    [("slot", "f8"), ("beside", "f8"), ("row", "i8"), ("position", "i8"), ("key", "i8")]
)
"""One note that is due: the slot in which it is played, and by how much that is after its own
position, in slots."""

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

LATE, ODD = 0.35, 5.0
"""A note is late if it comes later than those before and after it by so many positions (more than
three standard deviations of a motor that jitters by a tenth), or by so many standard deviations of
the recording's own notes."""

FEW = 0.2
"""Of the notes at an end of the score: if fewer were recorded, the recording was cut there, and
those that fit do so by chance."""

LATE_S = 0.01
"""Seconds: ten notes of a chord take that long on a MIDI cable (31,250 baud, MIDI 1.0)."""

AROUND = 4
"""Notes before and after it that say when it was due."""


@dataclass(frozen=True, eq=False)
class Followed:
    """Recorded notes by the score.

    Attributes
    ----------
    of : ndarray of int64, shape (recorded notes,)
        The note of the score; -1 for none.
    slot : ndarray of int64, shape (recorded notes,)
        In which they were played, from the first one on.
    late : ndarray, shape (recorded notes,)
        How much later than their neighbours they came, in positions.
    """

    of: Index
    slot: Index
    late: Reals


@dataclass(frozen=True, eq=False)
class Delivery:
    """What became of all the notes that were due.

    Attributes
    ----------
    due : int
        Notes due in rows that were recorded.
    gone : ndarray of int64
        Rows of which no note was recorded.
    lost : int
        Notes of other rows that were not recorded.
    split : int
        Of these, those of bits that other voices did sound.
    stray : int
        Recorded notes without a place in the score.
    late_s : ndarray
        How late those notes came that were late, in s.
    """

    due: int
    gone: Index
    lost: int
    split: int
    late_s: Reals
    stray: int

    @property
    def whole(self) -> bool:
        """Whether all came; some of many late ones may have found no place."""
        known = not self.stray or len(self.late_s) >= max(3, self.stray)
        return known and not self.lost and not len(self.gone)


def delivered(
    parts: list[tuple[NDArray[np.void], Followed]], rows: int, period_s: float
) -> Delivery:
    """What became of the notes of voices that could be followed."""
    # the voice whose notes tell most says which rows were recorded: others repeat row by row
    score, main = max(parts, key=lambda p: len(p[0]) * len(np.unique(p[0]["key"])))
    due = np.bincount(score["row"], minlength=rows)
    came = np.bincount(score["row"][main.of[main.of >= 0]], minlength=rows)
    silent = (came == 0) & (due > 0)
    share = 1 - came[~silent].sum() / max(1, int(due[~silent].sum()))
    # a row of few notes may have lost them one by one
    gone = silent & (due * math.log(max(share, 1e-3)) < -CUT)
    lost = within = every = strays = 0
    known = np.flatnonzero(came)
    missing, heard, late = [], [], []
    for score, followed in parts:
        every_note = np.arange(len(score))
        there = np.isin(every_note, followed.of)
        # a recording may begin and end within a row
        first, last = _ended(there), len(score) - 1 - _ended(there[::-1])
        here = ~gone[score["row"]] & (every_note >= first) & (every_note <= last)
        every += int(here.sum())
        recorded = (every_note >= first) & (every_note <= last)
        inside = recorded & (score["row"] > known[0]) & (score["row"] < known[-1])
        beyond = gone[score["row"]]
        # a recorded note that has no place may be one of them
        stray = int((followed.of < 0).sum())
        strays += stray
        lost += max(0, int((recorded & ~there).sum()) - int((recorded & beyond).sum()) - stray)
        within += max(0, int((inside & ~there).sum()) - int((inside & beyond).sum()) - stray)
        place = score["row"] * (1 << 32) + score["position"]
        missing.append(place[~there & here])
        heard.append(place[there])
        usual = 1.4826 * float(np.median(np.abs(followed.late - np.median(followed.late))))
        after = followed.late[followed.late > min(LATE, ODD * usual)] * period_s
        late.append(after[after > LATE_S])
    if known[-1] - known[0] > 1 and not within:
        lost = 0  # what only the first row and the last one lack was cut off
    both = np.isin(np.concatenate(missing), np.concatenate(heard))
    return Delivery(
        every, np.flatnonzero(gone), lost, min(lost, int(both.sum())), np.concatenate(late), strays
    )


def _ended(there: NDArray[np.bool_]) -> int:
    """The number of notes at the beginning nearly all of which are missing."""
    share = np.cumsum(there) / np.arange(1, len(there) + 1)
    few = np.flatnonzero(share < FEW)
    return int(few[-1]) + 1 if len(few) else 0


def follow_score(
    score: NDArray[np.void], keys: Index, on_s: Reals, period_s: float, positions: int
) -> Followed | None:
    """Match recorded notes with the score; None if they are not of it.

    Parameters
    ----------
    score : ndarray of SCORE
        In the order of time.
    keys, on_s : ndarray, shape (recorded notes,)
        Of the recording, in the order of time.
    period_s : float
        How long a position lasts.
    positions : int
        Per turn.
    """
    if min(len(score), len(keys)) < FEWEST or len(score) * len(keys) > MOST:
        return None
    time = on_s / period_s
    of = _matched(score, keys, time)
    if (of >= 0).sum() >= FEWEST:
        of = _overtaken(score, keys, time, of, positions, LONGEST_S / period_s)
    if (of >= 0).mean() < SURE:
        if not np.array_equal(np.sort(score["key"]), np.sort(keys)):
            return None
        # the same notes in another order: those of each pitch in the order of the score
        of = np.empty(len(keys), np.int64)
        of[np.argsort(keys, kind="stable")] = np.argsort(score["key"], kind="stable")
        slot = np.rint(score["slot"][of] - score["beside"][of]).astype(np.int64)
        pace = np.ptp(time) / max(np.ptp(score["slot"]), 1)
        late = time - pace * score["slot"][of]
        return Followed(of, slot - slot.min(), late - np.percentile(late, 10))
    slot = _slots(score, of, time, positions)
    beside = np.where(of >= 0, score["beside"][of], 0)
    return Followed(of, slot, late_notes(slot + beside, time))


def late_notes(slot: NDArray[Any], time: Reals) -> Reals:
    """How much later notes come than both those before and those after them, in positions."""
    order = np.argsort(slot, kind="stable")
    ahead = time[order] - slot[order]
    padded = np.pad(ahead, AROUND, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, AROUND)
    before, after = np.median(near[: len(ahead)], axis=1), np.median(near[AROUND + 1 :], axis=1)
    out = np.empty(len(ahead))
    out[order] = ahead - np.maximum(before, after)
    return out


def _overtaken(
    score: NDArray[np.void], keys: Index, time: Reals, of: Index, n: int, longest: float
) -> Index:
    """Notes that others have overtaken, as they came late or a row began elsewhere, matched too."""
    hit = of >= 0
    due = np.interp(np.arange(len(score)), of[hit], time[hit])
    rest = np.setdiff1d(np.arange(len(score)), of)
    out = of.copy()
    for j in np.flatnonzero(~hit).tolist():
        lag = time[j] - due[rest]
        near = ((lag > -1) & (lag < longest)) | (np.abs(np.abs(lag) - n) < 2)
        fits = rest[near & (score["key"][rest] == keys[j])]
        if len(fits):
            out[j] = fits[int(np.argmin(np.abs(time[j] - due[fits])))]
            rest = rest[rest != out[j]]
    return out


def _matched(score: NDArray[np.void], keys: Index, time: Reals) -> Index:
    """The note of the score that each recorded one is; -1 for none. Times are in positions."""
    count, heard = len(score), len(keys)
    rows, slot = score["row"], score["slot"]
    same = score["key"][:, None] == keys[None, :]
    # what a pitch tells: the rarer, the more
    share = np.array([np.mean(score["key"] == k) for k in score["key"]])
    worth = 1.0 - np.log(share)
    into = np.arange(count) - np.searchsorted(rows, rows)
    begin = LOST * into + CUT * (rows > rows[0])
    best = np.full((count, heard), -np.inf)
    came = np.full((count, heard), -1, np.int32)
    first = -ADDED * np.arange(heard)
    left = np.searchsorted(rows, rows, "right") - 1 - np.arange(count)
    ended, ender = np.full(heard, -np.inf), np.full(heard, -1, np.int32)
    for i in range(count):
        now, back = first - begin[i], np.full(heard, -1, np.int32)
        if i and rows[i] != rows[i - 1]:
            # what all rows so far come to, by the last note recorded of them
            done = best[:i] - LOST * left[:i, None]
            source, most = np.argmax(done, axis=0), done.max(axis=0)
            top = np.maximum.accumulate(most)
            last = np.maximum.accumulate(np.where(most == top, np.arange(heard), 0))
            ended = np.append(-np.inf, top[:-1]) - CUT - WAIT
            ender = np.append(-1, (source[last] * heard + last)[:-1]).astype(np.int32)
        jump = ended - LOST * into[i]
        now, back = np.where(jump > now, jump, now), np.where(jump > now, ender, back)
        for a in range(1, min(STEPS[0], i) + 1):
            h = i - a
            gap, wide = slot[i] - slot[h], rows[i] != rows[h]
            spread = NEAR + PACE * gap
            for b in range(1, STEPS[1] + 1):
                off = (time[b:] - time[:-b] - gap) / spread
                price = np.minimum(0.5 * off**2, FAR)
                if wide:
                    price = np.where(off > 0, np.minimum(price, WAIT), price)
                way = best[h, :-b] - price - LOST * (a - 1) - ADDED * (b - 1)
                better = way > now[b:]
                now[b:] = np.where(better, way, now[b:])
                back[b:] = np.where(better, (h * heard) + np.arange(heard - b), back[b:])
        best[i] = np.where(same[i], now + worth[i], -np.inf)
        came[i] = back
    end = best - (LOST * left + CUT * (rows < rows[-1]))[:, None] - ADDED * np.arange(heard)[::-1]
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
