"""What a machine that reads bit by bit can count, and tables along such counts.

A pitch scheme becomes one or two leads and a table of degrees. The machine's core knows the count
(the row, the place within the character, the last bits as a number, ...), takes it modulo the
table's length, or goes back to where the table repeats, and looks the tone up. It needs no
arithmetic with degrees, scales or octaves.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "MAX_TABLE",
    "NOTHING",
    "Degrees",
    "Lead",
    "Machine",
    "Refusal",
    "along",
    "common",
    "counting",
    "eventually_periodic",
]

Index = NDArray[np.int64]

MAX_TABLE = 4096
_LOOK_AHEAD = 2048


class Refusal(Exception):
    """Why a machine that reads bit by bit can't follow something. The text is the reason."""


@dataclass(frozen=True)
class Machine:
    """What of the disc and the player tables and rules depend on; `gap` lies between two rows."""

    positions: int
    unit_bits: int
    straight: bool
    gap: int = 0

    @property
    def stride(self) -> int:
        """Positions from one row to the next."""
        return self.positions + self.gap


@dataclass(frozen=True)
class Lead:
    """The way through a table.

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


def counting(**counts: Index) -> Any:
    """Counts by name, in place of a bit stream, for the entries of a table."""
    return SimpleNamespace(**{k: (lambda index, v=v: v[index]) for k, v in counts.items()})


def eventually_periodic(
    entry: Callable[[Index], NDArray[np.generic]], most: int
) -> tuple[int, int]:
    """Length and turning point of the shortest table that gives a sequence.

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
    raise Refusal("it repeats too late to fit a table")


def common(a: Lead, b: Lead) -> Lead | None:
    """One lead through two tables that are both repeated along one count, if there is one."""
    if (a.by, a.hold, a.up, a.down) != (b.by, b.hold, b.up, b.down) or a.back or b.back:
        return None
    count = math.lcm(a.count, b.count)
    return Lead(a.by, count, 0, a.hold, a.up, a.down) if count <= MAX_TABLE else None
