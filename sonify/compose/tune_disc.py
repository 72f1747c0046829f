"""A disc for a tune: how many positions and rows, and the holes that play it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.compose.pieces import Ground
from sonify.compose.tune_rows import (
    BEAM,
    FEW_BITS,
    Missed,
    missed_notes,
    rows_for_tune,
    target_of,
)
from sonify.compose.tune_steps import TuneFile
from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.geometry.fit import FitSpec, fit_grid
from sonify.disc.layout import MAX_BITS, Layout
from sonify.disc_player.timeline import read_times
from sonify.errors import InputError, plural
from sonify.music.measures.alignment import Tune
from sonify.music.metre import rows_to_bars
from sonify.performance_settings import Setup
from sonify.progress import report

__all__ = [
    "AS_NEEDED",
    "FEWEST",
    "MOST",
    "MOST_ROWS",
    "Fitted",
    "TuneDisc",
    "TuneRows",
    "disc_for_tune",
    "head_rows",
]

FEWEST, MOST = 8, 128
"""The positions that are tried if none are given. Own choice: discs of up to some 300 mm."""

MOST_LAST_CHORDS = 3
"""Notes after the last row may be an ending if they begin at so many times at most. Own choice."""

MOST_WORK = 40_000_000
"""How many positions of trial discs are played in all, for discs of all sizes: some seconds. Own
choice."""

WAITING = 0.1
"""A tune that waits while the stage moves is as good as one that loses this share of its notes
then. Own choice."""

MOST_ROWS = 200
"""The most rows that a tune may take. Own limit: a row is at least some bars."""


@dataclass(frozen=True)
class TuneRows:
    """Which rows of a disc a tune has.

    Attributes
    ----------
    count : int or None
        As many as it needs by default.
    first : int or None
        Counted from 0; the one after the message by default. Rows between them stay blank.
    """

    count: int | None = None
    first: int | None = None

    def begin(self, message: int) -> int | None:
        """The first row after a message of so many rows; None if it is one of the message's."""
        if self.first is None:
            return message
        return self.first if message <= self.first else None

    def check(
        self, message: str | None, code: Code | None, layout: Layout, positions: Iterable[int]
    ) -> None:
        """Refuse rows that the message needs, whatever the number of positions."""
        least = min(
            len(head_rows(message, code, msgspec.structs.replace(layout, positions=n)))
            for n in positions
        )
        if self.begin(least) is None:
            raise InputError(
                f"the message comes first, and takes {plural(least, 'row')}; begin the tune in row "
                f"{least + 1} or later",
                key="tune-rows",
            )


AS_NEEDED = TuneRows()


def head_rows(message: str | None, code: Code | None, layout: Layout) -> NDArray[np.int8]:
    """The rows of a message, if there is one, shape (rows, positions).

    Raises
    ------
    InputError
        A code that leaves no rows for a tune.
    """
    if code is not None and code.check == "reed-solomon":
        raise InputError("reed-solomon covers the whole disc, so no rows are left for a tune; use "
                         "another check", key="check")  # fmt: skip
    if message is None:
        return np.zeros((0, layout.positions), np.int8)
    return Disc.from_message(message, code=code, layout=layout).grid


@dataclass(frozen=True, eq=False)
class Fitted:
    """A mapping that was made for a tune.

    Attributes
    ----------
    setup : Setup
        With that mapping, and perhaps with a speed for the tune.
    cell, chords : int
        Positions for a step of the tune, and how many chords it has.
    tempo : float
        In quarters a minute, as the disc plays.
    tune : TuneFile
    moved : int
        Notes that lay off the tune's steps.
    lasting : int
        Notes that last as long as in the tune, to half a step.
    """

    setup: Setup
    cell: int
    chords: int
    tempo: float
    tune: TuneFile
    moved: int
    lasting: int


@dataclass(frozen=True, eq=False)
class TuneDisc:
    """A disc that plays a tune as nearly as it can.

    Attributes
    ----------
    disc : Disc
    notes : int
        Of the tune.
    missed : tuple of Missed
    added : int
        How many notes it plays that the tune lacks.
    cost : float
        What differs: 1 for each missed or added note, less for notes that are near.
    waits : bool
        Whether the tune waits while the stage moves.
    first_row : int
        The row in which it begins.
    fitted : Fitted or None
        The mapping, if it was made for the tune.
    """

    disc: Disc
    notes: int
    missed: tuple[Missed, ...]
    added: int
    cost: float
    waits: bool
    first_row: int
    fitted: Fitted | None = None


@dataclass(frozen=True, eq=False)
class _Shape:
    """One way to lay a tune on a disc."""

    ground: Ground
    disc: Disc
    first: int
    timed: bool
    lost: int

    @property
    def work(self) -> int:
        """About how many positions of trial discs are played to fill it."""
        rows, n = self.disc.grid.shape
        work: int = rows * n * BEAM * (1 << FEW_BITS) // FEW_BITS * min(rows, 3) * n
        return work


