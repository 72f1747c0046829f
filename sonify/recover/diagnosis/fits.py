"""Whether a recording is one of this disc at all: how much of the disc's information it holds.

The share of bits that agree is a poor measure: silence agrees with a disc of few ones, and the rows
of any recording can be placed so that half of them agree. What counts is how far the observations
depend on the disc's bits: their mutual information (C. E. Shannon, A Mathematical Theory of
Communication, 1948) over all places in the recording, as a share of the whole disc's entropy.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.observed import NotesBySlot, Observed

__all__ = ["FITS", "fit_of", "fit_of_notes", "told"]

FITS = 0.2
"""The bound under which a recording is not one of this disc.

Measured by tests/benchmarks/strangers.py on logs and MIDI files with both players, in hundredths:

- takes of other discs (80 pairs of shipped ones, 96 with other texts on a disc of the same size):
  half score under 5, 95 % under 11, the highest 13;
- near texts: 0 to 21 with 75 % of the characters changed, 15 to 38 with 50 %, 31 to 57 with 30 %,
  42 to 73 with 15 %; above the bound such a recording counts as one with many wrong bits;
- takes of the disc itself with faults (820): off centre 37 and more (by 0.36 of a pitch), light
  over several rows 37, a threshold far off 51, notes lost on the wire 62, all else 70 and more.
"""


def fit_of(seen: Observed, design: Design) -> float:
    """How much of what the disc holds a recording tells, from 0 for nothing to 1.

    Parameters
    ----------
    seen : Observed
    design : Design
        The way in which the disc fits best.
    """
    n = design.positions
    alignment = seen.loose or seen.alignment
    if seen.heard is not None:
        return fit_of_notes(seen.heard, design, alignment)
    if seen.levels is not None:
        # where the machine's threshold lies says nothing of which disc it is
        bit = design.grid[alignment.seen_row]
        level = seen.levels.level
        return max(told(_halved(v), bit) for v in (level, level - seen.levels.web))
    slots = alignment.start[:, None] + np.arange(n)
    bit = design.grid[alignment.seen_row[:, None], _places(slots, design, alignment)]
    return told(np.where(seen.under[:, :n] < 0, 0, 2 * seen.under[:, :n] - 1), bit)


def fit_of_notes(heard: NotesBySlot, design: Design, alignment: Alignment) -> float:
    """The same for notes, with rows that begin where a alignment says."""
    slots = alignment.start[:, None] + np.arange(design.positions)
    bit = design.grid[alignment.seen_row[:, None], _places(slots, design, alignment)]
    return told(heard.known_at(slots.astype(float), design.positions), bit)


def _places(slots: NDArray[np.int64], design: Design, alignment: Alignment) -> NDArray[np.int64]:
    n = design.positions
    if design.index:
        return np.broadcast_to(np.arange(n), slots.shape)
    out: NDArray[np.int64] = (slots + alignment.phase) % n
    return out


def _halved(level: NDArray[np.float64]) -> NDArray[np.int8]:
    """1 and -1 for levels above and below the middle; 0 where there is none."""
    some = level[np.isfinite(level)]
    if not len(some):
        return np.zeros(level.shape, np.int8)
    middle = float(np.percentile(some, [3, 97]).mean())
    return np.where(np.isfinite(level), np.sign(level - middle), 0).astype(np.int8)


def told(sound: NDArray[np.int8], bit: NDArray[np.int8]) -> float:
    """How much sounds (1, -1 for silence, 0 where nobody knows) tell of bits (1, 0, -1)."""
    known = (sound != 0) & (bit >= 0)
    holds = _entropy(np.bincount(bit[bit >= 0], minlength=2))
    if not known.any() or holds <= 0:
        return 0.0
    both = np.bincount(2 * bit[known] + (sound[known] > 0), minlength=4).reshape(2, 2)
    shared = _entropy(both.sum(axis=0)) + _entropy(both.sum(axis=1)) - _entropy(both.reshape(-1))
    return min(1.0, float(shared / holds * known.sum() / bit.size))


def _entropy(count: NDArray[np.int64]) -> float:
    p = count[count > 0] / max(1, int(count.sum()))
    return float(-(p * np.log2(p)).sum())
