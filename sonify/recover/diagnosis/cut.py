"""Recordings of a part of a reading: where it belongs, and which positions were not recorded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design, agreement, signs_of

__all__ = ["aligned_steadily", "not_recorded", "renumbered"]

Index = NDArray[np.int64]

SILENT = 5
"""Notes that must be missing at the start of the first row, or at the end of the last one, for the
recording to be cut there: fewer may be missed holes."""


def _turn_from(seen: NDArray[np.int8], start: Index, n: int) -> NDArray[np.int8]:
    """What was seen in the turn from each slot on; 0 outside the recording."""
    slot = start[..., None] + np.arange(n)
    inside = (slot >= 0) & (slot < len(seen))
    return np.where(inside, seen[np.clip(slot, 0, len(seen) - 1)], 0).astype(np.int8)


def renumbered(alignment: Alignment, design: Design, end: int) -> Alignment:
    """Renumber the rows of a cut recording that are all off by the same number: other rows were
    read before it starts, and the stage did nothing wrong."""
    rows, n, start = design.rows, design.positions, alignment.start
    inside = (start + n > 0) & (start < end)
    # a row that is hardly recorded does not show which one it is
    held = np.minimum(start + n, end) - np.maximum(start, 0) > n // 2
    others = np.unique((alignment.seen_row - np.arange(rows))[inside & held])
    if len(others) != 1 or others[0] == 0 or inside.all():
        return alignment
    off = int(others[0])
    # readings that get no row must lie outside the recording
    if (inside[rows - off :] if off > 0 else inside[:-off]).any():
        return alignment
    at = np.arange(rows) - off
    kept = np.clip(at, 0, rows - 1)
    return replace(
        alignment, start=start[kept] + design.step * (at - kept), seen_row=np.arange(rows)
    )


def aligned_steadily(seen: NDArray[np.int8], design: Design, like: Alignment) -> Alignment:
    """Rows spaced as designed, where a short recording fits them best."""
    n, rows = design.positions, design.rows
    signs = signs_of(design.grid)
    # rows start at the same angle as the one that fits best
    fits = (_turn_from(seen, like.start, n) * signs[like.seen_row]).sum(axis=1)
    begin = int(like.start[int(np.argmax(fits))]) % n
    first = np.arange(begin - (rows - 1) * design.step // n * n - n, len(seen), n)
    total = sum(
        (_turn_from(seen, first + design.step * r, n) * signs[r]).sum(axis=1) for r in range(rows)
    )
    start, row = first[int(np.argmax(total))] + design.step * np.arange(rows), np.arange(rows)
    found = agreement(seen, design, like.phase, False, start, row)
    return replace(like, start=start, seen_row=row, agreement=found)


def not_recorded(
    slots: Index, under: NDArray[np.int8], alignment: Alignment, design: Design, end: int
) -> NDArray[np.bool_]:
    """Positions of rows that were read before the recording starts or after it ends.

    One row without notes at the end may have been missed as a whole; if there are several, the
    recording was probably stopped. The same holds if the first or the last row is silent for long
    and correct in all the rest.
    """
    n, rows = design.positions, design.rows
    meant = design.grid[alignment.seen_row[:, None], alignment.places(design)] == 1
    before, after = slots < 0, slots >= end
    out: NDArray[np.bool_] = np.zeros(slots.shape, bool)
    out[before[:, :n].all(axis=1)] = True
    # what comes before a cut row is out as a whole
    out[1:] |= before[1:]
    if after[:, 0].sum() > 1:
        out |= after
    for r, cut, least in ((0, before, 1), (rows - 1, after, SILENT)):
        lost, heard = meant[r] & cut[r, :n], ~cut[r, :n]
        wrong = np.count_nonzero(((under[r, :n] > 0) != meant[r]) & heard)
        if lost.sum() >= SILENT and (meant[r] & heard).sum() >= least and not wrong:
            out[r] |= cut[r]
    return out
