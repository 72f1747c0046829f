"""The plan of a piece: sections, phrases, arcs and chords of each bar of each row.

A row is divided into cells: bars, or the shorter or longer time for which a chord lasts, counted
from the row's start. Everything that form decides is a number for each cell, looked up by row and
position, so that a machine that reads bit by bit can follow it with the same tables.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.form.harmony import chords_of_cells, suspended
from sonify.music.form.named_plans import completed
from sonify.music.form.pace import moves, pace_of
from sonify.music.form.settings import Form, Harmony
from sonify.music.theory.roman import Chord

__all__ = ["CHORD", "DENSITY", "DYNAMICS", "REGISTER", "SECTION", "SOUNDING", "Plan", "plan_for"]

Index = NDArray[np.int64]
Table = NDArray[np.integer[Any]]

SECTION, DYNAMICS, REGISTER, DENSITY, CHORD, SOUNDING = range(6)
"""The tables of a plan, in the order of `Plan.tables`. `SOUNDING` numbers the pairs of a chord and
a register."""

_AT_ONCE = 1 << 16
_DYNAMIC_LEVELS = 24
_DENSITIES = (0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True, eq=False)
class Plan:
    """What form decides, for each cell of each row.

    Attributes
    ----------
    rows, cells : int
        Rows of the plan, and cells of a row. Later rows begin the plan again.
    cell, bar, beat : Fraction
        In positions.
    step : Fraction
        The note value of a position, in whole notes.
    labels : tuple of str
        The label of each section, in order.
    tables : tuple of ndarray of whole numbers, each of shape (rows * cells,)
        Numbers of: the section, the level of `dynamics`, that of `registers`, that of `densities`,
        the chord, and the pair of chord and register.
    dynamics : tuple of float
        Factors on the velocity.
    registers : tuple of int
        Octaves.
    densities : tuple of float
        Shares of metrical places.
    chords : tuple of Chord
    staggered : bool
        Whether voices enter one by one.
    closed : bool
        Whether the piece ends with the plan's last row, so that no stage moves after it.
    pace : ndarray of float64, shape (rows, beats), or None
        The tempo of each beat of a row, as a factor; None where it is even.
    """

    rows: int
    cells: int
    cell: Fraction
    bar: Fraction
    beat: Fraction
    step: Fraction
    labels: tuple[str, ...]
    tables: tuple[Table, ...]
    dynamics: tuple[float, ...]
    registers: tuple[int, ...]
    densities: tuple[float, ...]
    chords: tuple[Chord, ...]
    staggered: bool
    closed: bool
    pace: NDArray[np.float64] | None = None

    def count(self, table: int) -> int:
        """How many different numbers a table has."""
        sizes = (
            len(self.labels), len(self.dynamics), len(self.registers), len(self.densities),
            len(self.chords), len(self.chords) * len(self.registers),
        )  # fmt: skip
        return max(1, sizes[table])

    def at(self, table: int, row: Index, step: Index) -> Index:
        """The entries of a table at steps of rows, both counted from 0."""
        cell = step * self.cell.denominator // self.cell.numerator
        out: Index = self.tables[table][row % self.rows * self.cells + cell].astype(np.int64)
        return out

    def places(self, positions: int) -> NDArray[np.float64]:
        """How fine the place of each position is: 0.25 on a bar line, 0.5 on a beat, 0.75 on half a
        beat, 1 elsewhere."""
        step = np.arange(positions)
        out = np.ones(positions)
        for unit, share in ((self.beat / 2, 0.75), (self.beat, 0.5), (self.bar, 0.25)):
            # the first position at or after each place of the bar stands for it
            out[(step * unit.denominator) % unit.numerator < unit.denominator] = share
        return out

    def in_sections(self, text: str, place: str) -> NDArray[np.bool_]:
        """Which sections a list of labels names, such as "A B'" or "A* 3-"; shape (sections,).

        A label with * stands for all its variants, a number or range for sections in order.

        Raises
        ------
        InputError
            Something that is neither a label nor a number.
        """
        out = np.zeros(len(self.labels), bool)
        for word in text.replace(",", " ").split():
            found = re.fullmatch(r"(\d+)(-(\d+)?)?", word)
            if found:
                first, last = int(found[1]), int(found[3] or (10**6 if found[2] else found[1]))
                out[max(first, 1) - 1 : last] = True
            elif re.fullmatch(r"[A-Za-z]+'*\*?", word):
                stem = word.rstrip("*")
                every = word.endswith("*")
                out |= [x == stem or (every and x.rstrip("'") == stem) for x in self.labels]
            else:
                raise InputError(
                    f"'{word}' is not a section; write labels such as A or B', A* for all variants "
                    "of A, or numbers such as 2-",
                    place=place,
                )
        return out


def _bounds(sections: int, units: int, phrase: int) -> Index:
    """Where sections begin among so many units, and the end; on whole phrases if they can."""
    size = phrase if units >= sections * phrase else 1
    at = np.arange(sections + 1) * units
    out: Index = (at + sections * size // 2) // (sections * size) * size
    out[-1] = units
    return np.minimum(out, units)


def _points(points: tuple[float, ...], share: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.interp(share, np.linspace(0, 1, len(points)), np.asarray(points, np.float64))


def _along(total: int, entry: Callable[[Index], NDArray[Any]]) -> Iterator[NDArray[Any]]:
    """What cells have, some of them at a time."""
    for first in range(0, total, _AT_ONCE):
        yield entry(np.arange(first, min(first + _AT_ONCE, total)))


def _levels(
    total: int, level: Callable[[NDArray[np.float64]], NDArray[np.float64]]
) -> tuple[tuple[float, ...], Table]:
    """The levels that cells have by their share of the piece, and the number of each cell's."""

    def some(at: Index) -> NDArray[np.float64]:
        return level((at + 0.5) / total)

    levels = np.unique(np.concatenate([np.unique(v) for v in _along(total, some)]))
    which = _along(total, lambda at: _narrow(np.searchsorted(levels, some(at)), len(levels)))
    return tuple(levels.tolist()), np.concatenate(list(which))


