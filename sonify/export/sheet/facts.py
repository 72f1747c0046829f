"""What the sheet explains: some code units of a disc, and what each of their bits does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import FIGURES, LETTERS
from sonify.disc.code.checks import crc_units_count
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import FAILED
from sonify.disc.code.framing import FRAMINGS, TRANSMISSION_CONTROLS
from sonify.disc.code.units import bits_to_units
from sonify.errors import InputError
from sonify.export.sheet.page import Link, covers
from sonify.light.fill_rules import find_fill
from sonify.music.theory.scales import note_name
from sonify.ranges import chosen

if TYPE_CHECKING:
    from sonify.music.notes import Part
    from sonify.performance import Performance

__all__ = ["MOST_CHARACTERS", "MOST_POSITIONS", "Facts", "Unit", "visible"]

MOST_POSITIONS = 20_000
"""The most positions of a disc on a sheet: more could not be told apart on paper."""
MOST_CHARACTERS = 200
"""The most characters on a sheet: about eight pages."""
USUAL_UNITS = 7
"""How many code units a sheet shows by default: those for which columns have headings."""


@dataclass(frozen=True)
class Unit:
    """A code unit.

    Attributes
    ----------
    first, last : int
        Its bits, as indices into the grid.
    char : str
        What it or the units with it stand for: a character, or the name of a shift; empty on a
        disc without characters.
    part, parts : int
        Which unit of its character it is, from 0, and how many that has.
    number : int or None
        Its value after repair, without a parity bit; None if bits are unknown.
    group : int
        Which character, from 0, it belongs to.
    failed : bool
        Whether its character can't be read.
    """

    first: int
    last: int
    char: str
    part: int
    parts: int
    number: int | None
    group: int
    failed: bool = False

    @property
    def link(self) -> Link:
        """Its bits."""
        return self.first, self.last

    @property
    def told(self) -> str:
        """Its value, to be written."""
        return "?" if self.number is None else str(self.number)

    @property
    def tint(self) -> str:
        """Its colour, by turns."""
        return ("tint", "tint2")[self.group % 2]


class Facts:
    """A performance's disc, and the part of it that the sheet shows.

    Parameters
    ----------
    show : Performance
    characters : str or None
        Which characters, such as "1-8", counted from 1; None for as many as fit on a page.

    Raises
    ------
    InputError
        Too many positions, or characters that don't exist.
    """

    def __init__(self, show: Performance, characters: str | None = None) -> None:
        self.show, self.disc = show, show.disc
        if self.disc.grid.size > MOST_POSITIONS:
            raise InputError(
                f"{self.disc.grid.size:,} positions are too many for a sheet; at most "
                f"{MOST_POSITIONS:,}"
            )
        self.code = self.disc.code or Code(alphabet="utf-8")  # bare bits are shown as bytes
        self.flat = self.disc.grid.reshape(-1)
        self.groups = self._groups()
        self.shown = self._chosen(characters)

    @cached_property
    def repaired(self) -> NDArray[np.int8]:
        """The bits after repair, shape (bits,)."""
        decoding = self.disc.decoding
        return self.flat if decoding is None or decoding.bits is None else decoding.bits

    @property
    def has_characters(self) -> bool:
        """Whether the disc has characters, and not bare bits only."""
        return self.disc.decoding is not None and len(self.disc.decoding.characters) > 0

    def _groups(self) -> list[list[Unit]]:
        """The code units of each character, with the shifts before it; of each unit on a disc
        without characters."""
        width = self.code.unit_bits
        values, known = bits_to_units(self.repaired, self.code)
        numbers = [n if k else None for n, k in zip(values.tolist(), known.tolist(), strict=True)]
        decoding = self.disc.decoding
        if decoding is None or not self.has_characters:
            whole = enumerate(numbers)
            return [[Unit(k * width, (k + 1) * width - 1, "", 0, 1, n, k)] for k, n in whole]
        rows = decoding.characters[["first_bit", "last_bit", "state"]].tolist()
        stop = 0 if self.code.alphabet == "ita2" else rows[0][0] // width
        out = []
        for group, ((first, last, state), char) in enumerate(
            zip(rows, decoding.as_read, strict=True)
        ):
            part = range(first // width, (last + 1) // width)
            units = []
            for k in range(stop, part.stop):
                own = k in part
                name, place = (char, k - part.start) if own else (_shift(numbers[k]), 0)
                units.append(
                    Unit(
                        k * width, (k + 1) * width - 1, name, place, len(part) if own else 1,
                        numbers[k], group, own and state == FAILED,
                    )
                )  # fmt: skip
            stop = part.stop
            out.append(units)
        return out

    @cached_property
    def marks(self) -> list[Unit]:
        """The code units of the framing and of a CRC around the text, with their names."""
        framing, width = FRAMINGS[self.code.framing], self.code.unit_bits
        if not self.has_characters:
            return []
        after = [framing.end] if framing.end is not None else []
        names = [TRANSMISSION_CONTROLS[chr(n)] for n in (*framing.head, *after)]
        stop = (self.groups[-1][-1].last + 1) // width
        places = [*range(len(framing.head)), *range(stop, stop + len(after))]
        if self.code.check == "crc-16":
            places += range(
                stop + len(after), stop + len(after) + crc_units_count(self.code.data_bits)
            )
            names += ["check"] * (len(places) - len(names))
        return [
            Unit(k * width, (k + 1) * width - 1, name, 0, 1, 0, 0)
            for k, name in zip(places, names, strict=True)
        ]

    def _chosen(self, characters: str | None) -> list[int]:
        """The indices of the groups to show."""
        count = len(self.groups)
        if characters is not None:
            try:
                shown = np.flatnonzero(chosen(characters, count, "")).tolist()
            except InputError as e:
                raise InputError(e.what, key="characters") from None
            if not shown:
                raise InputError(
                    f"{characters} are not there; the disc has {count:,}", key="characters"
                )
            if len(shown) > MOST_CHARACTERS:
                raise InputError(
                    f"{len(shown):,} are too many for a sheet; at most {MOST_CHARACTERS}",
                    key="characters",
                )
            return shown
        if not count:
            raise InputError("the disc has too few bits for a single character")
        units = np.cumsum([len(group) for group in self.groups])
        return list(range(max(1, int(np.searchsorted(units, USUAL_UNITS, "right")))))

    @property
    def units(self) -> list[Unit]:
        """The code units to show."""
        return [unit for k in self.shown for unit in self.groups[k]]

    def place(self, bit: int) -> tuple[int, int]:
        """The row and the position of a bit, counted from 1."""
        row, position = divmod(bit, self.disc.positions)
        return row + 1, position + 1

    def span(self, first: int, last: int) -> str:
        """Where bits lie, such as "row 1: 8 to 14" or, across rows, "1:50 to 2:3"."""
        (row, start), (end_row, end) = self.place(first), self.place(last)
        if row == end_row:
            return f"row {row}: {start} to {end}"
        return f"{row}:{start} to {end_row}:{end}"

    @cached_property
    def lamps(self) -> NDArray[np.int64]:
        """The lamp of each bit of the grid, shape (bits,)."""
        show, timeline = self.show, self.show.timeline
        matrix = show.setup.player.matrix
        writes = find_fill(matrix.fill).writes(
            show.bit_stream.bits, timeline, matrix, show.unit_bits
        )
        # the last write in a slot is that of its bit; those before it wipe
        out = np.empty(len(self.flat), np.int64)
        last = np.searchsorted(writes.slot, timeline.slots(), "right") - 1
        out[timeline.places()] = writes.led[last]
        return out

    @cached_property
    def voice(self) -> Part | None:
        """The voice whose notes are shown: one with pitches, if any, that plays at most bits."""

        def rank(part: Part) -> tuple[bool, int, int]:
            return part.voice.drum is None, len(np.unique(part.index)), -part.number

        return max(self.show.parts, key=rank, default=None)

    @property
    def drum(self) -> bool:
        """Whether it is a drum, which has no pitches."""
        return self.voice is not None and self.voice.voice.drum is not None

    @cached_property
    def own_notes(self) -> NDArray[np.void]:
        """The notes of that voice: an array of `NOTES`."""
        notes = self.show.notes
        number = -1 if self.voice is None else self.voice.number
        out: NDArray[np.void] = notes[notes["voice"].astype(int) == number]
        return out

    @cached_property
    def notes(self) -> dict[int, str]:
        """What each bit plays, by its index; a bit that plays nothing is not there."""
        pitches: dict[int, list[float]] = {}
        n = self.disc.positions
        for row, position, pitch in self.own_notes[["row", "position", "pitch"]].tolist():
            pitches.setdefault(row * n + position, []).append(pitch)
        out = {}
        for bit, some in pitches.items():
            more = f"+{len(some) - 1}" if len(some) > 1 else ""
            out[bit] = "hit" if self.drum else note_name(round(min(some))) + more
        return out

    def about(self, bit: int) -> str:
        """A sentence on one bit, for readers of the page."""
        row, position = self.place(bit)
        value = int(self.flat[bit])
        matrix = self.show.setup.player.matrix
        line, column = divmod(int(self.lamps[bit]), matrix.width)
        what = {1: "one", 0: "zero", -1: "unknown"}[value]
        hole = "hole" if value == self.disc.layout.hole_means else "no hole"
        lamp = f"lamp in line {line + 1}, column {column + 1} {'on' if value > 0 else 'off'}"
        note = f"note {self.notes[bit]}" if bit in self.notes else "no note"
        return f"Row {row}, position {position}: {what}, {hole}, {lamp}, {note}"


def _shift(number: int | None) -> str:
    return {LETTERS: "letters", FIGURES: "figures"}.get(number or 0, "control")


def visible(char: str) -> str:
    """A character, or what to write for one that can't be seen or that the font lacks."""
    if len(char) != 1 or (covers(char) and char != " "):
        return char
    return "space" if char == " " else f"U+{ord(char):04X}"
