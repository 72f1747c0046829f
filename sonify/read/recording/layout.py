"""Where the recorded notes lie on a disc: positions of a turn, rows, and the first one's place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.music.metre import Grid, grid_of, rows_to_bars
from sonify.music.notes import untuned_parts
from sonify.music.settings import Music
from sonify.music.trials import Trials
from sonify.player.reading import Timeline, read_times
from sonify.read.recording.ear import Heard
from sonify.setup import Setup

__all__ = ["Place", "likeliest", "places_of", "units_of"]

MOST_ROWS = 4096
TRIED = 10
"""Places that are tried out, the likeliest."""
LOOKED_AT = 160
FIRST_ROWS = 4
CHANCE_DISCS = 4


@dataclass(frozen=True, eq=False)
class Place:
    """One way in which the notes may lie on a disc.

    Attributes
    ----------
    timeline : Timeline
        Of one row more than notes begin in, so that the last one may have a row after it.
    grid : Grid
    used : int
        Rows in which notes begin.
    first : int
        The slot of the first note.
    outside : float
        The share of notes that fall between rows.
    """

    timeline: Timeline
    grid: Grid
    used: int
    first: int
    outside: float

    def timeline_of(self, rows: int) -> Timeline:
        """The reading of so many rows."""
        return replace(
            self.timeline, row_slot=self.timeline.row_slot[:rows],
            row_first=self.timeline.row_first[:rows],
        )  # fmt: skip


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
    exact: bool = False,
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
    exact : bool
        Whether it did.
    """
    about = setup.player.turn_s / position_s
    if positions is not None:
        counts = [positions]
    elif exact:
        counts = [max(1, round(about))]
    else:
        near = round(about)
        counts = sorted(
            range(max(4, int(about * 0.78)), int(about * 1.28) + 2), key=lambda c: abs(c - near)
        )
    out: list[Place] = []
    span = int(slots.max()) + 1
    for count in counts:
        probe, _ = _timeline(setup, 2, count, position_s)
        stride = int(probe.row_slot[1])
        most = min(MOST_ROWS, (span + begins * exact) // max(stride, 1) + 2)
        timeline, grid = _timeline(setup, most, count, position_s)
        starts = {begins} if exact or 0 <= begins < count else set()
        if not exact:
            starts |= set(range(min(count, stride)))
        for first in starts:
            at = slots + first
            row = np.searchsorted(timeline.row_slot, at, "right") - 1
            inside = at - timeline.row_slot[row] < count
            used = rows or int(row.max()) + 1
            outside = float(1 - inside.mean())
            if exact or outside < 0.35:
                fit, grid = _timeline(setup, used + 2, count, position_s)
                out.append(Place(fit, grid, used, first, outside))

    def cost(p: Place) -> tuple[float, float, int]:
        # few notes between rows, a count near the player's, a beginning with the recording
        away = abs(np.log(p.timeline.positions / about))
        lead = 6 * p.outside + 10 * float(away) + 0.01 * abs(p.first - begins)
        return (round(lead, 4), abs(p.first - begins), p.first)

    out.sort(key=cost)
    return out[:LOOKED_AT]


def _codes(music: Music, place: Place, unit_bits: int) -> list[NDArray[np.int64]]:
    """The first rows' notes of some chance discs, as numbers of their ticks and channels."""
    rows = min(FIRST_ROWS, place.used)
    size = rows * place.timeline.positions
    bits = np.random.default_rng(11).integers(0, 2, (CHANCE_DISCS, size), np.int8)
    trials = Trials.side_by_side(bits, place.timeline, unit_bits)
    parts = untuned_parts(music, trials, place.grid)
    on = np.concatenate([p.on for p in parts])
    index = np.concatenate([p.index for p in parts])
    pitch = np.rint(np.concatenate([p.pitch for p in parts])).astype(np.int64)
    trial = index // trials.span
    tick = on - trial * (trials.apart * place.grid.step_ticks)
    code = tick * 128 + pitch
    return [code[trial == k] for k in range(CHANCE_DISCS)]


def _share(heard: Heard, music: Music, place: Place, unit_bits: int = 7) -> float:
    """How many of the notes that sound whatever the bits are were heard, as a share."""
    lots = [np.unique(c // 128) for c in _codes(music, place, unit_bits)]
    ticks, count = np.unique(np.concatenate(lots), return_counts=True)
    certain = ticks[count == CHANCE_DISCS]
    if not len(certain):
        return 1.0
    on = np.sort(heard.on)
    right = np.clip(np.searchsorted(on, certain), 0, len(on) - 1)
    nearest = np.minimum(
        np.abs(on[right] - certain), np.abs(on[np.maximum(right - 1, 0)] - certain)
    )
    return float((nearest <= 0.25 * place.grid.step_ticks).mean())


def likeliest(places: list[Place], hear: Callable[[Place], Heard], music: Music) -> list[Place]:
    """The places on which the notes that always sound were heard, the best few."""
    if len(places) < 2:
        return places
    share = [_share(hear(p), music, p) for p in places]
    order = sorted(range(len(places)), key=lambda k: (-round(share[k], 1), k))
    return [places[k] for k in order[:TRIED]]


def units_of(music: Music, place: Place, heard: Heard, units: tuple[int, ...]) -> list[int]:
    """Those sizes of a code unit that make a difference to the music, the likeliest first."""
    out: list[int] = []
    seen: list[list[NDArray[np.int64]]] = []
    for unit in units:
        codes = _codes(music, place, unit)
        alike = any(
            all(np.array_equal(a, b) for a, b in zip(codes, other, strict=True)) for other in seen
        )
        if not alike:
            out.append(unit)
            seen.append(codes)
    share = {u: round(_share(heard, music, place, u), 2) for u in out}
    return [u for u in sorted(out, key=lambda u: -share[u]) if share[u] > max(share.values()) - 0.3]
