"""Sources: which places of a reading a voice sounds at. A table, one row a source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches
from sonify.music.bit_stream import BitStream, Events

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
        The indices of its places in the order of reading, from the material.
    onset, length : callable or None
        When they begin and how long they last, in slots, from the material and those indices;
        as they are read and one step long if None.
    causal : bool
        Whether a machine that reads bit by bit can sound it.
    why_not : str
        What keeps it from that.
    """

    name: str
    about: str
    places: Callable[[BitStream], Index]
    onset: Callable[[BitStream, Index], Slots] | None = None
    length: Callable[[BitStream, Index], Slots] | None = None
    causal: bool = True
    why_not: str = ""

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


_ROWS = (
    Source("ones", "every one that is read", _ones),
    Source("zeros", "every zero that is read", lambda m: np.flatnonzero(m.bits == 0)),
    Source("unknown", "every bit nobody could read", lambda m: np.flatnonzero(m.bits < 0)),
    Source("clock", "every hole of the clock row", lambda m: np.arange(len(m.bits))),
    Source("row-starts", "the first position read of each row", _row_starts),
    Source("row-ends", "the last position read of each row", _row_ends),
    Source("character-starts", "the first bit of each code unit", lambda m: m.character_starts()),
    Source(
        "row-changes",
        "the stage's move from one row to the next, as long as it takes",
        _row_changes,
        onset=_end_slot,
        length=_gap_after,
    ),
    Source(
        "row-chords",
        "all ones of a row at once, as a chord that lasts while the row is read",
        _ones,
        onset=_start_slot,
        length=_whole_row,
        causal=False,
        why_not="the row's ones are known only when it has been read",
    ),
    Source(
        "row-end-chords",
        "all ones of a row at once, when it has been read and the stage moves on",
        _ones,
        onset=_end_slot,
        length=_ring_after,
    ),
    Source(
        "drone",
        "one long tone a row, held until the next row begins",
        _row_starts,
        length=_to_next_row,
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
