"""Sources: which places of a reading a voice sounds at. A table, one row a source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches
from sonify.music.material import Material

__all__ = ["SOURCES", "Source", "find_source"]

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Source:
    """One source: its name, what it is, and the indices of its places in the order of reading."""

    name: str
    about: str
    places: Callable[[Material], Index]


def _row_starts(m: Material) -> Index:
    return np.arange(m.rows, dtype=np.int64) * m.positions


def _character_starts(m: Material) -> Index:
    if m.characters is None:
        first = np.arange(0, len(m.bits), m.unit_bits, dtype=np.int64)
    else:
        first = np.ascontiguousarray(m.characters["first_bit"])
    return np.sort(m.index_of(first))


_ROWS = (
    Source("ones", "every one that is read", lambda m: np.flatnonzero(m.bits == 1)),
    Source("zeros", "every zero that is read", lambda m: np.flatnonzero(m.bits == 0)),
    Source("clock", "every hole of the clock row", lambda m: np.arange(len(m.bits))),
    Source("row-starts", "the first position read of each row", _row_starts),
    Source("character-starts", "the first bit of each character", _character_starts),
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
