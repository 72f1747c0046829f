"""Where the recorded notes lie on a disc: positions of a turn, rows, and the first one's place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.music.metre import Grid, grid_of, rows_to_bars
from sonify.player.reading import Timeline, read_times
from sonify.setup import Setup

__all__ = ["Place", "places_of"]

MOST_ROWS = 4096


@dataclass(frozen=True, eq=False)
class Place:
    """One way in which the notes may lie on a disc.

    `first` is the slot of the first note; `outside` the share of notes that fall between rows.
    """

    timeline: Timeline
    grid: Grid
    first: int
    outside: float


def _timeline(setup: Setup, rows: int, positions: int, position_s: float) -> tuple[Timeline, Grid]:
    import msgspec

    rpm = 60.0 / (position_s * positions)
    player = msgspec.structs.replace(setup.player, rpm=rpm)
    grid = grid_of(setup.music, positions)
    timeline = read_times(rows, positions, player)
    if setup.music.timing == "bars":
        timeline = rows_to_bars(timeline, grid, player)
    return timeline, grid


def places_of(
    slots: NDArray[np.int64],
    setup: Setup,
    position_s: float,
    positions: int | None,
    rows: int | None,
    begins: int,
) -> list[Place]:
    """Ways to lay the notes on a disc, the best first.

    Parameters
    ----------
    slots : ndarray
        Whole positions from the first note's on.
    position_s : float
    positions, rows : int or None
        As far as they are known.
    begins : int
        The slot of the first note, if the recording began with the reading.
    """
    about = setup.player.turn_s / position_s
    if positions is not None:
        counts = [positions]
    else:
        near = round(about)
        counts = sorted(
            range(max(4, int(about * 0.78)), int(about * 1.28) + 2), key=lambda c: abs(c - near)
        )
    out: list[Place] = []
    span = int(slots.max()) + 1
    for count in counts:
        probe, _ = _timeline(setup, 2, count, position_s)
        stride = int(probe.row_slot[1]) if probe.rows > 1 else count
        most = min(MOST_ROWS, span // max(stride, 1) + 2)
        timeline, grid = _timeline(setup, rows or most, count, position_s)
        starts = {begins} if 0 <= begins < count else set()
        starts |= set(range(min(count, stride)))
        for first in starts:
            at = slots + first
            row = np.searchsorted(timeline.row_slot, at, "right") - 1
            inside = at - timeline.row_slot[row] < count
            outside = float(1 - inside.mean())
            used = int(row[inside].max()) + 1 if inside.any() else 1
            if outside < 0.2:
                fit = timeline
                if rows is None:
                    fit, grid = _timeline(setup, used, count, position_s)
                out.append(Place(fit, grid, first, outside))

    def cost(p: Place) -> tuple[float, float, int]:
        # few notes between rows, a count near the player's, a beginning with the recording
        away = abs(np.log(p.timeline.positions / about))
        lead = 6 * p.outside + 10 * float(away) + 0.01 * abs(p.first - begins)
        return (round(lead, 4), abs(p.first - begins), p.first)

    out.sort(key=cost)
    return out[:400]
