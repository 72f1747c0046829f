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
from sonify.player.timeline import Timeline, read_times
from sonify.recover.sources.midi.matcher import MOST_AHEAD, Heard
from sonify.setup import Setup

__all__ = ["Place", "aligned", "likeliest", "on_positions", "places_of", "units_of"]

MOST_ROWS = 4096
TRIED = 36
"""Places that are tried out, the likeliest."""
BEGINNINGS = 2
LOOKED_AT = 2000
FIRST_ROWS = 4
CHANCE_DISCS = 6
FEWEST = 12
SMOOTHED = 15

Floats = NDArray[np.float64]


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
                fit, grid = _timeline(setup, used + 1 + MOST_AHEAD, count, position_s)
                out.append(Place(fit, grid, used, first, outside))

    def cost(p: Place) -> tuple[float, float, int]:
        # few notes between rows, a count near the player's, a beginning with the recording
        away = abs(np.log(p.timeline.positions / about))
        lead = 6 * p.outside + 10 * float(away) + 0.01 * abs(p.first - begins)
        return (round(lead, 4), abs(p.first - begins), p.first)

    out.sort(key=cost)
    return out[:LOOKED_AT]


def on_positions(notes: NDArray[np.void], setup: Setup, positions: int) -> NDArray[np.bool_] | None:
    """Which notes, by channel and key, the mapping never lays between positions.

    None where those are too few to go by.
    """
    timeline, grid = _timeline(setup, FIRST_ROWS, positions, setup.player.turn_s / positions)
    bits = np.random.default_rng(13).integers(0, 2, (CHANCE_DISCS, 4 * positions), np.int8)
    parts = untuned_parts(setup.music, Trials.side_by_side(bits, timeline, 7), grid)
    between = [
        p.channel * 128 + np.rint(p.pitch[p.on % grid.step_ticks > 0]).astype(int) for p in parts
    ]
    key = notes["channel"].astype(int) * 128 + notes["pitch"]
    out: NDArray[np.bool_] = ~np.isin(key, np.concatenate(between))
    return out if len(np.unique(notes["on_s"][out])) >= FEWEST else None


def _codes(music: Music, place: Place, unit_bits: int) -> list[NDArray[np.int64]]:
    """The first rows' notes of some chance discs, as numbers of their ticks and channels."""
    rows = min(FIRST_ROWS, place.used)
    size = rows * place.timeline.positions
    bits = np.random.default_rng(11).integers(0, 2, (CHANCE_DISCS, size), np.int8)
    bits[0], bits[1] = 0, 1
    trials = Trials.side_by_side(bits, place.timeline, unit_bits)
    parts = untuned_parts(music, trials, place.grid)
    on = np.concatenate([p.on for p in parts])
    index = np.concatenate([p.index for p in parts])
    pitch = np.rint(np.concatenate([p.pitch for p in parts])).astype(np.int64)
    trial = index // trials.span
    tick = on - trial * (trials.apart * place.grid.step_ticks)
    code = tick * 128 + pitch
    return [code[trial == k] for k in range(CHANCE_DISCS)]


def _certain(music: Music, place: Place, unit_bits: int = 7) -> Floats:
    """When notes sound in the first rows whatever the bits are, in ticks."""
    lots = [np.unique(c // 128) for c in _codes(music, place, unit_bits)]
    ticks, count = np.unique(np.concatenate(lots), return_counts=True)
    out: Floats = ticks[count == CHANCE_DISCS].astype(np.float64)
    return out


def _share(heard: Heard, certain: Floats, step: int) -> float:
    """How many of the notes that sound whatever the bits are were heard, as a share."""
    if not len(certain):
        return 1.0
    on = np.sort(heard.on)
    right = np.clip(np.searchsorted(on, certain), 0, len(on) - 1)
    before = np.abs(on[np.maximum(right - 1, 0)] - certain)
    nearest = np.minimum(np.abs(on[right] - certain), before)
    return float((nearest <= 0.25 * step).mean())


def likeliest(places: list[Place], hear: Callable[[Place], Heard], music: Music) -> list[Place]:
    """The places on which the notes that always sound were heard, the best few.

    The best beginnings for each count of positions come first, then the next best.
    """
    if len(places) < 2:
        return places
    certain: dict[int, Floats] = {}
    share = []
    for p in places:
        count = p.timeline.positions
        if count not in certain:
            certain[count] = _certain(music, p)
        share.append(round(_share(hear(p), certain[count], p.grid.step_ticks), 1))
    best = max(share)
    order = [k for k in sorted(range(len(places)), key=lambda k: (-share[k], k))
             if share[k] >= best - 0.3]  # fmt: skip
    turn: dict[int, int] = {}
    ranked = []
    for k in order:
        count = places[k].timeline.positions
        ranked.append((turn.get(count, 0) // BEGINNINGS, -share[k], k))
        turn[count] = turn.get(count, 0) + 1
    return [places[k] for _, _, k in sorted(ranked)[:TRIED]]


def aligned(heard: Heard, music: Music, place: Place, unit_bits: int) -> Heard:
    """The same notes moved onto the places at which the mapping may put notes.

    Notes that swing, are strummed or humanised lie beside the even grid that the pulse follows,
    so the grid comes out a little early or late, here and there. The notes of chance discs show
    where notes may lie at all; what was heard is moved by what it is off from those, on average
    over `SMOOTHED` notes.
    """
    size = place.timeline.rows * place.timeline.positions
    bits = np.random.default_rng(12).integers(0, 2, (2 * CHANCE_DISCS, size), np.int8)
    trials = Trials.side_by_side(bits, place.timeline, unit_bits)
    parts = untuned_parts(music, trials, place.grid)
    step = place.grid.step_ticks
    ticks = trials.apart * step
    may = np.unique(np.concatenate([p.on - p.index // trials.span * ticks for p in parts]))
    if len(may) < 2:
        return heard
    on = heard.on

    def off(at: Floats) -> Floats:
        right = np.clip(np.searchsorted(may, at), 1, len(may) - 1)
        before, after = at - may[right - 1], may[right] - at
        return np.where(before <= after, before, -after)

    shifts = np.arange(-0.5, 0.5, 0.02) * step
    near = [float((np.abs(off(on - s)) < 0.06 * step).mean()) - 1e-4 * abs(s) for s in shifts]
    on = on - shifts[int(np.argmax(near))]
    width = min(SMOOTHED, len(on) // 2 * 2 - 1)
    if width >= 5:
        order = np.argsort(on, kind="stable")
        left = np.pad(off(on)[order], width // 2, mode="reflect")
        local = np.median(np.lib.stride_tricks.sliding_window_view(left, width), axis=1)
        on[order] -= local
    return replace(heard, on=on, off=heard.off + (on - heard.on))


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
    step = place.grid.step_ticks
    share = {u: round(_share(heard, _certain(music, place, u), step), 2) for u in out}
    return [u for u in sorted(out, key=lambda u: -share[u]) if share[u] > max(share.values()) - 0.3]
