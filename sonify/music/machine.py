"""What a machine that reads bit by bit can count, and tables along such counts.

A pitch scheme becomes one or two leads and a table of degrees. The machine's core knows the count
(the row, the place within the character, the last bits as a number, ...), takes it modulo the
table's length, or goes back to where the table repeats, and looks the tone up. It needs no
arithmetic with degrees, scales or octaves. `Lead.at` makes the same count from a bit stream.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream
from sonify.music.form.plan import Plan

__all__ = [
    "MAX_TABLE",
    "NOTHING",
    "Degrees",
    "Lead",
    "Machine",
    "Refusal",
    "along",
    "common",
    "eventually_periodic",
]

Index = NDArray[np.int64]

MAX_TABLE = 4096
_LOOK_AHEAD = 2048


class Refusal(Exception):
    """Why a machine that reads bit by bit can't follow something. The text is the reason."""


@dataclass(frozen=True)
class Machine:
    """What tables and rules depend on: positions per row, bits per code unit, whether every row
    starts at position 0, the positions that pass between two rows, and the form."""

    positions: int
    unit_bits: int
    straight: bool
    gap: int = 0
    plan: Plan | None = None

    @property
    def stride(self) -> int:
        """Positions from one row to the next."""
        return self.positions + self.gap


@dataclass(frozen=True)
class Lead:
    """How a table is stepped through.

    Attributes
    ----------
    by : str
        What is counted, as in the names `PLAYER_BY_...` of the core.
    count : int
        Entries of the table.
    back : int
        The entry that follows the last one; 0 where the whole table repeats.
    hold : int
        The count is divided by this first.
    up, down : int
        Settings of what is counted.
    """

    by: str = "NOTHING"
    count: int = 1
    back: int = 0
    hold: int = 1
    up: int = 0
    down: int = 0

    def at(self, m: BitStream, index: Index) -> Index:
        """The entry at positions given by their index in the order of reading."""
        count = _COUNTS[self.by](self, m, index)
        return (count if self.hold == 1 else count // self.hold) % self.count


def _number(lead: Lead, m: BitStream, index: Index) -> Index:
    """The bits under the mask `up`, the last one read lowest, as a number."""
    value = np.zeros(len(index), np.int64)
    for back in range(lead.up.bit_length()):
        value += m.one_at(index, back).astype(np.int64) << back
    return value


def _density(lead: Lead, m: BitStream, index: Index) -> Index:
    """The share of ones in the last `up` bits, in `down` steps."""
    ones, seen = m.recent(index, lead.up)
    # round half up in whole numbers, so that a machine without fractions gets the same
    return (2 * ones * (lead.down - 1) + seen) // (2 * seen)


_COUNTS: dict[str, Callable[[Lead, BitStream, Index], Index]] = {
    "NOTHING": lambda lead, m, i: np.zeros_like(i),
    "ROW": lambda lead, m, i: m.row(i),
    "POSITION": lambda lead, m, i: m.position(i),
    "STEP": lambda lead, m, i: i % m.positions,
    "SLOT": lambda lead, m, i: m.since_start(m.slot(i)),
    "PLACE": lambda lead, m, i: m.in_character(i),
    "CHARACTER": lambda lead, m, i: m.character(i),
    "VALUE": lambda lead, m, i: m.value(i),
    "LAST_UNIT": lambda lead, m, i: m.value(i, back=1),
    "NUMBER": _number,
    "WALK": lambda lead, m, i: m.steps_until(i, lead.up, -lead.down),
    "RUN": lambda lead, m, i: m.run_until(i),
    "GAP": lambda lead, m, i: m.gap_until(i),
    "ONES": lambda lead, m, i: np.maximum(m.ones_until(i) - 1, 0),
    "DENSITY": _density,
    "PLAN": lambda lead, m, i: m.planned(lead.up, i),
}
"""What the core counts, from a bit stream. Bars and notes are counted where they are known."""

NOTHING = Lead()


@dataclass(frozen=True, eq=False)
class Degrees:
    """A scheme's degrees along one or two leads, shape (second.count, first.count).

    `row_step` is added for each row.
    """

    first: Lead
    second: Lead
    values: Index
    row_step: int = 0


def along(lead: Lead, values: Index, row_step: int = 0) -> Degrees:
    """Degrees along one lead."""
    return Degrees(lead, NOTHING, np.asarray(values, np.int64).reshape(1, -1), row_step)


def eventually_periodic(
    entry: Callable[[Index], NDArray[np.generic]], most: int
) -> tuple[int, int]:
    """The length of the shortest table that gives a sequence, and the entry it loops back to.

    Parameters
    ----------
    entry : callable
        Values (any shape after the first axis) for the counts 0, 1, 2, ...
    most : int
        The longest table.

    Returns
    -------
    count, back : int

    Raises
    ------
    Refusal
        The sequence does not repeat soon enough.
    """
    n = max(_LOOK_AHEAD, 4 * most)
    values = entry(np.arange(n)).reshape(n, -1)
    back_values = values[::-1]
    for period in range(1, most + 1):
        same = (back_values[:-period] == back_values[period:]).all(axis=1)
        stray = np.flatnonzero(~same)
        back = n - period - int(stray[0]) if len(stray) else 0
        # it must repeat at least three times before the look-ahead ends
        if back + period <= most and n - back >= 3 * period:
            return back + period, back
    raise Refusal("it repeats too late to fit a table (use a shorter pattern or span)")


def common(a: Lead, b: Lead) -> Lead | None:
    """One lead through two tables that are both repeated along one count, if there is one."""
    if (a.by, a.hold, a.up, a.down) != (b.by, b.hold, b.up, b.down) or a.back or b.back:
        return None
    count = math.lcm(a.count, b.count)
    return Lead(a.by, count, 0, a.hold, a.up, a.down) if count <= MAX_TABLE else None
