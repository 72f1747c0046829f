"""What objectives need to know of the music of many trial discs of one shape, counted at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.code.units import space_value
from sonify.disc.disc import Disc
from sonify.music.measures.phrases import PARTS, over_parts
from sonify.music.notes import untuned_parts
from sonify.music.settings import Voice
from sonify.music.theory.scales import note_number
from sonify.music.trials import Before, Trials
from sonify.performance import Performance, perform
from sonify.performance_settings import Setup

__all__ = ["DRUMS", "Counts", "Ground", "Notes"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

DRUMS = 1000
"""How much higher drums lie than tones, so that no drum is near a tone."""

AT_ONCE = 200_000
"""The most positions of trial discs that are made side by side: some tens of megabytes."""

_ENDS = (1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0)
"""What the last bass of a row is worth, by its distance from the root: rest on the root, half on
the fifth."""
_ROOT_ABOVE = 0.5


class Notes(NamedTuple):
    """Notes of many pieces by piece and onset, as columns of shape (notes,): the piece, when each
    begins in quarter notes, and its pitch (drums lie higher by `DRUMS`)."""

    piece: Ints
    beat: Reals
    pitch: Reals

    def table(self, pieces: int) -> tuple[Reals, Reals, Ints]:
        """Beats and pitches as tables of shape (pieces, most notes), and the number of notes."""
        count = np.bincount(self.piece, minlength=pieces)
        at = np.arange(len(self.piece)) - np.repeat(np.cumsum(count) - count, count)
        beat, pitch = np.zeros((2, pieces, int(count.max(initial=0))))
        beat[self.piece, at] = self.beat
        pitch[self.piece, at] = self.pitch
        return beat, pitch, count


class Voiced(NamedTuple):
    """The notes of one voice in many trial discs: whether they are drums, and as columns of shape
    (notes,) the trial, the row, start and end in ticks, and the pitch (drums lie higher)."""

    drum: bool
    trial: Ints
    row: Ints
    on: Ints
    off: Ints
    pitch: Reals


_NO_NOTES = Notes(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))


@dataclass(frozen=True, eq=False)
class Counts:
    """What is counted of the music of many pieces.

    Attributes
    ----------
    onsets : ndarray of bool, shape (pieces, bars * steps)
        Where the voices that follow the bits begin notes.
    density : ndarray of int64, shape (pieces, parts)
        Notes in each equal part of the time.
    classes : ndarray of float64, shape (pieces, 12)
        How long each pitch class sounds, in ticks.
    ends : ndarray of float64, shape (pieces, rows)
        How well each row ends, 0 to 1; NaN without notes.
    notes : Notes
        Empty if they are not kept.
    """

    onsets: NDArray[np.bool_]
    density: Ints
    classes: Reals
    ends: Reals
    notes: Notes

    def after(self, first: Counts) -> Counts:
        """The same with the rows before, which all pieces share."""
        notes, shared = self.notes, first.notes
        if len(shared.beat):
            pieces = len(self.onsets)
            each = np.repeat(np.arange(pieces), len(shared.beat))
            columns = (
                np.concatenate([each, notes.piece]),
                np.concatenate([np.tile(shared.beat, pieces), notes.beat]),
                np.concatenate([np.tile(shared.pitch, pieces), notes.pitch]),
            )
            order = np.lexsort(columns[::-1])
            notes = Notes(*(c[order] for c in columns))
        return Counts(
            self.onsets | first.onsets,
            self.density + first.density,
            self.classes + first.classes,
            np.where(np.isnan(self.ends), first.ends, self.ends),
            notes,
        )


@dataclass(frozen=True, eq=False)
class Ground:
    """What all discs of one shape and code have in common when a setup plays them.

    Attributes
    ----------
    show : Performance
        Of a disc without holes.
    keep_notes : bool
        Whether counts have the notes themselves.
    """

    show: Performance
    keep_notes: bool = False

    @classmethod
    def of(
        cls, setup: Setup, rows: int, positions: int, code: Code | None, keep_notes: bool = False
    ) -> Ground:
        """The ground of discs of so many rows and positions."""
        empty = Disc.from_bits(np.zeros((rows, positions), np.int8), code=code)
        return cls(perform(empty, setup=setup), keep_notes)

    @property
    def bar_steps(self) -> int:
        """Steps of a bar."""
        grid = self.show.grid
        return -(-grid.bar_ticks // grid.step_ticks)

    @property
    def bars(self) -> int:
        """Bars of the reading."""
        return -(-self._end // self.show.grid.bar_ticks)

    @property
    def _end(self) -> int:
        return self.show.timeline.end_slot * self.show.grid.step_ticks

    @cached_property
    def _following(self) -> list[bool]:
        """Which voices' rhythms follow the bits; all of them if none does."""
        follow = [_follows(v) for v in self.show.setup.music.voice]
        return follow if any(follow) else [True] * len(follow)

    def in_order(self, grids: Bits) -> Bits:
        """Bits of grids read row by row in the order of reading, shape (discs, positions)."""
        timeline = self.show.timeline
        return grids if timeline.straight else grids[:, timeline.places()]

    def counts(self, grids: Bits, first_row: int = 0, to_row: int | None = None) -> Counts:
        """What is counted of the rows from `first_row` to before `to_row`.

        Parameters
        ----------
        grids : ndarray of int8, shape (discs, rows * positions)
            Equal in the rows before `first_row`.
        first_row, to_row : int
        """
        most = max(1, AT_ONCE // grids.shape[1])
        lots = range(0, max(1, len(grids)), most)
        some = [self._counts(grids[k : k + most], first_row, to_row) for k in lots]
        if len(some) == 1:
            return some[0]
        base = [k * most for k in range(len(some))]
        notes = Notes(
            np.concatenate([s.notes.piece + b for s, b in zip(some, base, strict=True)]),
            np.concatenate([s.notes.beat for s in some]),
            np.concatenate([s.notes.pitch for s in some]),
        )
        return Counts(
            np.concatenate([s.onsets for s in some]),
            np.concatenate([s.density for s in some]),
            np.concatenate([s.classes for s in some]),
            np.concatenate([s.ends for s in some]),
            notes,
        )

    def played(self, bits: Bits, first_row: int) -> Iterator[Voiced]:
        """The notes of trial discs from a row on, voice by voice.

        Parameters
        ----------
        bits : ndarray of int8, shape (discs, positions)
            In the order of reading.
        first_row : int
            Pitch schemes look back no further than this row.
        """
        show = self.show
        cut = first_row * show.timeline.positions
        before = Before.of(bits[:, :cut])
        space = None if show.disc.code is None else space_value(show.disc.code)
        trials = replace(
            Trials.side_by_side(bits[:, cut:], show.timeline, show.unit_bits, first_row, before),
            space=space,
        )
        for part in untuned_parts(show.setup.music, trials, show.grid):
            trial = part.index // trials.span
            start = trial * (trials.apart * show.grid.step_ticks)
            drum = part.voice.drum is not None
            yield Voiced(
                drum, trial, trials.row(part.index), part.on - start, part.off - start,
                part.pitch + DRUMS * drum,
            )  # fmt: skip

    def _counts(self, grids: Bits, first_row: int, to_row: int | None) -> Counts:
        grid, pieces, rows = self.show.grid, len(grids), self.show.timeline.rows
        steps, last = self.bar_steps, rows if to_row is None else to_row
        onsets = np.zeros((pieces, self.bars * steps), bool)
        density = np.zeros((pieces, PARTS), np.int64)
        classes = np.zeros((pieces, 12))
        tones: list[tuple[Ints, ...]] = []
        every: list[tuple[Ints, Ints, Reals]] = []
        # pitch schemes look back
        voices = self.played(self.in_order(grids), max(0, first_row - 1))
        for voice, follows in zip(voices, self._following, strict=True):
            mine = (voice.row >= first_row) & (voice.row < last)
            trial, row, on = voice.trial[mine], voice.row[mine], voice.on[mine]
            off, pitch = voice.off[mine], voice.pitch[mine]
            inside = on < self._end
            if follows:
                bar = on[inside] // grid.bar_ticks
                step = (on[inside] - bar * grid.bar_ticks) // grid.step_ticks
                onsets[trial[inside], bar * steps + step] = True
            key = trial * PARTS + over_parts(on, self._end)
            density += np.bincount(key, minlength=pieces * PARTS).reshape(pieces, PARTS)
            if self.keep_notes:
                every.append((trial, on, pitch))
            if not voice.drum:
                tone = np.rint(pitch).astype(np.int64)
                key = trial * 12 + tone % 12
                held = np.bincount(key, off - on, pieces * 12)
                classes += held.reshape(pieces, 12)
                tones.append((trial * rows + row, on, tone))
        ends = _ends_of(tones, pieces * rows, round(note_number(self.show.setup.music.root)))
        notes = _NO_NOTES
        if every:
            trial, on, pitch = (np.concatenate(column) for column in zip(*every, strict=True))
            order = np.lexsort((pitch, on, trial))
            notes = Notes(trial[order], on[order] / grid.ticks_per_quarter, pitch[order])
        return Counts(onsets, density, classes, ends.reshape(pieces, rows), notes)


def _follows(voice: Voice) -> bool:
    """Whether the rhythm of a voice depends on the bits."""
    return voice.source not in ("clock", "row-starts", "row-ends", "row-changes", "drone",
                                "character-starts")  # fmt: skip


def _ends_of(tones: list[tuple[Ints, ...]], rows: int, root: int) -> Reals:
    """How well the last tones of rows end them; NaN for rows without tones."""
    out = np.full(rows, np.nan)
    if not tones:
        return out
    row, on, pitch = (np.concatenate(column) for column in zip(*tones, strict=True))
    last = np.full(rows, -1)
    np.maximum.at(last, row, on)
    final = on == last[row]
    row, pitch = row[final], pitch[final]
    bass = np.full(rows, 1 << 30)
    np.minimum.at(bass, row, pitch)
    heard = bass < 1 << 30
    out[heard] = np.array(_ENDS)[(bass[heard] - root) % 12]
    above = row[(pitch - root) % 12 == 0]
    out[above] = np.maximum(out[above], _ROOT_ABOVE)
    return out
