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
"""A recording that scores less is not one of this disc.

Measured by tests/benchmarks/strangers.py on logs and MIDI files of both players, in hundredths:

- recordings of other discs (80 pairs of shipped ones, 96 with other texts on a disc of the same
  size): half score below 5, 95 % below 11, the highest 13;
- near texts: 0 to 21 with 75 % of the characters changed, 15 to 38 with 50 %, 31 to 57 with 30 %,
  42 to 73 with 15 %; above the bound, such a recording counts as one with many wrong bits;
- recordings of the disc itself with faults (820): off centre 37 or more (by 0.36 of a pitch), light
  over several rows 37, a threshold far off 51, notes lost on the wire 62, all else 70 or more.
"""


def fit_of(seen: Observed, design: Design) -> float:
    """How much of the disc's information a recording holds, from 0 to 1.

    Parameters
    ----------
    seen : Observed
    design : Design
        The way in which the disc fits best.
    """
    if seen.heard is not None:
        return fit_of_notes(seen.heard, design, seen.loose or seen.alignment)
    assert seen.levels is not None
    # the machine's threshold says nothing of which disc it is
    return told(seen.levels.seen, seen.levels.truth)


def fit_of_notes(heard: NotesBySlot, design: Design, alignment: Alignment) -> float:
    """The same for notes, with rows that start where an alignment says."""
    slots = alignment.start[:, None] + np.arange(design.positions)
    bit = design.grid[alignment.seen_row[:, None], alignment.places(design)]
    return told(heard.known_at(slots.astype(float), design.positions), bit)


def told(seen: NDArray[np.int8], bit: NDArray[np.int8]) -> float:
    """How much observations (1, -1, 0 for unknown) tell of bits (1, 0, -1 for unknown)."""
    known = (seen != 0) & (bit >= 0)
    holds = _entropy(np.bincount(bit[bit >= 0], minlength=2))
    if not known.any() or holds <= 0:
        return 0.0
    both = np.bincount(2 * bit[known] + (seen[known] > 0), minlength=4).reshape(2, 2)
    shared = _entropy(both.sum(axis=0)) + _entropy(both.sum(axis=1)) - _entropy(both.reshape(-1))
    return min(1.0, float(shared / holds * known.sum() / bit.size))


def _entropy(count: NDArray[np.int64]) -> float:
    p = count[count > 0] / max(1, int(count.sum()))
    return float(-(p * np.log2(p)).sum())
