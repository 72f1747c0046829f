"""Rows that play a tune: the mapping inverted, bit by bit, with the notes that it makes.

The tune is laid on the player's grid of slots. From the first free position on, trial discs grow by
a few bits at a time. The mapping itself makes their notes, many discs at once; those whose notes
are nearest to the tune so far are kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.compose.pieces import DRUMS, Ground
from sonify.music.certainty import certainty_of
from sonify.music.voices import voice_pitch_sets

__all__ = [
    "BEAM",
    "FEW_BITS",
    "Missed",
    "Target",
    "missed_notes",
    "notes_in_slots",
    "rows_for_tune",
    "target_of",
]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

FEW_BITS = 4
"""Bits that are tried in all ways at a time. Own choice."""

BEAM, WAITING_BEAM = 32, 256
"""Trial discs that are kept; the second where notes wait for later bits. Own choice."""

LENGTH_COST = 0.25
"""What a wrong length costs at most; a missed or an added note costs 1, a semitone 1/12. Own
choice."""

OFF_GRID = 0.1
"""So far from the start of a position, in positions, a note lies between two. Own choice."""

LONG = 8.0
"""From so many slots on, a difference of lengths costs the most. Own choice."""


class Target(NamedTuple):
    """The notes of a tune on a player's grid, as columns of shape (notes,), by slot.

    Attributes
    ----------
    slot : ndarray of int64
        The slot of the reading in which each is to begin.
    pitch : ndarray of float64
        MIDI note numbers; drums lie higher by `DRUMS`.
    length : ndarray of float64
        In slots.
    beat : ndarray of float64
        When it begins in the tune, in quarter notes.
    """

    slot: Ints
    pitch: Reals
    length: Reals
    beat: Reals


class Missed(NamedTuple):
    """A note of a tune that a disc does not play as it is.

    Attributes
    ----------
    beat : float
        From 0, in quarter notes.
    pitch : float
    instead : float or None
        The nearest pitch that begins at its time.
    why : str
    """

    beat: float
    pitch: float
    instead: float | None
    why: str


@dataclass(frozen=True, eq=False)
class _Costs:
    """The cost of trial discs from a slot on, for notes and tune up to any later slot.

    Each note costs its distance to the nearest one of the tune in its slot, and the other way
    round, at most 1: 0 in all if and only if both are the same.
    """

    target: Target
    nearest: Ints
    """The notes of the tune in each slot, shape (slots, most in a slot); -1 for none."""

    @classmethod
    def of(cls, target: Target) -> _Costs:
        slots = int(target.slot.max(initial=0)) + 2
        count = np.bincount(target.slot, minlength=slots)
        table = np.full((slots, max(1, int(count.max(initial=0)))), -1)
        at = np.arange(len(target.slot)) - np.repeat(np.cumsum(count) - count, count)
        table[target.slot, at] = np.arange(len(target.slot))
        return cls(target, table)

    def until(
        self, notes: tuple[Ints, Ints, Reals, Reals], trials: int, begin: int, end: int
    ) -> Reals:
        """The cost of each trial in the slots from `begin` to before `end`, shape (trials,)."""
        trial, slot, pitch, length = notes
        mine = (slot >= begin) & (slot < end)
        trial, slot, pitch, length = trial[mine], slot[mine], pitch[mine], length[mine]
        t = self.target
        low, high = np.searchsorted(t.slot, [begin, end])
        own = np.ones((trials, max(1, high - low)))
        cost = np.ones(len(trial))
        for near in self.nearest[np.minimum(slot, len(self.nearest) - 1)].T:
            some = np.flatnonzero(near >= 0)
            k = near[some]
            late = np.minimum(np.abs(length[some] - t.length[k]) / LONG, 1) * LENGTH_COST
            apart = np.minimum(np.abs(pitch[some] - t.pitch[k]) / 12 + late, 1)
            cost[some] = np.minimum(cost[some], apart)
            np.minimum.at(own, (trial[some], k - low), apart)
        out: Reals = np.bincount(trial, cost, trials) + own[:, : high - low].sum(axis=1)
        return out


def target_of(
    ground: Ground, beat: Reals, pitch: Reals, length: Reals, first_row: int, timed: bool
) -> Target:
    """A tune laid on a player's grid.

    Parameters
    ----------
    ground : Ground
    beat, pitch, length : ndarray of float64, shape (notes,)
        The tune, times in quarter notes.
    first_row : int
        The row in which it begins.
    timed : bool
        Whether the tune's time runs on while the stage moves; if not, it waits.

    Returns
    -------
    Target
        Notes after the last row lie in slots after it, where only an ending plays.
    """
    timeline, n = ground.show.timeline, ground.show.timeline.positions
    beats = ground.show.grid.step_beats
    slot = np.floor(beat / beats + 0.5).astype(np.int64)
    if timed:
        slot = slot + int(timeline.row_slot[first_row])
    else:
        row = np.minimum(first_row + slot // n, timeline.rows)
        within = slot - (row - first_row) * n
        slot = np.append(timeline.row_slot, timeline.end_slot)[row] + within
    order = np.lexsort((pitch, slot))
    return Target(slot[order], pitch[order], length[order] / beats, beat[order])


def notes_in_slots(ground: Ground, bits: Bits, first_row: int) -> tuple[Ints, Ints, Reals, Reals]:
    """The notes of trial discs from a row on: trial, slot, pitch and length in slots."""
    step = ground.show.grid.step_ticks
    columns = (
        (v.trial, (v.on + step // 2) // step, v.pitch, (v.off - v.on) / step)
        for v in ground.played(bits, first_row)
    )
    trial, slot, pitch, length = (np.concatenate(c) for c in zip(*columns, strict=True))
    return trial, slot, pitch, length


def _lag(ground: Ground) -> int:
    """How many positions later a note is certain than it begins."""
    keys = {certainty_of(v, n).heard for n, v in enumerate(ground.show.setup.music.voice)}
    if keys & {"row", "both"}:
        return ground.show.timeline.positions
    return ground.show.unit_bits if "unit" in keys else 0


def rows_for_tune(
    ground: Ground,
    target: Target,
    bits: Bits,
    first_bit: int,
    on_step: Callable[[float], None] = lambda share: None,
) -> tuple[Bits, float]:
    """The bits with which a disc comes nearest to a tune, and what still differs.

    Parameters
    ----------
    ground : Ground
    target : Target
    bits : ndarray of int8, shape (rows * positions,)
        In the order of reading; those from `first_bit` on are chosen.
    first_bit : int
    on_step : callable
        Gets the share that is done.
    """
    timeline = ground.show.timeline
    n, row_slot, lag = timeline.positions, timeline.row_slot, _lag(ground)
    wide = WAITING_BEAM if lag else BEAM
    first_row = first_bit // n
    costs = _Costs.of(target)
    # what is settled of each disc: its cost before a slot, the start of a row
    beam, settled, from_row = bits[None].copy(), np.zeros(1), first_row
    every = np.array(list(product((0, 1), repeat=FEW_BITS)), np.int8)
    for begin in range(first_bit, len(bits), FEW_BITS):
        end = min(begin + FEW_BITS, len(bits))
        ways = every[: 1 << (end - begin), FEW_BITS - (end - begin) :]
        parent = np.repeat(np.arange(len(beam)), len(ways))
        trials = beam[parent]
        trials[:, begin:end] = np.tile(ways, (len(beam), 1))
        last = (end - 1) // n
        notes = notes_in_slots(ground, trials[:, : (last + 1) * n], max(0, from_row - 1))
        # the row before the last one may still change, and any before it do not
        over = max(from_row, last - 1)
        settled = settled[parent]
        settled += costs.until(notes, len(trials), int(row_slot[from_row]), int(row_slot[over]))
        from_row = over
        sure = max(end - 1 - lag, 0)
        until = int(row_slot[sure // n]) + sure % n + 1
        cost = settled + costs.until(notes, len(trials), int(row_slot[from_row]), until)
        order = np.argsort(np.round(cost, 9), kind="stable")[:wide]
        beam, settled = trials[order], settled[order]
        on_step((end - first_bit) / (len(bits) - first_bit))
    start, every_slot = int(row_slot[first_row]), np.iinfo(np.int64).max
    cost = np.round(costs.until(notes_in_slots(ground, beam, 0), len(beam), start, every_slot), 9)
    best = int(np.argmin(cost))
    return beam[best], float(cost[best])


def missed_notes(
    ground: Ground, target: Target, bits: Bits, first_row: int
) -> tuple[list[Missed], int]:
    """The notes of a tune that a disc does not play at their time and pitch, and why; and how many
    others it plays from the tune's first row on.

    Parameters
    ----------
    ground : Ground
    target : Target
    bits : ndarray of int8, shape (rows * positions,)
        In the order of reading.
    first_row : int
    """
    show = ground.show
    _, slot, pitch, _ = notes_in_slots(ground, bits[None], 0)
    played = set(zip(slot.tolist(), np.round(pitch, 3).tolist(), strict=True))
    heard: dict[int, list[float]] = {}
    for when, tone in sorted(played):
        heard.setdefault(when, []).append(tone)
    sets = voice_pitch_sets(show.setup.music, show.unit_bits, show.grid)
    tones = [s for s in sets if s is not None]
    tone_known = len(tones) == len(sets)
    known = np.concatenate(tones) if tones else np.zeros(0)
    read = set(show.timeline.slots().tolist())
    out = []
    for at, tone, beat in zip(*(c.tolist() for c in (target.slot, target.pitch, target.beat)),
                              strict=True):  # fmt: skip
        if (at, round(tone, 3)) in played:
            continue
        position = beat / show.grid.step_beats
        if at >= show.timeline.end_slot:
            why = "the disc ends before it"
        elif at not in read:
            why = "the stage moves to the next row"
        elif tone_known and tone < DRUMS and not (np.abs(known - tone) < 1e-3).any():
            why = "no voice has this tone"
        elif abs(position - round(position)) > OFF_GRID:
            why = "it lies between two positions"
        else:
            why = "no holes give this tone here"
        near = sorted(
            (abs(p - tone), p) for p in heard.get(at, ()) if (p < DRUMS) == (tone < DRUMS)
        )
        out.append(Missed(beat, tone, near[0][1] if near else None, why))
    start = int(show.timeline.row_slot[first_row])
    count = sum(when >= start for when, _ in played)
    kept = len(target.slot) - len(out) + sum(m.instead is not None for m in out)
    return out, max(0, count - kept)
