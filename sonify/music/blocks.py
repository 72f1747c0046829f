"""The notes of a long reading, made some rows at a time, so that memory does not grow with it.

The rows of a block are made together with so many rows around them that none of its notes can
depend on others. A block has the notes that begin in its own time; those that still sound at its
end are carried to the next one, where a note of the same pitch may cut them off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sonify.midi.events import MidiEvents
from sonify.music.bit_stream import BitStream
from sonify.music.metre import Grid
from sonify.music.note_changes import NoteChange
from sonify.music.notes import (
    COLUMNS,
    Part,
    finals_of,
    make_parts,
    needs_bends,
    without_overlaps,
)
from sonify.music.rhythm.rule import Reach
from sonify.music.settings import Music
from sonify.music.trials import Before, Trials
from sonify.music.voice_sources import find_source
from sonify.music.voices import rules_of, scheme_of

__all__ = ["Block", "blocks_of"]

AT_ONCE = 1 << 18
"""The positions of a block (`python -m tests.benchmarks midi`): arrays that nearly fit in a
processor's cache."""
MOST_AROUND = 1 << 18
"""The most positions that are made again on one side of a block, so that blocks stay small."""
_SHARE = 16
"""How many times as long a block is as the rows that are made again on one side of it."""

_NOTHING = Before.of(np.zeros((1, 0), np.int8))

Window = Callable[[int, int, Before], Trials]


@dataclass(frozen=True, eq=False)
class Block:
    """The notes of a stretch of the piece, and those before it that still sound.

    Attributes
    ----------
    parts : list of Part
        One for each voice.
    begin : int
        Its first tick; 0 for the first block.
    end : int or None
        The tick after its last one; None for the last block.
    """

    parts: list[Part]
    begin: int = 0
    end: int | None = None

    @property
    def whole(self) -> bool:
        """Whether it is the only one."""
        return not self.begin and self.end is None

    def events(self, events: MidiEvents) -> MidiEvents:
        """Those of some events, by tick, that belong to it."""
        first = int(np.searchsorted(events.tick, self.begin)) if self.begin else 0
        last = None if self.end is None else int(np.searchsorted(events.tick, self.end))
        own = slice(first, last)
        size = None if events.size is None else events.size[own]
        return MidiEvents(events.tick[own], events.message[own], size)


def blocks_of(
    music: Music, window: Window, rows: int, grid: Grid, changes: tuple[NoteChange, ...]
) -> Iterator[Block] | None:
    """The notes of a reading in blocks, or None if it is short or must be made in one piece.

    That is so for pitches between the keys, whose channels depend on all notes, for changes made by
    hand, and for rules and pitch schemes that depend on notes or bits far away.

    Parameters
    ----------
    music : Music
    window : callable
        The bits of the rows from one to before another, with what was read before.
    rows : int
        Of the reading.
    grid : Grid
    changes : tuple of NoteChange
    """
    some = replace(window(0, 1, _NOTHING), plan=grid.plan)
    if rows * some.positions < 2 * AT_ONCE or changes:
        return None
    if needs_bends(music) or music.tuning_output == "mpe":
        return None
    around = _around(music, some)
    if around * some.positions > MOST_AROUND:
        return None
    at_once = max(AT_ONCE // some.positions, _SHARE * int(around))
    return _made(music, window, rows, grid, int(around), at_once)


def _around(music: Music, m: BitStream) -> float:
    """How many rows around some others their notes may depend on; infinity if that is not known."""
    most = 0.0
    for n, voice in enumerate(music.voice):
        place = f"music.voice[{n}]"
        source = find_source(voice.source, f"{place}.source")
        gaps = np.array([0, m.widest_gap])
        length = 1 if source.length is None else max(1, int(source.length(m, gaps).max()))
        reach = Reach(m.positions, length, m.positions)
        # a code unit, and the one before it
        far = 2.0 * m.unit_bits
        if voice.drum is None or isinstance(voice.drum, tuple):
            far += scheme_of(voice, place).looks_back()
        for rule in rules_of(voice, place):
            reach = rule.reach(reach, m)
            reach = reach._replace(together=reach.together * rule.copies())
            far += reach.late + reach.length
        most = max(most, far + reach.late)
    return most if most == math.inf else 1 + math.ceil(most / m.positions)


def _made(
    music: Music, window: Window, rows: int, grid: Grid, around: int, at_once: int
) -> Iterator[Block]:
    before, low, begin, stop = _NOTHING, 0, 0, None
    sounding: list[Part] = []
    for first in range(0, rows, at_once):
        last = min(first + at_once, rows)
        m = window(low, min(last + around, rows), before)
        slots = m.timeline.row_slot
        if not first:
            stop = _stop(music, m, grid)
        end = None if last == rows else int(slots[last - low]) * grid.step_ticks
        parts = [_between(p, m, begin, end) for p in make_parts(music, m, grid)]
        if first:
            parts = _carried_on(sounding, parts)
        yield Block(parts, begin, end)
        if end is None:
            return
        sounding = [_sounding(p, end, stop) for p in parts]
        begin, gone = end, max(0, last - around) - low
        before = before.then(m.bits[None, : gone * m.positions])
        low += gone


def _stop(music: Music, m: Trials, grid: Grid) -> int | None:
    """The tick at which the ending begins and what sounds stops; None without an ending."""
    _, first = finals_of(music, m, grid)
    if not first or grid.plan.rows > m.rows:
        return None
    return int(m.whole.row_slot[grid.plan.rows - 1]) * grid.step_ticks + first


def _carried_on(sounding: list[Part], parts: list[Part]) -> list[Part]:
    """The notes of a block, after those that sound when it begins, which they may cut off."""
    over = max((int(p.off.max()) for p in sounding if len(p)), default=0)
    heads = [p.keep(p.on < over) for p in parts]
    rests = [p.keep(p.on >= over) for p in parts]
    return list(map(_joined, without_overlaps(list(map(_joined, sounding, heads))), rests))


def _between(part: Part, m: Trials, begin: int, end: int | None) -> Part:
    """The notes that begin in a block."""
    part = part.keep(part.on >= begin)
    part = part if end is None else part.keep(part.on < end)
    return replace(part, index=m.nth(part.index))


def _joined(old: Part, new: Part) -> Part:
    both: dict[str, Any] = {n: np.concatenate([getattr(old, n), getattr(new, n)]) for n in COLUMNS}
    return replace(new, **both)


def _sounding(part: Part, end: int, stop: int | None) -> Part:
    """The notes that sound on at the end of a block, and the last one, on which it may depend what
    is known of the next."""
    which = part.off >= end
    which[-1:] = True
    part = part.keep(which)
    if stop is None:
        return part
    return replace(part, off=np.where(part.on < stop, np.minimum(part.off, stop), part.off))