def _narrow(table: NDArray[Any], count: int) -> Table:
    """A table of numbers below `count` in as few bytes as hold them."""
    out: Table = table.astype(np.min_scalar_type(count))
    return out


def plan_for(
    form: Form, harmony: Harmony, minor: bool, rows: int, positions: int, step: Fraction,
    bar: Fraction, beat: Fraction,
) -> Plan:  # fmt: skip
    """Lay a form over the rows of a disc.

    Parameters
    ----------
    form : Form
    harmony : Harmony
    minor : bool
        Whether chords are those of a minor key.
    rows, positions : int
    step, bar, beat : Fraction
        Note values in whole notes.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        Labels or numerals that don't parse.
    """
    full = completed(form)
    labels = tuple(full.sections.split())
    for label in labels:
        if not re.fullmatch(r"[A-Za-z]+'*", label):
            raise InputError(
                f"'{label}' is not a label of a section; write letters such as A or B'",
                place="music.form.sections",
            )
    bar_steps = bar / step
    cell = bar_steps / 2 if harmony.each == "half-bar" else bar_steps
    cells = -(-positions * cell.denominator // cell.numerator)
    total = rows * cells
    by_row = rows >= 2 * len(labels)
    units, per = (rows, cells) if by_row else (total, 1)
    intro = min(form.intro * form.phrase, units // 2)
    bounds = intro + _bounds(len(labels), units - intro, form.phrase)
    if intro:
        labels, bounds = ("Intro", *labels), np.append(0, bounds)
    bounds = bounds * per
    inner = bounds[1:-1]
    section = np.concatenate(list(_along(
        total, lambda at: _narrow(np.searchsorted(inner, at, "right"), len(labels))
    )))  # fmt: skip
    dynamics, dynamic = _levels(
        total,
        lambda share: np.rint(_points(full.dynamics, share) * _DYNAMIC_LEVELS) / _DYNAMIC_LEVELS,
    )
    registers, register = _levels(
        total, lambda share: np.floor(_points(full.register, share) + 0.5)
    )
    thin = np.asarray(_DENSITIES)
    densities, density = _levels(
        total,
        lambda share: thin[
            np.searchsorted(thin - 0.125, _points(full.density, share), "right").clip(1) - 1
        ],
    )
    chords: tuple[Chord, ...] = ()
    chord: Table = np.zeros(total, np.uint8)
    pace: NDArray[np.float64] | None = None
    if harmony.chords.strip() or harmony.walk or moves(form):
        lot = section.astype(np.int64)
        # a phrase never runs over the end of its section
        phrase = (np.arange(total) - bounds[lot]) // (form.phrase * per)
        chords, numbers = chords_of_cells(harmony, minor, labels, lot, phrase, cells)
        chord = _narrow(numbers, len(chords))
        pace = pace_of(
            form, lot * (total + 1) + phrase, rows, positions, cell, beat / step, bar_steps
        )
    tables = [section, dynamic, register, density, chord]
    if harmony.suspensions and chords:
        chords, first = suspended(chords, chord)
        cell /= 2
        whole, half = cells, -(-positions * cell.denominator // cell.numerator)
        at = (np.arange(rows)[:, None] * whole + np.arange(half) // 2).reshape(-1)
        cells, tables = half, [t[at] for t in tables]
        tables[CHORD] = np.where(np.arange(rows * half) % half % 2 == 0, first[at], tables[CHORD])
    count = np.min_scalar_type(len(chords) * len(registers))
    sounding = tables[CHORD].astype(count) * count.type(len(registers)) + tables[REGISTER]
    return Plan(
        rows, cells, cell, bar_steps, beat / step, step, labels,
        (*tables, sounding), dynamics,
        tuple(int(r) for r in registers), densities, chords, full.entries == "staggered",
        form.plan != "none" or form.ending != "none", pace,
    )  # fmt: skip
