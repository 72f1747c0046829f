"""Where recorded notes may lie on a disc: positions per turn, rows, and the first note's slot."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline, read_times
from sonify.music.metre import Grid, grid_of, rows_to_bars
from sonify.music.settings import Music
from sonify.music.trials import Trials
from sonify.performance_settings import Setup
from sonify.recover.sources.midi.matcher import MOST_AHEAD
from sonify.recover.sources.midi.position_clock import PositionClock, windows
from sonify.recover.sources.midi.trial_notes import NoteEvents, TrialNotes, notes_of_trials
from sonify.recover.sources.options import ReadOptions

__all__ = ["Placement", "aligned", "likeliest", "on_positions", "placements", "units_of"]

MOST_ROWS = 4096  # far more than fit on any disc at a row pitch that can be cut
TRIED = 36  # placements that are searched
FIRST_NOTES = 2  # slots of the first note that are tried for each number of positions at a time
LOOKED_AT = 2000  # placements that are compared with the notes that always sound
SPEED = (0.78, 1.28)  # how far a player's speed may be from its profile, as a factor
BETWEEN = 0.35  # share of notes between rows from which on a placement is out
FIRST_ROWS = 4  # rows of the random discs that show what a mapping does
RANDOM_DISCS = 6
FEWEST = 12  # onsets from which on the speed can be told
SMOOTHED = 15  # notes over which deviations from the grid are averaged: a third of a row or so

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Placement:
    """One way in which the notes may lie on a disc.

    Attributes
    ----------
    timeline : Timeline
        Has more rows than notes begin in, so that later rows may still produce some.
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


def _timeline(setup: Setup, rows: int, positions: int, position_s: float) -> tuple[Timeline, Grid]:
    import msgspec

    player = msgspec.structs.replace(setup.player, rpm=60.0 / (position_s * positions))
    grid = grid_of(setup.music, positions)
    timeline = read_times(rows, positions, player)
    if setup.music.timing == "bars":
        timeline = rows_to_bars(timeline, grid, player)
    return timeline, grid


