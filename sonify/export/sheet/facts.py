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
from sonify.export.sheet.page import SMALL, Link, covers, width_of
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
MOST_VOICES = 4
"""The most voices: each takes a part of every column."""
COLUMNS = 175.0
"""The width of a page that columns share, beside their labels."""
MOST_COLUMNS = 7
"""How many columns with headings stand side by side at most; a sheet shows so many by default."""
LEAST_GAP, VOICE_GAP = 0.2, 1.0
"""The least gap between the parts of a column, the second with several voices. All are chosen by
eye."""


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
    voices : str or None
        The names or numbers of the voices whose notes are shown; None for all that play, or the
        `MOST_VOICES` that show most.

    Raises
    ------
    InputError
        Too many positions, or characters or voices that don't exist.
    """

    def __init__(
        self, show: Performance, characters: str | None = None, voices: str | None = None
    ) -> None:
        self.show, self.disc = show, show.disc
        if self.disc.grid.size > MOST_POSITIONS:
            raise InputError(
                f"{self.disc.grid.size:,} positions are too many for a sheet; at most "
                f"{MOST_POSITIONS:,}"
            )
        self.code = self.disc.code or Code(alphabet="utf-8")  # bare bits are shown as bytes
        self.flat = self.disc.grid.reshape(-1)
        self.groups = self._groups()
        self.voices = self._voices(voices, characters)
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
    def parts(self) -> list[tuple[str, float]]:
        """The headings of a column's parts, and how wide each part is."""
        widths = [(name, width_of(name, SMALL)) for name in ("bit", "hole", "lamp")]
        for name, played in zip(self.note_names, self.notes or [{}], strict=True):
            some = {name, *played.values()}
            widths.append((name, max(width_of(words, SMALL) for words in some)))
        return widths

    @cached_property
    def most_columns(self) -> int:
        """How many columns stand side by side."""
        return max(1, min(MOST_COLUMNS, int(COLUMNS / self.column)))

    @property
    def column(self) -> float:
        """The least width of a column."""
        gap = LEAST_GAP if len(self.voices) < 2 else VOICE_GAP
        return sum(w for _, w in self.parts) + gap * (len(self.parts) + 1)

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
        return list(range(max(1, int(np.searchsorted(units, self.most_columns, "right")))))

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
            (show.bit_stream.bits > 0).astype(np.uint16), timeline, matrix, show.unit_bits
        )
        # the last write in a slot is that of its bit; those before it wipe
        out = np.empty(len(self.flat), np.int64)
        last = np.searchsorted(writes.slot, timeline.slots(), "right") - 1
        out[timeline.places()] = writes.led[last]
        return out

    def _voices(self, names: str | None, characters: str | None) -> list[Part]:
        """The voices of a list of names or numbers, in its order; by default those that play in the
        part that is shown, and if they are too many, tones before drums and those that play at most
        bits."""
        parts = self.show.parts
        if names is not None:
            offered = ", ".join(p.name for p in parts)
            known = {p.name.casefold(): p for p in parts} | {str(p.number + 1): p for p in parts}
            named = [n.strip() for n in names.split(",")]
            for name in named:
                if name.casefold() not in known:
                    raise InputError(
                        f"there is no voice '{name}'; choose from: {offered}, or 1 to {len(parts)}",
                        key="voice",
                    )
            if len(named) > MOST_VOICES:
                raise InputError(
                    f"{len(named)} are too many for a sheet; at most {MOST_VOICES}", key="voice"
                )
            return list(dict.fromkeys(known[n.casefold()] for n in named))

        bits = self._first_bits(characters)

        def rank(part: Part) -> tuple[bool, int, int]:
            here = np.isin(self.show.timeline.places()[part.index], bits)
            return part.voice.drum is not None, -len(np.unique(part.index[here])), part.number

        playing = [p for p in parts if len(p)]
        here = [p for p in playing if rank(p)[1]] or playing
        return sorted(sorted(here, key=rank)[:MOST_VOICES], key=lambda p: p.number)

    def _first_bits(self, characters: str | None) -> NDArray[np.int64]:
        """The bits of the characters that are asked for, and of the row of the first one."""
        shown = [0] if characters is None else self._chosen(characters)
        units = [u for k in shown if k < len(self.groups) for u in self.groups[k]]
        n = self.disc.positions
        start = units[0].first // n * n if units else 0
        parts = [np.arange(u.first, u.last + 1) for u in units]
        return np.concatenate([np.arange(start, start + n), *parts])

    @property
    def left_out(self) -> list[str]:
        """The names of the other voices that play."""
        return [p.name for p in self.show.parts if len(p) and p not in self.voices]

    def own_notes(self, part: Part) -> NDArray[np.void]:
        """The notes of a voice: an array of `NOTES`."""
        notes = self.show.notes
        out: NDArray[np.void] = notes[notes["voice"].astype(int) == part.number]
        return out

    @cached_property
    def notes(self) -> list[dict[int, str]]:
        """What each bit plays, by its index, for each voice; a bit that plays nothing is not
        there."""
        out = []
        for part in self.voices:
            pitches: dict[int, list[float]] = {}
            own = self.own_notes(part)[["row", "position", "pitch"]].tolist()
            for row, position, pitch in own:
                pitches.setdefault(row * self.disc.positions + position, []).append(pitch)
            played = {}
            for bit, some in pitches.items():
                more = f"+{len(some) - 1}" if len(some) > 1 else ""
                drum = part.voice.drum is not None
                played[bit] = "hit" if drum else note_name(round(min(some))) + more
            out.append(played)
        return out

    @cached_property
    def note_names(self) -> list[str]:
        """How the notes of each voice are headed."""
        few = len(self.voices) < 2
        return ["note"] if few else [f"{k + 1}" for k in range(len(self.voices))]

    def about(self, bit: int) -> str:
        """A sentence on one bit, for readers of the page."""
        row, position = self.place(bit)
        value = int(self.flat[bit])
        matrix = self.show.setup.player.matrix
        line, column = divmod(int(self.lamps[bit]), matrix.width)
        what = {1: "one", 0: "zero", -1: "unknown"}[value]
        hole = "hole" if value == self.disc.layout.hole_means else "no hole"
        lamp = f"lamp in line {line + 1}, column {column + 1} {'on' if value > 0 else 'off'}"
        played = [
            f"{part.name} {notes[bit]}" if len(self.voices) > 1 else f"note {notes[bit]}"
            for part, notes in zip(self.voices, self.notes, strict=True)
            if bit in notes
        ]
        note = ", ".join(played) or "no note"
        return f"Row {row}, position {position}: {what}, {hole}, {lamp}, {note}"


def _shift(number: int | None) -> str:
    return {LETTERS: "letters", FIGURES: "figures"}.get(number or 0, "control")


def visible(char: str) -> str:
    """A character, or what to write for one that can't be seen or that the font lacks."""
    if len(char) != 1 or (covers(char) and char != " "):
        return char
    return "space" if char == " " else f"U+{ord(char):04X}"