def disc_for_tune(
    tune: Tune,
    length: NDArray[np.float64],
    setup: Setup,
    layout: Layout,
    spec: FitSpec,
    message: str | None = None,
    code: Code | None = None,
    rows: TuneRows = AS_NEEDED,
    name: str = "disc",
) -> TuneDisc:
    """The disc that plays a tune, after the rows of a message if one is given.

    Parameters
    ----------
    tune : Tune
    length : ndarray of float64, shape (notes,)
        How long its notes are, in quarter notes.
    setup : Setup
    layout : Layout
    spec : FitSpec
        With the positions, if they are given.
    message : str, optional
    code : Code, optional
        Of the message; its framing must be framed.
    rows : TuneRows
    name : str

    Raises
    ------
    InputError
        No disc of the material holds the tune.
    """
    numbers = range(FEWEST, MOST + 1) if spec.positions is None else (spec.positions,)
    shapes: list[_Shape] = []
    # the last chord of a form may come after the last row
    ends = setup.music.form.ending != "none" and rows.count is None
    for n in numbers:
        own = msgspec.structs.replace(layout, positions=n)
        for timed, less in product((True, False), (0, 1) if ends else (0,)):
            one = _shape(tune, setup, own, spec, (message, code), rows, less, timed, name)
            if one is not None:
                shapes.append(one)
    if not shapes:
        rows.check(message, code, layout, numbers)
        raise InputError(
            "no disc of this size holds the tune; give a larger diameter or fewer rows",
            key="tune",
        )
    wait = WAITING * len(tune.beat)
    shapes.sort(key=lambda s: (s.lost if s.timed else wait, s.disc.grid.size))
    best: TuneDisc | None = None
    done = 0
    for shape in shapes:
        if best is not None and done + shape.work > MOST_WORK:
            break
        found = _played(shape, tune, length, done / MOST_WORK)
        done += shape.work
        if best is None or found.cost < best.cost - 1e-9:
            best = found
        if best.cost == 0:
            break
    assert best is not None
    return best


def _shape(
    tune: Tune, setup: Setup, layout: Layout, spec: FitSpec, text: tuple[str | None, Code | None],
    rows: TuneRows, less: int, timed: bool, name: str,
) -> _Shape | None:  # fmt: skip
    """A disc of so many positions for a tune; None if it does not fit."""
    n, (message, code) = layout.positions, text
    head = head_rows(message, code, layout)
    first = rows.begin(len(head))
    if first is None:
        return None
    probe = Ground.of(setup, first + 1, n, code)
    grid = probe.show.grid
    last = int(np.floor(tune.beat.max(initial=0) / grid.step_beats + 0.5))
    timeline = read_times(first + MOST_ROWS, n, probe.show.setup.player)
    if probe.show.setup.music.timing == "bars":
        timeline = rows_to_bars(timeline, grid, probe.show.setup.player)
    ends = (
        timeline.row_slot[first:] - timeline.row_slot[first] + n
        if timed
        else (np.arange(1, MOST_ROWS + 1) * n)
    )
    need = int(np.searchsorted(ends, last, "right")) + 1 - less
    need = rows.count or need
    if not 0 < need <= MOST_ROWS or (first + need) * n > MAX_BITS:
        return None
    try:
        geometry = fit_grid(first + need, layout, spec).geometry
    except InputError:
        return None
    bits = np.zeros((first + need, n), np.int8)
    bits[: len(head)] = head
    disc = Disc.from_bits(bits, code=code, layout=layout, geometry=geometry, name=name)
    ground = Ground.of(setup, first + need, n, code)
    target = target_of(ground, *tune, np.ones(len(tune.beat)), first, timed)
    lost = int((~np.isin(target.slot, ground.show.timeline.slots())).sum())
    if less:
        late = target.slot[target.slot >= ground.show.timeline.end_slot]
        lost -= len(late) if len(np.unique(late)) <= MOST_LAST_CHORDS else 0
    return _Shape(ground, disc, first, timed, lost)


def _played(shape: _Shape, tune: Tune, length: NDArray[np.float64], share: float) -> TuneDisc:
    ground, disc, first = shape.ground, shape.disc, shape.first
    target = target_of(ground, *tune, length, first, shape.timed)
    bits, cost = rows_for_tune(
        ground, target, ground.in_order(disc.grid.reshape(1, -1))[0], first * disc.positions,
        lambda part: report(min(1.0, share + part * shape.work / MOST_WORK)),
    )  # fmt: skip
    grid = np.empty_like(bits)
    grid[ground.show.timeline.places()] = bits
    made = Disc.from_bits(
        grid.reshape(disc.grid.shape), code=disc.code, layout=disc.layout, geometry=disc.geometry,
        name=disc.name,
    )  # fmt: skip
    missed, added = missed_notes(ground, target, bits, first)
    waits = not shape.timed and disc.rows > first + 1
    return TuneDisc(made, len(tune.beat), tuple(missed), added, cost, waits, first)
