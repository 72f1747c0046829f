"""Rings of holes: grouped by radius, tested for even spacing, and fitted to evenly pitched rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Ladder",
    "Ring",
    "common_positions",
    "evenly_spaced",
    "phase_of",
    "rings_of",
    "row_ladder",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Ring:
    """Holes at one radius: `members` are indices into the holes."""

    radius: float
    members: NDArray[np.int64]


def rings_of(radius: Floats, hole: float) -> list[Ring]:
    """Holes grouped by radius, outermost first; a step of 0.4 hole diameters begins a new ring."""
    order = np.argsort(-radius, kind="stable")
    steps = np.flatnonzero(-np.diff(radius[order]) > 0.4 * hole) + 1
    return [Ring(float(np.median(radius[m])), m) for m in np.split(order, steps) if len(m)]


def evenly_spaced(angles: Floats) -> bool:
    """Whether a ring has a hole at every one of its own count of positions."""
    n = len(angles)
    turns = np.sort(angles % 360) / 360 * n
    gaps = np.diff(turns, append=turns[0] + n)
    return bool(gaps.min() > 0.7 and gaps.max() < 1.3 and phase_of(angles, n)[1] > 0.95)


def phase_of(angles: Floats, positions: int) -> tuple[float, float]:
    """Where the grid of `positions` lies, in positions clockwise of 0, and how well it fits.

    The fit is the length of the mean of the holes' unit vectors: 1 when all lie on the grid.
    """
    if len(angles) == 0:
        return 0.0, 0.0
    mean = np.exp(2j * np.pi * angles / 360 * positions).mean()
    phase = float(np.angle(mean) / (2 * np.pi))
    return phase, float(abs(mean))


def common_positions(angles: Floats, most: int = 4096) -> tuple[int, float]:
    """The fewest positions on whose grid (nearly) all holes lie, and its phase; 0 for none."""
    n = len(angles)
    if n < 6:
        return 0, 0.0
    turns = np.exp(2j * np.pi * angles / 360)
    power = np.ones_like(turns)
    limit = min(most, max(16, 4 * n))
    # a grid with far more places than holes would fit anything
    for count in range(1, limit + 1):
        power = power * turns
        if count < 3:
            continue
        if abs(power.mean()) > 0.95:
            return count, phase_of(angles, count)[0]
    return 0, 0.0


class Ladder(NamedTuple):
    """The radii of the rows, outermost first; rings that are not rows; what to say about them."""

    radii: Floats
    strays: list[Ring]
    notes: list[str]


def row_ladder(
    rings: list[Ring], positions: int, hole: float, clock_radius: float | None
) -> Ladder:
    """The rows that rings form, with rows that have no hole filled in."""
    strong = [r for r in rings if len(r.members) >= max(2, 0.12 * positions)]
    if len(strong) < 2:
        # a short text: its last row may have only a hole or two
        strong = sorted(rings, key=lambda r: -len(r.members))[:2]
        strong.sort(key=lambda r: -r.radius)
    weak = [r for r in rings if r not in strong]
    radii = np.array([r.radius for r in strong])
    if len(radii) < 2:
        return Ladder(radii, weak, [])
    gaps = -np.diff(radii)
    steps = np.rint(gaps / gaps.min())
    if np.abs(gaps / gaps.min() - steps).max() >= 0.2:
        note = "the rows are not evenly pitched; each is placed where its holes are"
        return Ladder(np.array([r.radius for r in rings]), [], [note])
    pitch = float(gaps.sum() / steps.sum())
    rungs = np.concatenate([[0.0], np.cumsum(steps)])
    # rows with few holes may lie past the outermost or innermost of the others
    strays = []
    for ring in weak:
        rung = (radii[0] - ring.radius) / pitch
        beyond_clock = (
            clock_radius is not None
            and (clock_radius - radii[0]) * (clock_radius - ring.radius) < 0
        )
        if abs(rung - round(rung)) * pitch < 0.2 * hole and not beyond_clock:
            rungs = np.append(rungs, round(rung))
        else:
            strays.append(ring)
    first = rungs.min()
    every = np.arange(first, rungs.max() + 1)
    out = radii[0] - every * pitch
    # where rings were seen, their own radius is better than the ladder's
    for ring in strong:
        out[round((radii[0] - ring.radius) / pitch - first)] = ring.radius
    empty = (np.setdiff1d(every, rungs) - first + 1).astype(int)
    notes = []
    if len(empty):
        which = ", ".join(map(str, empty[:12]))
        notes = [f"rows without a hole, judging by the even pitch of the others: {which}"]
    return Ladder(out, strays, notes)
