"""How sure each bit of a disc is that was found for a recording with missing or added notes.

Discs that differ from it in a few bits that lie near each other are compared with the recording.
One that fits better takes its place; how much worse the others fit says how sure the bits are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.sources.midi.matcher import COSTS, Matcher, Reals
from sonify.recover.sources.midi.search import Solution
from sonify.recover.sources.midi.text_prior import TextPrior

__all__ = ["refined"]

Bits = NDArray[np.int8]

MOST_LOG = 20.0  # logarithms of odds are cut off here
NEAR = 8  # bits that are changed together lie within a code unit, as its pitch follows from it
AT_ONCE = 100_000  # bits that are compared at once: some 30 MB of notes
MOST = 4_000_000  # bits of discs that are compared: all for a disc of 500 bits
ROUNDS = 8  # times that a better disc may take the place of the found one
# What is expected before a file is seen, as strong as a hundred notes: how many are added, missing,
# or have a wrong length or velocity. One in a hundred, as the task of the reader has it; but two
# missing, as some files lack more: of 16 files of `python -m tests.benchmarks.world daw ab 1:12`,
# 6 lacked 11 of 985 notes, and one of these 4 of 109
EDITS, AMONG = np.array([1.0, 2.0, 1.0]), 100.0


def _changes(matcher: Matcher, off: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which bits to change: single ones, pairs, runs, and the rest of a row; those near the
    differences first."""
    count, positions = matcher.total, matcher.positions
    at = np.arange(count)
    changes = [at == at[:, None]]
    for k in range(1, NEAR):
        ahead = at == at[:-k, None] + k
        changes.append(changes[0][:-k] | ahead)
        if k > 1:
            changes.append((at >= at[:-k, None]) & (at <= at[:-k, None] + k))
    changes.append((at >= at[:, None]) & (at // positions == at[:, None] // positions))
    out = np.concatenate(changes)
    far = np.abs(matcher.timeline.slots() - off[:, None]).min(axis=0, initial=1 << 30)
    most = max(1, MOST // count)
    if len(out) <= most:
        return out
    return out[np.argsort(far[out.argmax(axis=1)], kind="stable")[:most]]


def _weights(matcher: Matcher, differences: Reals, silent: float = 0.0) -> Reals:
    """The logarithms of the probabilities of the kinds of difference, by how many there are;
    `silent` notes would leave no trace if they were missing."""
    recorded = len(matcher.code)
    made = recorded + differences[1] - differences[0]
    count = np.array([recorded, made - silent, made])
    added, missing, shape = (differences[:3] + EDITS) / (count + AMONG)
    unreadable = (differences[3] + EDITS[2]) / (matcher.total + AMONG)
    # an added note may lie anywhere and have any of the tones
    places = matcher.total * len(np.unique(matcher.lane * (1 << 21) + matcher.tone))
    share = added * recorded / places / (1 - missing)
    odds = np.array([missing / (1 - missing), shape / (1 - shape), unreadable / (1 - unreadable)])
    out: Reals = np.log(np.append(share, odds))
    return out


def refined(matcher: Matcher, found: Solution, text: TextPrior) -> tuple[Solution, Reals]:
    """A disc that fits at least as well, and the probability of each of its bits.

    Parameters
    ----------
    matcher : Matcher
        On a timeline of the disc's rows.
    found : Solution
    text : TextPrior

    Returns
    -------
    Solution
    probability : ndarray of float64, shape (bits,)
    """
    changes = np.concatenate([found.detours, _changes(matcher, found.off)])
    # an unreadable bit sounds neither as a one nor as a zero
    silent = changes[changes.sum(axis=1) == 1]
    where = np.concatenate([changes, silent])
    alone = where.sum(axis=1) == 1
    best = found.bits
    base = matcher.whole(best[None])[0][:, 0]
    for _ in range(ROUNDS):
        discs = np.where(changes, best != 1, best).astype(np.int8)
        discs = np.concatenate([discs, np.where(silent, np.int8(-1), best)])
        more = _differences(matcher, discs) - base[:, None]
        # notes that are all that one bit makes
        traceless = float((more[0] * (alone & (more[1:] <= 0).all(axis=0))).clip(0).sum())
        log = _weights(matcher, base, traceless) @ more
        at = int(np.argmax(log))
        if log[at] <= 1e-6:
            break
        best = discs[at]
        base = matcher.whole(best[None])[0][:, 0]
    known = np.concatenate([best[None], discs])
    known[:, found.lost] = -1
    # text puts bits in doubt, but changes none
    against = np.exp(np.minimum(log + text.gain(known, where), MOST_LOG)) @ where
    off = matcher.whole(best[None])[1]
    solution = replace(found, bits=best, cost=float(COSTS @ base), off=off)
    return solution, 1 / (1 + against)


def _differences(matcher: Matcher, discs: Bits) -> Reals:
    lots = max(1, AT_ONCE // discs.shape[1])
    parts = [matcher.whole(discs[k : k + lots])[0] for k in range(0, len(discs), lots)]
    return np.concatenate(parts, axis=1)
