"""General MIDI level 1: the names of its programs and of its drum notes.

Source: General MIDI System Level 1 (MIDI Manufacturers Association, 1991), the instrument patch
map and the percussion key map.
"""

from __future__ import annotations

from pathlib import Path

from sonify.errors import InputError, close_matches

__all__ = ["DRUMS", "FAMILIES", "PROGRAMS", "drum_note", "program_number"]


def _table(block: str) -> dict[str, int]:
    """Numbers by name, from lines such as ``15 tubular bells``."""
    lines = (line.partition(" ") for line in block.splitlines())
    return {name: int(number) for number, _, name in lines}


_TABLES = Path(__file__).with_suffix(".txt").read_text("ascii").split("\n\n")
_NUMBERS, DRUMS, _FIRST = map(_table, _TABLES)
PROGRAMS, FAMILIES = tuple(_NUMBERS), tuple(_FIRST)
"""The programs, and their families of eight each."""


def program_number(program: str | int, place: str = "program") -> int:
    """A program as the number 0 to 127 that is sent, from its name or its number 1 to 128.

    Raises
    ------
    InputError
        No such name or number; the message lists similar names.
    """
    return _number(program, _NUMBERS, "program", (1, 128), place) - 1


def drum_note(drum: str | int, place: str = "drum") -> int:
    """A drum as a MIDI note number, from its name or that number.

    Raises
    ------
    InputError
        No such name or number; the message lists similar names.
    """
    return _number(drum, DRUMS, "drum", (0, 127), place)


def _number(
    given: str | int, names: dict[str, int], what: str, limits: tuple[int, int], place: str
) -> int:
    low, high = limits
    if isinstance(given, int):
        if not low <= given <= high:
            raise InputError(
                f"there is no {what} {given}; they are numbered {low} to {high}", place=place
            )
        return given
    number = names.get(given.strip().casefold())
    if number is None:
        hint = f"; give a General MIDI name or a number from {low} to {high}"
        near = close_matches(given, names)
        raise InputError(f"there is no {what} '{given}'{near or hint}", place=place)
    return number
