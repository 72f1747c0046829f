"""The choices that a maker has: all discs that carry the same message and fit the material."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import FIGURES, LETTERS
from sonify.disc.code.code import Code
from sonify.disc.code.encoding import encode_grid, message_units
from sonify.disc.code.units import to_units, units_to_bits
from sonify.disc.disc import Disc
from sonify.disc.geometry.fit import Fit, FitSpec, fit, fit_grid
from sonify.disc.layout import Layout
from sonify.errors import InputError

__all__ = ["CHOICES", "USUAL", "Choices", "Design", "Slots", "free_slots", "wordings_from"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Pick = tuple[int, ...]

CHOICES: dict[str, str] = {
    "wording": "which of the wordings given",
    "case": "capitals, small letters, or as given",
    "start": "blanks before the message, so that it starts at another position",
    "blanks": "two blanks between words, or blanks that bring words to row starts",
    "alphabet": "ascii, ita2 or utf-8",
    "bit-order": "high-first or low-first",
    "framing": "plain or framed",
    "check": "none, parity, crc-16 or reed-solomon",
    "redundancy": "the share of check symbols, with reed-solomon",
    "positions": "how many positions a row has",
    "rows": "up to two rows more than the message needs, for filling",
    "filling": "holes after the end of the message: free bits, or idle shifts in ita2",
    "reading": "outside-in or inside-out",
}
"""All choices by name, and what each decides."""

USUAL = ("wording", "bit-order", "framing", "positions", "rows", "filling", "reading")
"""The choices that are free if nothing else is said: those that change neither the message nor how
well it is protected."""

MOST_BLANKS = 7
"""The most blanks before the message. Own choice."""

MORE_ROWS = 2
"""The most rows that filling may add. Own choice."""

LARGER, ROUND_TO = 1.25, 10.0
"""Without a diameter, the disc may be so many times as large as the smallest one, rounded up to so
many mm. Own choice: the smallest one has hardly a spare place."""

_VALUES: dict[str, tuple[Any, ...]] = {
    "case": ("as given", "capitals", "small"),
    "start": tuple(range(MOST_BLANKS + 1)),
    "blanks": ("as given", "double", "by row"),
    "alphabet": ("ascii", "ita2", "utf-8"),
    "bit-order": ("high-first", "low-first"),
    "framing": ("plain", "framed"),
    "check": ("none", "parity", "crc-16", "reed-solomon"),
    "redundancy": (None, 0.35, 0.5),
    "rows": tuple(range(MORE_ROWS + 1)),
    "filling": (None, "free"),
    "reading": ("outside-in", "inside-out"),
}

_TOGETHER = (("alphabet", "framing", "filling", "rows"), ("check", "redundancy"))
"""Choices of which some values rule out some of the others."""


class Slots(NamedTuple):
    """Places of a disc whose bits may be chosen, each in the same ways.

    Attributes
    ----------
    at : ndarray of int64, shape (slots, bits)
        The indices of their bits in the grid read row by row.
    ways : ndarray of int8, shape (ways, bits)
        What the bits of each may be.
    """

    at: Ints
    ways: Bits


@dataclass(frozen=True, eq=False)
class Design:
    """A disc that carries the message, and what of it may still be chosen.

    Attributes
    ----------
    disc : Disc
    slots : Slots
        In the order of the grid; without any, the disc is settled.
    picks : dict
        The value of each choice.
    """

    disc: Disc
    slots: Slots
    picks: dict[str, Any]

    @property
    def ways(self) -> int:
        """How many discs it stands for."""
        return int(len(self.slots.ways) ** len(self.slots.at))

    def filled(self, grid: Bits) -> Disc:
        """The disc with other bits, read row by row."""
        d = self.disc
        grid = grid.reshape(d.grid.shape)
        if np.array_equal(grid, d.grid) and d.given_message is not None:
            return d
        return Disc.from_bits(
            grid, code=d.code, layout=d.layout, geometry=d.geometry, title=d.title, name=d.name
        )


def free_slots(first: int, size: int) -> Slots:
    """A slot for each bit from an index of the grid on."""
    return Slots(np.arange(first, size)[:, None], np.array([[0], [1]], np.int8))


@dataclass
class Choices:
    """The designs among which to search.

    Attributes
    ----------
    parts : tuple of tuple of str
        The text in parts, each with its wordings.
    code : Code
    layout : Layout
    spec : FitSpec
        The material.
    free : frozenset of str
        The names of the choices that are free.
    title, name : str
        Of the disc.
    """

    parts: tuple[tuple[str, ...], ...]
    code: Code
    layout: Layout
    spec: FitSpec
    free: frozenset[str]
    title: str = ""
    name: str = "disc"
    _known: dict[Pick, Design | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        unknown = sorted(self.free - CHOICES.keys())
        if unknown:
            raise InputError(
                f"there is no choice '{unknown[0]}'; one of: {', '.join(CHOICES)}", key="free"
            )
        text = "".join(p[0] for p in self.parts)
        self.usual = fit(text, self.code, self.layout, self.spec)
        if self.spec.outer_diameter is None:
            edge = math.ceil(self.usual.geometry.outer_diameter * LARGER / ROUND_TO) * ROUND_TO
            self.spec = msgspec.structs.replace(self.spec, outer_diameter=edge)
        self.axes = self._axes()

    def _axes(self) -> dict[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
        """The values of each choice, those that the maker gave first. Choices that depend on each
        other are taken together."""
        positions = self.usual.layout.positions
        given: dict[str, Any] = {
            "case": "as given", "start": 0, "blanks": "as given", "rows": 0,
            "alphabet": self.code.alphabet, "bit-order": self.code.bit_order,
            "framing": self.code.framing, "check": self.code.check,
            "redundancy": self.code.redundancy, "filling": self.code.filling,
            "reading": self.layout.reading,
        }  # fmt: skip
        values: dict[str, tuple[Any, ...]] = {}
        for n, wordings in enumerate(self.parts):
            free = "wording" in self.free
            values[f"wording {n + 1}"] = tuple(range(len(wordings) if free else 1))
        for name, value in given.items():
            others = _VALUES[name] if name in self.free else ()
            values[name] = (value, *(v for v in others if v != value))
        near: tuple[int, ...] = ()
        if "positions" in self.free:
            near = tuple(range(max(2, positions // 2), 2 * positions + 1))
        values["positions"] = (positions, *(n for n in near if n != positions))
        groups = [*_TOGETHER, *((n,) for n in values if not any(n in g for g in _TOGETHER))]
        return {group: tuple(product(*(values[n] for n in group))) for group in groups}

    @property
    def size(self) -> int:
        """How many combinations of values there are."""
        return math.prod(map(len, self.axes.values()))

    def before(self) -> Design:
        """The disc that the message makes without a search."""
        return self._design(self._picks((0,) * len(self.axes)), self.usual)

    def design(self, pick: Pick) -> Design | None:
        """The design of a combination, as indices of values; None if there is none."""
        if pick not in self._known:
            try:
                self._known[pick] = self._design(self._picks(pick))
            except InputError:
                self._known[pick] = None
        return self._known[pick]

    def _picks(self, pick: Pick) -> dict[str, Any]:
        chosen = zip(self.axes.items(), pick, strict=True)
        return {n: v for (names, values), k in chosen
                for n, v in zip(names, values[k], strict=True)}  # fmt: skip

    def _design(self, picks: dict[str, Any], usual: Fit | None = None) -> Design:
        text = "".join(p[picks[f"wording {n + 1}"]] for n, p in enumerate(self.parts))
        text = {"capitals": text.upper(), "small": text.lower()}.get(picks["case"], text)
        idle = picks["filling"] == "free" and picks["alphabet"] == "ita2"
        code = Code(
            alphabet=picks["alphabet"], bit_order=picks["bit-order"], framing=picks["framing"],
            check=picks["check"], redundancy=picks["redundancy"],
            filling=None if idle else picks["filling"],
        )  # fmt: skip
        text = " " * picks["start"] + _spaced(text, picks["blanks"], code, picks["positions"])
        found = usual
        if found is None:
            layout = msgspec.structs.replace(
                self.layout, positions=picks["positions"], reading=picks["reading"]
            )
            grid = encode_grid(text, code, layout.positions)
            found = fit_grid(len(grid) + picks["rows"], layout, self.spec)
        disc = Disc.from_message(
            text, code=code, layout=found.layout, geometry=found.geometry, title=self.title,
            name=self.name,
        )  # fmt: skip
        if picks["filling"] is None:
            if picks["rows"]:
                raise InputError("only filling needs more rows")
            return Design(disc, free_slots(0, 0), picks)
        if code.check == "reed-solomon" or (idle and code.check == "crc-16"):
            raise InputError("the check covers what would be filled")
        return _fillable(disc, picks, idle)


def _fillable(disc: Disc, picks: dict[str, Any], idle: bool) -> Design:
    """A design with more rows and what may fill its spare places."""
    assert disc.code is not None
    assert disc.given_message is not None
    code, n = disc.code, disc.positions
    grid = np.pad(disc.grid, ((0, picks["rows"]), (0, 0))).reshape(-1)
    end = len(message_units(disc.given_message, code)) * code.unit_bits
    slots = free_slots(end, grid.size)
    if idle:
        width = code.unit_bits
        shifts = np.array([LETTERS, FIGURES], np.uint8)
        ways = units_to_bits(shifts, code).reshape(2, width)
        starts = np.arange(end, grid.size - width + 1, width)
        slots = Slots(starts[:, None] + np.arange(width), ways)
        grid[slots.at] = ways[0]
    more = Disc.from_bits(
        grid.reshape(-1, n), code=code, layout=disc.layout, geometry=disc.geometry,
        title=disc.title, name=disc.name,
    )  # fmt: skip
    return Design(more, slots, picks)


def _spaced(text: str, how: str, code: Code, positions: int) -> str:
    """A text with more blanks between its words."""
    if how == "double":
        return text.replace(" ", "  ")
    if how == "as given":
        return text
    out = ""
    head = len(message_units("A", code)) * (code.framing == "framed")
    for word in text.split(" "):
        begin = out
        # as many blanks as bring a word that would run over a row's end to the next row
        while out and _row(out, head, code, positions) != _row(out + word, head, code, positions):
            out += " "
            if len(out) > len(begin) + positions:
                out = begin
                break
        out += word + " "
    return out[:-1]


def _row(text: str, head: int, code: Code, positions: int) -> int:
    """The row in which the next bit after a text would lie."""
    units = head + len(to_units(text, code.alphabet))
    return units * code.unit_bits // positions


def wordings_from(table: Mapping[str, Any]) -> tuple[tuple[str, ...], ...]:
    """The parts of a text and their wordings, from the table of a wording file.

    Raises
    ------
    InputError
        It is not a list of parts, each a text or a list of texts.
    """
    parts = table.get("parts")
    if not isinstance(parts, list) or not parts or table.keys() - {"parts"}:
        raise InputError(
            'it needs one key, parts, such as parts = [["WIND ", "A WIND "], "SW 6"]',
            place="parts",
        )
    out = []
    for n, part in enumerate(parts):
        wordings = [part] if isinstance(part, str) else part
        if (
            not isinstance(wordings, list)
            or not wordings
            or not all(isinstance(w, str) for w in wordings)
        ):
            raise InputError("give a text, or a list of texts", place=f"parts[{n}]")
        out.append(tuple(wordings))
    return tuple(out)
