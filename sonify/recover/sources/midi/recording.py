"""A player's MIDI recording, with the presets it was played with, to a sighting of the disc."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.music.metre import grid_of
from sonify.recover.search.plain import best_text_evidence
from sonify.recover.sighting import Sighting, check_size
from sonify.recover.sources.midi.lost import lost_by
from sonify.recover.sources.midi.matcher import UNREADABLE, Matcher, Tolerance
from sonify.recover.sources.midi.note_events import read_recorded_midi
from sonify.recover.sources.midi.placement import (
    SPEED,
    Placement,
    aligned,
    likeliest,
    on_positions,
    placements,
    units_of,
)
from sonify.recover.sources.midi.position_clock import PositionClock, beat_clock, recovered_clocks
from sonify.recover.sources.midi.search import SearchLimits, Solution, search
from sonify.recover.sources.midi.trial_notes import BEND_STEPS, Budget, NoteEvents
from sonify.recover.sources.options import ReadOptions

if TYPE_CHECKING:
    from sonify.performance_settings import Setup

__all__ = ["read_recording"]

UNITS = (7, 8, 5)
"""Bits of a code unit in the alphabets, the commonest first."""
EXACT = 1e-9
FIT = 0.02
"""Differences per note below which the music is the preset's."""
CLEAR = 0.1
"""The same if the file's own beats fit."""
POOR = 0.4
"""Differences per note above which a recording is refused: other presets' leave more."""
MOST_NOTES = 50_000_000
"""Notes of trial discs after which no further placement is searched."""
HELD_OUT = 4
"""Placements that the wider searches look at: those that held out longest in the one before."""
ROW = 56
"""Positions of a row, to see which notes of a preset lie on positions, if they are not known."""
DOUBT = 2
"""Slots around a difference in which bits are in doubt."""
FEWEST = 4
"""Notes from which on the speed can be told: three gaps."""


_SEARCHES = (
    # nothing missing, as a program writes it and as a player plays it undisturbed
    SearchLimits(margin=0.4, per_row=2.5, width=512),
    # unreadable bits, which sound neither as ones nor as zeros
    SearchLimits(margin=1.6, per_row=2.5, width=64, symbols=(0, 1, -1)),
    # notes lost or added on the way; the cost per row follows from the notes per row
    SearchLimits(margin=1.6, per_row=0.0, width=48),
)


@dataclass(frozen=True, eq=False)
class _Way:
    """One way to lay a recording on a disc."""

    place: Placement
    recorded: NoteEvents
    clock: PositionClock
    unit_bits: int
    off: int


@dataclass(frozen=True, eq=False)
class _Reading:
    """One way to read a recording, and how many differences per note are left."""

    way: _Way
    solution: Solution
    left: float
    score: float


def read_recording(path: str | Path, options: ReadOptions) -> Sighting:
    """Find the disc that a MIDI recording was played from.

    Parameters
    ----------
    path : path
        A .mid, recorded from a player or written by `export`.
    options : ReadOptions
        The presets and settings that it was played with; positions and rows, if they are known.

    Raises
    ------
    InputError
        No disc fits, or the file can't be read.
    """
    path = Path(path)
    setup = options.setup()
    recording = read_recorded_midi(path, queue=True)
    notes = recording.notes
    if len(notes) < FEWEST:
        raise InputError(
            f"{len(notes)} notes are too few to tell a player's speed; record the whole disc",
            file=path,
        )
    # notes without an end sound to the end of the file
    for name, end in (("off_s", recording.seconds), ("off_beat", recording.beats)):
        notes[name] = np.where(np.isnan(notes[name]), end, notes[name])
    budget = Budget(MOST_NOTES)
    found: list[_Reading] = []
    for clock in _clocks(notes, setup, options, path):
        found += _read_by(notes, clock, setup, options, budget)
        if budget.spent or (found and _best(found).left < (CLEAR if clock.exact else FIT)):
            break
    why = ""
    if not found:
        why = (
            "its notes do not lie in rows as the player's profile has them, or are not those of "
            "the preset"
        )
    elif _best(found).left > POOR:
        left = f"{_best(found).left:.2f} differences per note are left"
        why = f"this preset does not explain its notes ({left})"
    if why:
        hint = "give the {preset} that it was played with, and {positions}"
        raise InputError(why, file=path, hint=hint)
    best = _best(found)
    check_size(best.solution.rows, best.way.place.timeline.positions, path)
    return _sighting(best, setup, options, recording.remarks)


def _best(found: list[_Reading]) -> _Reading:
    return min(found, key=lambda one: one.score)


def _clocks(
    notes: NDArray[np.void], setup: Setup, options: ReadOptions, path: Path
) -> list[PositionClock]:
    """The likely position clocks: the file's own beats, then those that the onsets suggest."""
    out = []
    turn_s, positions = setup.player.turn_s, options.positions
    exact = beat_clock(notes, grid_of(setup.music, 1).step_beats)
    if exact is not None:
        count = turn_s / exact.position_s
        if positions is not None or abs(count - round(count)) < 0.01 * count:
            out.append(exact)
    # discs have some two dozen to two hundred positions
    fewest, most = (24, 200) if positions is None else (positions, positions)
    low, high = turn_s / 640, turn_s / 6
    if positions is not None:
        low, high = (turn_s / positions * s for s in SPEED)

    def oddness(clock: PositionClock) -> float:
        count = turn_s / clock.position_s
        return float(max(0.0, np.log(fewest / count), np.log(count / most)))

    try:
        steady = on_positions(notes, setup, positions or ROW)
        found = recovered_clocks(notes["on_s"], notes["off_s"], low, high, path, steady)
    except InputError:
        if not out:
            raise
        return out
    return out + sorted(found, key=oddness)


