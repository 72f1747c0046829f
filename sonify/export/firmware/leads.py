"""Leads: what a core can count while it reads, and tables of finite length along such counts.

A pitch scheme becomes one or two leads and a table of tones. The core knows the count (the row,
the place within the character, the last bits as a number, ...), takes it modulo the table's
length, or lets it go round the table's end, and looks the tone up. No arithmetic with degrees,
scales or octaves is left for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOTHING", "Lead", "Refusal", "eventually_periodic", "mask_lead"]

Index = NDArray[np.int64]

MAX_TABLE = 4096
_LOOK_AHEAD = 2048


class Refusal(Exception):
    """Why a machine that reads bit by bit can't follow something. The text is the reason."""


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
        Where it goes on after its last entry; 0 where it is simply repeated.
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
        # repeated at least thrice to the end of what was looked at
        if back + period <= most and n - back >= 3 * period:
            return back + period, back
    raise Refusal("it goes on changing from row to row for too long for a table")


def mask_lead(which: NDArray[np.bool_], most: int) -> tuple[int, int]:
    """`eventually_periodic` for a mask that was worked out far enough."""

    def entry(at: Index) -> NDArray[np.bool_]:
        return which[at]

    return eventually_periodic(entry, most)


def common(a: Lead, b: Lead) -> Lead | None:
    """One lead through two tables that are both repeated along one count, if there is one."""
    if (a.by, a.hold, a.up, a.down) != (b.by, b.hold, b.up, b.down) or a.back or b.back:
        return None
    count = math.lcm(a.count, b.count)
    return Lead(a.by, count, 0, a.hold, a.up, a.down) if count <= MAX_TABLE else None
