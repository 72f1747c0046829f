"""What makes a voice sound: ones, zeros, row starts and so on. `SOURCES` is the table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sonify.errors import look_up
from sonify.music.bit_stream import BitStream, Events
from sonify.music.rhythm.following import ONE, Copy, Follower, Step

__all__ = ["SOURCES", "Source", "find_source"]

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Source:
    """One source of a voice's notes.

    Attributes
    ----------
    name, about : str
    places : callable
        The indices of its places in the order of reading, from the bit stream.
    core : str
        Its name in the firmware's core, as in `PLAYER_FROM_...`; empty if a machine can't follow
        it bit by bit.
    follow : callable or None
        Adds the steps that the core takes before any rule.
    begins : str
        Whether its events begin when their "place" is read, or at the "start" or the "end" of its
        row.
    length : callable or None
        How many slots its events last, from the bit stream and the gaps after their rows; one if
        None.
    why_not : str
        Why a machine can't follow it.
    """

    name: str
    about: str
    places: Callable[[BitStream], Index]
    core: str = ""
    follow: Callable[[Follower], None] | None = None
    begins: Literal["place", "start", "end"] = "place"
    length: Callable[[BitStream, Index], Index] | None = None
    why_not: str = "the core does not know it (use ones)"

    @property
    def by_row(self) -> bool:
        """Whether its notes begin at the row's start, whatever position they belong to."""
        return self.begins == "start"

    def events(self, m: BitStream) -> Events:
        """An event at each of its places."""
        e = Events.at(self.places(m), m)
        if self.begins != "place":
            onset = m.line_start(e.index) + (m.positions if self.begins == "end" else 0)
            e = e.but(onset=onset.astype(np.float64))
        if self.length is not None:
            e = e.but(length=self.length(m, m.moves[m.line(e.index)]).astype(np.float64))
        return e


def find_source(name: str, place: str) -> Source:
    """The source of a name, or an `InputError` with the names that come close."""
    return look_up(SOURCES, name, "source", place)


def _bits(bit: int) -> Callable[[BitStream], Index]:
    return lambda m: np.flatnonzero(m.bits == bit)


def _row_starts(m: BitStream) -> Index:
    return np.arange(m.lines, dtype=np.int64) * m.positions


def _row_ends(m: BitStream) -> Index:
    return _row_starts(m) + m.positions - 1


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
        f.silence()


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
    Source("ones", "every 1 that is read", _bits(1), "ONES"),
    Source("zeros", "every 0 that is read", _bits(0), "ZEROS"),
    Source("unknown", "every bit that could not be read", _bits(-1), "UNKNOWN"),
    Source("clock", "every hole of the clock row", lambda m: np.arange(len(m.bits)), "CLOCK"),
    Source("row-starts", "the first position read of each row", _row_starts, "ROW_STARTS",
           _once_a_row),
    Source("row-ends", "the last position read of each row", _row_ends, "ROW_ENDS", _once_a_row),
    Source("character-starts", "the first bit of each code unit", BitStream.character_starts,
           "UNIT_STARTS", _once_a_character),
    Source("row-changes", "the stage's move from one row to the next, as long as it takes",
           lambda m: _row_ends(m)[m.moves > 0], "ROW_ENDS", _between_rows,
           begins="end", length=lambda m, gap: gap),
    Source("row-chords", "all ones of a row at once, as a chord that lasts while the row is read",
           _bits(1), begins="start", length=lambda m, gap: np.full(len(gap), m.positions),
           why_not="the row's ones are known only when it has been read (use row-end-chords)"),
    Source("row-end-chords", "all ones of a row at once, when it has been read and the stage moves "
           "on", _bits(1), "ONES", _after_row,
           begins="end", length=lambda m, gap: np.where(gap > 0, gap, m.unit_bits)),
    Source("drone", "one long tone for each row, held until the next row begins", _row_starts,
           "ROW_STARTS", _held_drone, length=lambda m, gap: gap + m.positions),
)  # fmt: skip

SOURCES: dict[str, Source] = {s.name: s for s in _ROWS}