def placements(
    clock: PositionClock, setup: Setup, options: ReadOptions, begins: int
) -> list[Placement]:
    """All ways to lay the notes on a disc, the best first.

    Parameters
    ----------
    clock : PositionClock
    setup : Setup
    options : ReadOptions
        With positions and rows, as far as they are known.
    begins : int
        The slot of the first note; certain if the clock is exact, and else true if the recording
        began with the reading.
    """
    about = setup.player.turn_s / clock.position_s
    counts = [options.positions or max(1, round(about))]
    if options.positions is None and not clock.exact:
        low, high = (int(about * s) for s in SPEED)
        counts = sorted(range(max(4, low), high + 2), key=lambda c: abs(c - round(about)))
    slots = np.rint(clock.onset).astype(np.int64)
    slots -= slots.min()
    length = int(slots.max()) + 1 + begins * clock.exact
    out: list[Placement] = []
    for count in counts:
        stride = int(_timeline(setup, 2, count, clock.position_s)[0].row_slot[1])
        most = min(MOST_ROWS, length // max(stride, 1) + 2)
        timeline, _ = _timeline(setup, most, count, clock.position_s)
        starts = {begins} if clock.exact else set(range(min(count, stride)))
        for first in starts | ({begins} & set(range(count))):
            at = slots + first
            row = np.searchsorted(timeline.row_slot, at, "right") - 1
            outside = float(1 - (at - timeline.row_slot[row] < count).mean())
            if clock.exact or outside < BETWEEN:
                used = options.rows or int(row.max()) + 1
                fit, grid = _timeline(setup, used + 1 + MOST_AHEAD, count, clock.position_s)
                out.append(Placement(fit, grid, used, first, outside))

    def cost(p: Placement) -> tuple[float, float, int]:
        # few notes between rows, a count near the player's, and a start near the recording's
        away, late = float(abs(np.log(p.timeline.positions / about))), abs(p.first - begins)
        return round(6 * p.outside + 10 * away + 0.01 * late, 4), late, p.first

    return sorted(out, key=cost)[:LOOKED_AT]


def _random_discs(
    music: Music, timeline: Timeline, grid: Grid, unit_bits: int, seed: int, rows: int,
    count: int = RANDOM_DISCS, constant: bool = False,
) -> TrialNotes:  # fmt: skip
    """The notes of the first rows of random discs; with `constant`, the first disc is all zeros
    and the second all ones."""
    bits = np.random.default_rng(seed).integers(0, 2, (count, rows * timeline.positions), np.int8)
    if constant:
        bits[0], bits[1] = 0, 1
    return notes_of_trials(music, Trials.side_by_side(bits, timeline, unit_bits), grid)


def on_positions(notes: NDArray[np.void], setup: Setup, positions: int) -> NDArray[np.bool_] | None:
    """Which recorded notes have a channel and key that the mapping never puts between positions.

    None if those are too few to go by.
    """
    timeline, grid = _timeline(setup, FIRST_ROWS, positions, setup.player.turn_s / positions)
    trial = _random_discs(setup.music, timeline, grid, 7, 13, FIRST_ROWS)
    between = (trial.channel * 128 + trial.key)[trial.on % grid.step_ticks > 0]
    out: NDArray[np.bool_] = ~np.isin(notes["channel"].astype(int) * 128 + notes["pitch"], between)
    return out if len(np.unique(notes["on_s"][out])) >= FEWEST else None


def _first_notes(music: Music, place: Placement, unit_bits: int) -> list[Ints]:
    """The first rows' notes of each random disc, as tick * 128 + key."""
    rows = min(FIRST_ROWS, place.used)
    notes = _random_discs(music, place.timeline, place.grid, unit_bits, 11, rows, constant=True)
    return [(notes.on * 128 + notes.key)[notes.trial == k] for k in range(RANDOM_DISCS)]


def _from_nearest(at: Floats, grid: NDArray[np.float64] | Ints) -> Floats:
    """How far points lie after the nearest of several sorted ones."""
    right = np.clip(np.searchsorted(grid, at), 1, len(grid) - 1)
    before, after = at - grid[right - 1], grid[right] - at
    return np.where(before <= after, before, -after)


def _share(recorded: NoteEvents, first_notes: list[Ints], step: int) -> float:
    """The share of the notes that sound in the first rows whatever the bits are that was
    recorded."""
    always = reduce(np.intersect1d, [c // 128 for c in first_notes]).astype(np.float64)
    if not len(always):
        return 1.0
    return float((np.abs(_from_nearest(always, np.sort(recorded.on))) <= 0.25 * step).mean())


def likeliest(
    places: list[Placement], on_grid: Callable[[Placement], NoteEvents], music: Music
) -> list[Placement]:
    """The placements on which the notes that always sound were recorded.

    The best first notes for each number of positions come first, then the next best.
    """
    if len(places) < 2:
        return places
    first: dict[int, list[Ints]] = {}
    share = []
    for p in places:
        count = p.timeline.positions
        if count not in first:
            first[count] = _first_notes(music, p, 7)
        share.append(round(_share(on_grid(p), first[count], p.grid.step_ticks), 1))
    best = max(share)
    turn: Counter[int] = Counter()
    ranked = []
    for k in sorted(range(len(places)), key=lambda k: -share[k]):
        if share[k] >= best - 0.3:
            count = places[k].timeline.positions
            ranked.append((turn[count] // FIRST_NOTES, -share[k], k))
            turn[count] += 1
    return [places[k] for _, _, k in sorted(ranked)[:TRIED]]


def aligned(recorded: NoteEvents, music: Music, place: Placement, unit_bits: int) -> NoteEvents:
    """Shift notes onto the ticks at which the mapping puts notes.

    Swung, strummed or humanised notes lie beside the even grid that the position clock follows,
    so the clock comes out a little early or late in places. The notes of random discs show at
    which ticks notes occur at all. Recorded notes are shifted by the median of their distances
    from those over `SMOOTHED` notes.
    """
    notes = _random_discs(
        music, place.timeline, place.grid, unit_bits, 12, place.timeline.rows, 2 * RANDOM_DISCS
    )
    ticks, step = np.unique(notes.on), place.grid.step_ticks
    if len(ticks) < 2:
        return recorded
    on = recorded.on
    shifts = np.arange(-0.5, 0.5, 0.02) * step
    near = [
        float((np.abs(_from_nearest(on - s, ticks)) < 0.06 * step).mean()) - 1e-4 * abs(s)
        for s in shifts
    ]
    on = on - shifts[int(np.argmax(near))]
    width = min(SMOOTHED, len(on) // 2 * 2 - 1)
    if width >= 5:
        order = np.argsort(on, kind="stable")
        left = _from_nearest(on, ticks)[order]
        on[order] -= np.median(windows(left, width, "reflect"), axis=1)
    return replace(recorded, on=on, off=recorded.off + (on - recorded.on))


def units_of(
    music: Music, place: Placement, recorded: NoteEvents, units: tuple[int, ...]
) -> list[int]:
    """Those sizes of a code unit that give different music, the likeliest first."""
    share: dict[int, float] = {}
    seen: list[list[Ints]] = []
    for unit in units:
        first = _first_notes(music, place, unit)
        if not any(all(map(np.array_equal, first, other)) for other in seen):
            seen.append(first)
            share[unit] = round(_share(recorded, first, place.grid.step_ticks), 2)
    best = max(share.values())
    return sorted((u for u in share if share[u] > best - 0.3), key=lambda u: -share[u])
