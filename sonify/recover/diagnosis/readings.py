"""Which reading is compared if a recording holds several, and in which order its rows were read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.diagnosis.alignment import Design, signs_of
from sonify.recover.diagnosis.fits import fit_of
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.source import MidiRecording

__all__ = ["in_other_order", "one_reading"]

MUCH = 0.25  # of the disc's notes: as many before or after a reading are another one
LEAST = 8  # notes that can be aligned at all
WHOLE = 0.9  # of the best reading's fit: the first that good is compared
MOST = 8  # readings that are looked at

AMISS = 0.15  # of a row's bits, from which on another row may have been read: half of them differ
MOST_ROWS = 6  # such rows whose orders are all tried
BESIDE = np.arange(-2, 3)  # slots by which the start of such a row may have been taken wrong


def one_reading(
    recording: MidiRecording,
    design: Design,
    listening: Listening,
    observe: Callable[[MidiRecording], Observed],
) -> Observed:
    """Observe the first whole reading of a recording; if there are more, a remark says which.

    Parameters
    ----------
    recording : MidiRecording
    design : Design
    listening : Listening
    observe : callable
        Aligns a recording with the disc.
    """
    enough = max(LEAST, int(MUCH * (design.grid == 1).sum()))
    found: list[tuple[float, float, float, Observed]] = []
    parts = [recording]
    while parts and len(found) < MOST:
        part = parts.pop()
        try:
            seen = observe(part)
        except InputError:
            if found:
                continue
            raise
        on = part.notes["on_s"][listening.of(part.notes)]
        begin, end = _span(seen)
        rest = [t for t in (on[on < begin], on[on > end]) if len(t) >= enough]
        inside = on[(on >= begin) & (on <= end)]
        if rest and len(inside) >= LEAST:
            # the notes of other readings must not bend the speed of this one
            seen = observe(_cut(part, inside))
            parts += [_cut(part, t) for t in rest]
        if len(inside):
            found.append((float(inside.min()), float(inside.max()), fit_of(seen, design), seen))
    if not found:
        return observe(recording)
    found.sort(key=lambda f: f[0])
    best = max(0.0, *(f[2] for f in found))
    k = next(k for k, f in enumerate(found) if f[2] >= WHOLE * best)
    begin, end, _, seen = found[k]
    if len(found) == 1:
        return seen
    remark = (
        f"the recording holds {len(found)} readings; number {k + 1} is compared, from "
        f"{begin:.1f} s to {end:.1f} s"
    )
    return replace(seen, remarks=(*seen.remarks, remark))


def in_other_order(
    observe: Callable[[Design], Observed], seen: Observed, design: Design
) -> Observed:
    """A MIDI recording aligned with rows in each other's places, if that leaves less than half of
    the errors.

    Parameters
    ----------
    observe : callable
        Aligns it with a design.
    seen : Observed
        By the design as it is.
    design : Design
    """
    if seen.heard is None:
        return seen
    known = (seen.bits >= 0) & (design.grid >= 0)
    wrong = (known & (seen.bits != design.grid)).sum(axis=1)
    shown = seen.alignment.seen_row
    twice = np.bincount(shown, minlength=design.rows)[shown] > 1
    rows = np.flatnonzero((wrong > AMISS * known.sum(axis=1)) | twice)
    if not 2 <= len(rows) <= MOST_ROWS:
        return seen
    slots = seen.alignment.start[rows, None, None] + BESIDE[:, None] + np.arange(design.positions)
    turns = BESIDE if seen.alignment.turning or not design.index else np.zeros_like(BESIDE)
    places = (seen.alignment.places(design)[rows, None] + turns[:, None]) % design.positions
    heard, signs = seen.heard.at(slots), signs_of(design.grid)
    fit = np.stack([(heard * signs[r][places]).sum(axis=2).max(axis=1) for r in rows], axis=1)
    every, at = np.arange(design.rows), range(len(rows))
    best = max(permutations(at), key=lambda order: float(fit[at, order].sum()))
    every[rows] = rows[list(best)]
    other = replace(design, grid=design.grid[every])
    again = observe(other)
    if again.alignment.rows_off or other.errors(again.bits) > wrong.sum() / 2:
        return seen
    return replace(again, alignment=replace(again.alignment, seen_row=every), loose=None)


def _span(seen: Observed) -> tuple[float, float]:
    """When the recorded rows were read, and half a turn before and after."""
    time = seen.time_s[(seen.under >= 0).any(axis=1)]
    if not np.isfinite(time).any():
        return -np.inf, np.inf
    half = 0.5 * float(np.nanmedian(np.nanmax(time, axis=1) - np.nanmin(time, axis=1)))
    return float(np.nanmin(time)) - half, float(np.nanmax(time)) + half


def _cut(recording: MidiRecording, onsets: NDArray[np.float64]) -> MidiRecording:
    """The part from the first to the last of some onsets; note-offs may come 1 s later."""
    begin, end = onsets.min(), onsets.max()

    def within(times: NDArray[np.float64], end: float) -> NDArray[np.bool_]:
        out: NDArray[np.bool_] = (times >= begin) & (times <= end)
        return out

    return replace(
        recording,
        notes=recording.notes[within(recording.notes["on_s"], end)],
        orphans=recording.orphans[within(recording.orphans, end + 1.0)],
        struck_again=recording.struck_again[within(recording.struck_again, end)],
    )
