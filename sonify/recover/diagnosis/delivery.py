"""What became of the notes of a recording that were due."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.error_pattern import log_choose
from sonify.recover.diagnosis.score_following import CUT, FEWEST, LONGEST_S, Followed

__all__ = ["Delivery", "delivered"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

JITTER = 0.1
"""Standard deviation of a position's length by the worst of cheap motors (common practice, no
source)."""

ODD, LATE = 5.0, 3.0
"""A note is late if it is so many standard deviations of the recording's own notes, and a tick for
rounding, later than its neighbours let expect, and so many times as late as others seem early."""

SEVERAL = 2
"""Moments with late notes from which on they are no chance: a motor that is caught by its belt, or
a place that is counted wrong, makes one."""

FEW = 0.2
"""Of the notes at an end of the score: if fewer were recorded, the recording was cut there, and
those that fit do so by chance."""

LATE_S = 0.01
"""Seconds: ten notes of a chord take that long on a MIDI cable (31,250 baud, MIDI 1.0)."""


@dataclass(frozen=True, eq=False)
class Delivery:
    """What became of all the notes that were due.

    Attributes
    ----------
    due : int
        Notes due in rows that were recorded.
    gone : ndarray of int64
        Rows of which no note was recorded.
    unread : bool
        Whether voices that sound whatever the bits are were silent in those rows too.
    lost : int
        Notes of other rows that were not recorded.
    split : int
        Of these, those of bits that other voices did sound, and those that sound whatever the
        bits are.
    stray : int
        Recorded notes without a place in the score.
    late_s : ndarray
        By how much notes were late, at each moment at which some were, in s.
    jitter_s, most_s : float
        How irregularly notes come, and how irregularly a jittery motor makes them come at most.
    """

    due: int
    gone: Index
    unread: bool
    lost: int
    split: int
    stray: int
    late_s: Reals
    jitter_s: float
    most_s: float

    @property
    def irregular(self) -> bool:
        """Whether notes come less regularly than by any motor."""
        return self.jitter_s > self.most_s

    @property
    def whole(self) -> bool:
        """Whether all came; some of many late ones may have found no place."""
        known = not self.stray or len(self.late_s) >= max(3, self.stray)
        return known and not self.lost and not len(self.gone)


def delivered(followed: Followed, rows: int, period_s: float) -> Delivery:
    """What became of the notes of voices that could be followed."""
    score, of = followed.score, followed.of
    row, there = score["row"], np.isin(np.arange(len(score)), of)
    due, came = (np.bincount(row[k], minlength=rows) for k in (slice(None), there))
    # a row that was read as material has the notes that sound anyway; those of the stage's move
    # before a row that is gone may be taken for that row's
    anyway = score["anyway"]
    sure, some = (np.bincount(row[k], minlength=rows) for k in (anyway, anyway & there))
    gone = np.where(sure > 0, some <= FEW * sure, came == 0) & (due > 0)
    share = float(np.clip(1 - came[~gone].sum() / max(1, due[~gone].sum()), 1e-3, 0.999))
    for r in np.flatnonzero(gone).tolist():
        # a row of few notes may have lost them one by one
        of_row, there_of = int(due[r]), int(came[r])
        chance = (of_row - there_of) * math.log(share) + there_of * math.log(1 - share)
        gone[r] = log_choose(of_row, there_of) + chance < -CUT
    gone |= _in_silence(followed, rows) & (came < due / 2) & (some < sure / 2)
    # and rows of few notes beyond them
    for part in (slice(None), slice(None, None, -1)):
        silent = np.cumprod(came[part] == 0) > 0
        if (gone[part] & silent).any():
            gone[part] |= silent & (due[part] > 0)
    beyond = gone[row]
    # a recording may begin and end within a row
    here = np.zeros(len(score), bool)
    here[_ended(there) : len(score) - _ended(there[::-1])] = True
    here &= ~beyond
    # a recorded note that has no place may be one of them
    stray = int((of < 0).sum())
    lost = max(0, int((here & ~there).sum()) - stray)
    place = row * (1 << 32) + score["position"]
    told = there & ~score["anyway"]
    split = int((here & ~there & (score["anyway"] | np.isin(place, place[told]))).sum())
    most = math.hypot(JITTER * (1 + 2 / math.sqrt(len(of))), followed.tick)
    hit = np.flatnonzero(of >= 0)
    moment, which = np.unique(followed.slot[hit], return_inverse=True)
    late, early = np.zeros((2, len(moment)))
    np.maximum.at(late, which, followed.late[hit])
    np.maximum.at(early, which, -followed.late[hit])
    # no note is sent early: where notes seem to be, as many others seem late by chance; and each
    # note without a place may have left its own to another
    odd = np.sort(late[late > ODD * followed.jitter + followed.tick])[::-1]
    by_chance = (early[:, None] > odd / LATE).sum(axis=0)
    beyond_chance = np.flatnonzero(np.arange(1, len(odd) + 1) >= SEVERAL * (1 + by_chance) + stray)
    late_s = odd[: int(beyond_chance[-1]) + 1 if len(beyond_chance) else 0] * period_s
    return Delivery(
        int(here.sum()),
        np.flatnonzero(gone),
        bool((beyond & score["anyway"]).any()),
        lost,
        min(lost, split),
        stray,
        late_s[(late_s > LATE_S) & (late_s < LONGEST_S)],
        followed.jitter * period_s,
        max(most * period_s, LATE_S / 2),
    )


def _in_silence(followed: Followed, rows: int) -> NDArray[np.bool_]:
    """Rows that should have sounded while no note at all came, for longer than any note should be
    waited for."""
    score, hit = followed.score, np.flatnonzero(followed.of >= 0)
    heard, meant = followed.slot[hit], score["slot"][followed.of[hit]]
    order = np.argsort(heard, kind="stable")
    heard, meant = heard[order], meant[order]
    long = np.diff(heard)
    k = int(np.argmax(long)) if len(long) else 0
    row_long = int(score["position"].max()) + 1
    if k < FEWEST or long[k] < np.diff(np.unique(score["slot"])).max(initial=0) + row_long / 2:
        return np.zeros(rows, bool)
    begin, end = heard[k : k + 2] + int(np.median(meant[:k] - heard[:k]))
    inside = (score["slot"] > begin) & (score["slot"] < end)
    silent, due = (np.bincount(score["row"][k], minlength=rows) for k in (inside, slice(None)))
    return np.asarray(silent / np.maximum(1, due) > 1 - FEW)


def _ended(there: NDArray[np.bool_]) -> int:
    """The number of notes at the beginning nearly all of which are missing."""
    share = np.cumsum(there) / np.arange(1, len(there) + 1)
    few = np.flatnonzero(share < FEW)
    return int(few[-1]) + 1 if len(few) else 0
