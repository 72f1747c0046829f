"""Takes that hold a part of a reading: where it belongs, and which places were not recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import (
    Alignment,
    Design,
    agreement,
    signs_of,
)

__all__ = ["laid_steadily", "not_recorded", "renumbered"]

Index = NDArray[np.int64]

SILENT = 5
"""Notes that the first row must lack at its start, or the last at its end, to have been cut."""


def _seen_at(seen: NDArray[np.int8], start: Index, n: int) -> NDArray[np.int8]:
    """What was seen in the turn from each slot on; 0 outside the recording."""
    slot = start[..., None] + np.arange(n)
    inside = (slot >= 0) & (slot < len(seen))
    return np.where(inside, seen[np.clip(slot, 0, len(seen) - 1)], 0).astype(np.int8)


def renumbered(alignment: Alignment, design: Design, end: int) -> Alignment:
    """Renumber the rows of a cut recording that are all off by the same number: more or fewer rows
    were read before it begins, and the stage did nothing wrong."""
    rows, n = design.rows, design.positions
    inside = (alignment.start + n > 0) & (alignment.start < end)
    # a row that the recording hardly holds tells nothing of which it is
    held = np.minimum(alignment.start + n, end) - np.maximum(alignment.start, 0) > n // 2
    others = np.unique((alignment.seen_row - np.arange(rows))[inside & held])
    if len(others) != 1 or others[0] == 0 or inside.all():
        return alignment
    off = int(others[0])
    at = np.arange(rows) - off
    start = alignment.start[np.clip(at, 0, rows - 1)]
    start = start + design.step * (at - np.clip(at, 0, rows - 1))
    # a reading that is left over must lie outside the recording
    left = alignment.start[rows - off :] if off > 0 else alignment.start[:-off]
    if ((left + n > 0) & (left < end)).any():
        return alignment
    return replace(alignment, start=start, seen_row=np.arange(rows))


def laid_steadily(seen: NDArray[np.int8], design: Design, like: Alignment) -> Alignment:
    """Rows spaced as designed, placed where a short recording fits them best."""
    n, rows = design.positions, design.rows
    # the turn that rows begin with: the one of the row that fits best
    turned = _seen_at(seen, like.start, n)
    fits = (turned * signs_of(design.grid)[like.seen_row]).sum(axis=1)
    begin = int(like.start[int(np.argmax(fits))]) % n
    first = np.arange(begin - (rows - 1) * design.step // n * n - n, len(seen), n)
    total = np.zeros(len(first), np.int64)
    for r, signs in enumerate(signs_of(design.grid)):
        total += (_seen_at(seen, first + design.step * r, n) * signs).sum(axis=1)
    at = first[int(np.argmax(total))] + design.step * np.arange(rows)
    alignment = replace(like, start=at, seen_row=np.arange(rows))
    found = agreement(seen, design, alignment.phase, False, at, alignment.seen_row)
    return replace(alignment, agreement=found)


def not_recorded(
    slots: Index, under: NDArray[np.int8], alignment: Alignment, design: Design, end: int
) -> NDArray[np.bool_]:
    """Places of rows that were read before the recording begins or after it ends.

    One row without a note at the end may be one that the machine missed whole; of several it is
    likelier that the recording was stopped. So it is where the first or the last row is silent
    for long and right in all that was heard of it.
    """
    n, rows = design.positions, design.rows
    place = np.arange(n) if design.index else (slots[:, :n] + alignment.phase) % n
    meant = design.grid[alignment.seen_row[:, None], place] == 1
    before, after = slots < 0, slots >= end
    out: NDArray[np.bool_] = np.zeros(slots.shape, bool)
    out[before[:, :n].all(axis=1)] = True
    # from where on rows are cut: a row before the one cut lies outside as a whole
    out[1:] |= before[1:]
    if after[:, 0].sum() > 1:
        out |= after
    for r, cut, least in ((0, before, 1), (rows - 1, after, SILENT)):
        lost, heard = meant[r] & cut[r, :n], ~cut[r, :n]
        wrong = np.count_nonzero(((under[r, :n] > 0) != meant[r]) & heard)
        if lost.sum() >= SILENT and (meant[r] & heard).sum() >= least and not wrong:
            out[r] |= cut[r]
    return out
