"""Sources: the places of a reading at which a voice sounds. One table row for each source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches
from sonify.music.bit_stream import BitStream, Events
from sonify.music.rhythm.following import ONE, Copy, Follower, Mask, Step

__all__ = ["SOURCES", "Source", "find_source"]

Index = NDArray[np.int64]
Slots = NDArray[np.float64]


@dataclass(frozen=True)
class Source:
    """One source.

    Attributes
    ----------
    name, about : str
    places : callable
        The indices of its places in the order of reading, from the bit stream.
    onset, length : callable or None
        When its events begin and how long they last, in slots, from the bit stream and those
        indices; if None, when they are read and one step long.
    core : str
        What a machine's core sounds for it, as in the names `PLAYER_FROM_...`; empty if it can't
        follow it bit by bit.
    why_not : str
        Why it can't.
    by_row : bool
        Whether its notes begin at the row's start, whatever position they belong to.
    follow : callable or None
        Adds the steps that a machine's core takes before any rule.
    """

    name: str
    about: str
    places: Callable[[BitStream], Index]
    onset: Callable[[BitStream, Index], Slots] | None = None
    length: Callable[[BitStream, Index], Slots] | None = None
    core: str = ""
    why_not: str = "the core does not know it"
    by_row: bool = False
    follow: Callable[[Follower], None] | None = None

    def events(self, m: BitStream) -> Events:
        """An event at each of its places."""
        e = Events.at(self.places(m), m)
        if self.onset is not None:
            e = e.but(onset=self.onset(m, e.index))
        if self.length is not None:
            e = e.but(length=self.length(m, e.index))
        return e


def _row_starts(m: BitStream) -> Index:
    return np.arange(m.lines, dtype=np.int64) * m.positions


def _row_ends(m: BitStream) -> Index:
    return _row_starts(m) + m.positions - 1


def _row_changes(m: BitStream) -> Index:
    return _row_ends(m)[m.gaps > 0]


def _end_slot(m: BitStream, index: Index) -> Slots:
    return (m.timeline.row_slot[m.line(index)] + m.positions).astype(np.float64)


def _start_slot(m: BitStream, index: Index) -> Slots:
    return m.timeline.row_slot[m.line(index)].astype(np.float64)


def _whole_row(m: BitStream, index: Index) -> Slots:
    return np.full(len(index), float(m.positions))


def _gap_after(m: BitStream, index: Index) -> Slots:
    return m.gaps[m.line(index)].astype(np.float64)


def _ring_after(m: BitStream, index: Index) -> Slots:
    gap = _gap_after(m, index)
    return np.where(gap > 0, gap, float(m.unit_bits))


def _to_next_row(m: BitStream, index: Index) -> Slots:
    return _gap_after(m, index) + m.positions


def _ones(m: BitStream) -> Index:
    return np.flatnonzero(m.bits == 1)


def _once_a_row(f: Follower) -> None:
    f.copies = [Copy(0.0, 1.0, spacing=f.machine.stride)]


def _once_a_character(f: Follower) -> None:
    m = f.machine
    if m.straight or m.positions % m.unit_bits == 0:
        f.copies = [Copy(0.0, 1.0, spacing=m.unit_bits)]


def _held_drone(f: Follower) -> None:
    _once_a_row(f)
    f.add(Step("HELD", a=1, c=2**31 - 1))
    f.opened("drone")


def _between_rows(f: Follower) -> None:
    _once_a_row(f)
    if f.machine.gap:
        _after_row(f, "row-changes")
    else:
        f.add(Step("MASK", mask=Mask("NOTHING", (False,))))


def _after_row(f: Follower, source: str = "row-end-chords") -> None:
    m = f.machine
    f.after = source
    length = m.gap or m.unit_bits
    chords = source == "row-end-chords"
    f.add(Step("AFTER", a=int(not chords), c=length * ONE, d=m.unit_bits * ONE))
    delay, lot = (float(m.positions), m.positions) if chords else (1.0, 1)
    long = float(max(length, m.unit_bits))
    f.copies = [Copy(delay, long, spacing=m.stride, lot=lot, together=chords)]
    f.onsets = [np.full(m.positions, float(m.positions))]
    f.moved, f.shortest = True, float(length)
    f.room, f.when_over = 1.0, True


_ROWS = (
    Source("ones", "every one that is read", _ones, core="ONES"),
    Source("zeros", "every zero that is read", lambda m: np.flatnonzero(m.bits == 0), core="ZEROS"),
    Source(
        "unknown",
        "every bit that could not be read",
        lambda m: np.flatnonzero(m.bits < 0),
        core="UNKNOWN",
    ),
    Source("clock", "every hole of the clock row", lambda m: np.arange(len(m.bits)), core="CLOCK"),
    Source(
        "row-starts",
        "the first position read of each row",
        _row_starts,
        core="ROW_STARTS",
        follow=_once_a_row,
    ),
    Source(
        "row-ends",
        "the last position read of each row",
        _row_ends,
        core="ROW_ENDS",
        follow=_once_a_row,
    ),
    Source(
        "character-starts",
        "the first bit of each code unit",
        lambda m: m.character_starts(),
        core="UNIT_STARTS",
        follow=_once_a_character,
    ),
    Source(
        "row-changes",
        "the stage's move from one row to the next, as long as it takes",
        _row_changes,
        onset=_end_slot,
        length=_gap_after,
        core="ROW_ENDS",
        follow=_between_rows,
    ),
    Source(
        "row-chords",
        "all ones of a row at once, as a chord that lasts while the row is read",
        _ones,
        onset=_start_slot,
        length=_whole_row,
        why_not="the row's ones are known only when it has been read",
        by_row=True,
    ),
    Source(
        "row-end-chords",
        "all ones of a row at once, when it has been read and the stage moves on",
        _ones,
        onset=_end_slot,
        length=_ring_after,
        core="ONES",
        follow=_after_row,
    ),
    Source(
        "drone",
        "one long tone a row, held until the next row begins",
        _row_starts,
        length=_to_next_row,
        core="ROW_STARTS",
        follow=_held_drone,
    ),
)

SOURCES: dict[str, Source] = {s.name: s for s in _ROWS}


def find_source(name: str, place: str) -> Source:
    """The source of a name, or an `InputError` with the names that come close."""
    if name not in SOURCES:
        near = close_matches(name, SOURCES)
        raise InputError(
            f"there is no source '{name}'{near}; one of: {', '.join(SOURCES)}", place=place
        )
    return SOURCES[name]