def _read_by(
    notes: NDArray[np.void], clock: PositionClock, setup: Setup, options: ReadOptions,
    budget: Budget,
) -> list[_Reading]:  # fmt: skip
    """The readings by one clock."""
    if clock.exact:
        begins = int(np.floor(clock.onset.min() + 0.5))
    else:
        begins = round(float(notes["on_s"][0]) / clock.position_s)
    music = setup.music
    ways = []
    places = placements(clock, setup, options, begins)
    for place in likeliest(places, lambda p: _on_grid(p, notes, clock), music):
        recorded = _on_grid(place, notes, clock)
        for unit_bits in units_of(music, place, recorded, UNITS):
            moved = recorded if clock.exact else aligned(recorded, music, place, unit_bits)
            ways.append(_Way(place, moved, clock, unit_bits, abs(place.first - begins)))
    out: list[_Reading] = []
    for limits in _SEARCHES:
        if -1 in limits.symbols and not clock.exact:
            continue
        far: list[tuple[int, _Way]] = []
        for way in ways:
            one = _searched(way, setup, limits, budget)
            if isinstance(one, int):
                far.append((one, way))
            else:
                far.append((len(one.solution.bits), way))
                out.append(one)
            if budget.spent or (out and _best(out).left < EXACT):
                return out
        if out and _best(out).left < FIT and not clock.exact:
            return out
        ways = [way for _, way in sorted(far, key=lambda f: -f[0])[:HELD_OUT]]
    return out


def _searched(way: _Way, setup: Setup, limits: SearchLimits, budget: Budget) -> _Reading | int:
    place, recorded, step = way.place, way.recorded, way.place.grid.step_ticks
    exact, played = Tolerance(2.0, 2.0, 0.0), Tolerance(0.2 * step, 0.35 * step, 1.0)
    matcher = Matcher(
        recorded, setup.music, place.timeline, place.grid, way.unit_bits,
        exact if way.clock.exact else played, budget,
    )  # fmt: skip
    per_row = limits.per_row or 2.0 + 0.25 * len(recorded) / place.used
    found = search(matcher, place.used, replace(limits, per_row=per_row))
    if isinstance(found, int):
        return found
    # what unreadable bits cost is no difference between notes
    cost = found.cost - UNREADABLE * float((found.bits < 0).sum())
    line = _grid(np.where(found.lost, np.int8(-1), found.bits), place, found.rows).reshape(1, -1)
    text = best_text_evidence(line) if line.size >= min(UNITS) else 0.0
    score = 40 * cost / len(recorded) - 0.02 * text + 0.5 * (way.off > 0)
    return _Reading(way, found, cost / max(1, len(recorded)), score)


def _on_grid(place: Placement, notes: NDArray[np.void], clock: PositionClock) -> NoteEvents:
    onset = clock.onset
    if not clock.exact:
        onset = onset - np.rint(onset.min()) + place.first
    step = place.grid.step_ticks
    return NoteEvents(
        onset * step,
        (onset + clock.length) * step,
        notes["pitch"].astype(np.int64) * BEND_STEPS + notes["bend"],
        notes["velocity"].astype(np.int64),
        notes["channel"].astype(np.int64),
    )


def _grid(values: NDArray[Any], place: Placement, rows: int) -> NDArray[Any]:
    """Values in the order of reading as rows of positions."""
    out = np.empty_like(values)
    out[place.timeline.places()[: len(values)]] = values
    return out.reshape(rows, place.timeline.positions)


def _sighting(
    best: _Reading, setup: Setup, options: ReadOptions, remarks: tuple[str, ...]
) -> Sighting:
    way, found, clock = best.way, best.solution, best.way.clock
    place, positions = way.place, way.place.timeline.positions
    confidence = np.where(found.lost, 0.0, 0.99)
    says = list(remarks)
    if best.left > 0 and len(found.off):
        slots = place.timeline.slots()[: len(found.bits)]
        near = np.abs(slots - found.off[:, None]).min(axis=0) <= DOUBT
        confidence[~found.lost] -= min(0.2, best.left)
        confidence[near] = np.minimum(confidence[near], 0.5)
        doubtful = int((near & ~found.lost).sum())
        says.append(
            f"the notes differ from the preset's ({best.left:.3f} differences per note): some are "
            f"missing, added or changed, and {doubtful} bits near them are in doubt"
        )
    if unreadable := int((found.bits < 0).sum()):
        says.append(f"{unreadable} bits sound neither as ones nor as zeros; they are unreadable")
    lost = np.flatnonzero(found.lost)
    if len(lost):
        bits = "1 bit is" if len(lost) == 1 else f"{len(lost)} bits are"
        says.append(f"{bits} lost by the mapping: {lost_by(setup.music)}")
    if found.crowded:
        says.append(
            "more discs sound like this than could be followed; bits in which they differ are "
            "unknown"
        )
    rpm = 60 / (clock.position_s * positions)
    off = rpm / setup.player.rpm - 1
    if abs(off) > 0.001:
        says.append(f"the player turned at {rpm:.3f} rpm, {100 * off:+.2f} % off its profile")
    cautions = list(map(Caution, says))
    if options.positions is None and not clock.exact:
        text = f"{positions} positions follow from the player's speed and the rows"
        cautions.append(Caution(text, hint="{positions} settles it"))
    return Sighting(
        kind="recording",
        holes=_grid(found.bits, place, found.rows),
        confidence=_grid(confidence, place, found.rows).astype(np.float32),
        start_known=True,
        order_known=True,
        sense_known=True,
        cautions=tuple(cautions),
        facts={
            "rpm": rpm,
            "position_s": clock.position_s,
            "speed_swing": clock.swing,
            "differences_a_note": best.left,
            "lost_bits": len(lost),
        },
    )
