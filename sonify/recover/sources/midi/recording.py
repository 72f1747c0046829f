"""A player's MIDI recording, with the presets it was played with, to a sighting of the disc."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.music.metre import grid_of
from sonify.recover.search.plain import text_evidence
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
from sonify.recover.sources.midi.position_clock import (
    PositionClock,
    beat_clock,
    recovered_clocks,
)
from sonify.recover.sources.midi.search import SearchLimits, Solution, search
from sonify.recover.sources.midi.trial_notes import BEND_STEPS, Budget, NoteEvents
from sonify.recover.sources.options import ReadOptions

if TYPE_CHECKING:
    from sonify.setup import Setup

__all__ = ["read_recording"]

UNITS = (7, 8, 5)
"""Bits of a code unit in the alphabets, the commonest first."""
EXACT = 1e-9
FIT = 0.02
"""Differences per note below which the music is the preset's."""
CLEAR = 0.1
"""The same where the file's own beats fit."""
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


@dataclass(frozen=True)
class _Stage:
    """One search of all placements."""

    limits: SearchLimits
    symbols: tuple[int, ...] = (0, 1)
    exact_only: bool = False


_STAGES = (
    # nothing missing, as a program writes it and as a player plays it undisturbed
    _Stage(SearchLimits(margin=0.4, per_row=2.5, width=512)),
    # unreadable bits, which sound neither as ones nor as zeros
    _Stage(SearchLimits(margin=1.6, per_row=2.5, width=64), (0, 1, -1), exact_only=True),
    # notes lost or added on the way; the cost per row follows from the notes per row
    _Stage(SearchLimits(margin=1.6, per_row=0.0, width=48)),
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
    best: _Reading | None = None
    budget = Budget(MOST_NOTES)
    for clock in _clocks(notes, setup, options, path):
        best = _better(best, _read_by(notes, clock, setup, options, budget))
        if best is not None and best.left < (CLEAR if best.way.clock.exact else FIT):
            break
        if budget.spent:
            break
    hint = "give the {preset} that it was played with, and {positions}"
    if best is None:
        raise InputError(
            "its notes do not lie in rows as the player's profile has them, or are not those of "
            "the preset",
            file=path,
            hint=hint,
        )
    check_size(best.solution.rows, best.way.place.timeline.positions, path)
    if best.left > POOR:
        raise InputError(
            f"this preset does not explain its notes ({best.left:.2f} differences per note are "
            "left)",
            file=path,
            hint=hint,
        )
    return _sighting(best, setup, options, recording.remarks)


def _clocks(
    notes: NDArray[np.void], setup: Setup, options: ReadOptions, path: Path
) -> list[PositionClock]:
    """What may be the position clock: the file's own beats, then what the onsets alone tell."""
    out = []
    turn_s = setup.player.turn_s
    exact = beat_clock(notes, grid_of(setup.music, 1).step_beats)
    if exact is not None:
        count = turn_s / exact.position_s
        if options.positions is not None or abs(count - round(count)) < 0.01 * count:
            out.append(exact)
    if options.positions is not None:
        low, high = (turn_s / options.positions * s for s in SPEED)
    else:
        low, high = turn_s / 640, turn_s / 6

    def oddness(clock: PositionClock) -> float:
        count = turn_s / clock.position_s
        if options.positions is not None:
            return float(abs(np.log(count / options.positions)))
        # discs have some two dozen to two hundred positions
        return float(max(0.0, np.log(24 / count), np.log(count / 200)))

    try:
        steady = on_positions(notes, setup, options.positions or ROW)
        found = recovered_clocks(notes["on_s"], notes["off_s"], low, high, path, steady)
    except InputError:
        if not out:
            raise
        return out
    return out + sorted(found, key=oddness)


def _read_by(
    notes: NDArray[np.void], clock: PositionClock, setup: Setup, options: ReadOptions,
    budget: Budget,
) -> _Reading | None:  # fmt: skip
    """The best reading by one clock."""
    if clock.exact:
        begins = int(np.floor(clock.onset.min() + 0.5))
    else:
        begins = round(float(notes["on_s"][0]) / clock.position_s)
    music = setup.music
    ways = []
    for place in likeliest(
        placements(clock, setup, options, begins), lambda p: _on_grid(p, notes, clock), music
    ):
        recorded = _on_grid(place, notes, clock)
        for unit_bits in units_of(music, place, recorded, UNITS):
            moved = recorded if clock.exact else aligned(recorded, music, place, unit_bits)
            ways.append(_Way(place, moved, clock, unit_bits, abs(place.first - begins)))
    best: _Reading | None = None
    for stage in _STAGES:
        if stage.exact_only and not clock.exact:
            continue
        far = {}
        for way in ways:
            one = _searched(way, setup, stage, budget)
            far[id(way)] = one if isinstance(one, int) else len(one.solution.bits)
            if not isinstance(one, int):
                best = _better(best, one)
            if (best is not None and best.left < EXACT) or budget.spent:
                return best
        if best is not None and best.left < FIT and not clock.exact:
            return best
        ways = sorted(ways, key=lambda w: -far[id(w)])[:HELD_OUT]
    return best


def _better(a: _Reading | None, b: _Reading | None) -> _Reading | None:
    if a is None or b is None:
        return b if a is None else a
    return b if b.score < a.score else a


def _searched(way: _Way, setup: Setup, stage: _Stage, budget: Budget) -> _Reading | int:
    place, recorded, step = way.place, way.recorded, way.place.grid.step_ticks
    exact = Tolerance(2.0, 2.0, 0.0)
    played = Tolerance(0.2 * step, 0.35 * step, 1.0)
    matcher = Matcher(
        recorded, setup.music, place.timeline, place.grid, way.unit_bits,
        exact if way.clock.exact else played, budget,
    )  # fmt: skip
    limits = stage.limits
    if not limits.per_row:
        per_row = 2.0 + 0.25 * len(recorded) / place.used
        limits = SearchLimits(limits.margin, per_row, limits.width)
    found = search(matcher, place.used, limits, stage.symbols)
    if isinstance(found, int):
        return found
    # what unreadable bits cost is no difference between notes
    cost = found.cost - UNREADABLE * float((found.bits < 0).sum())
    score = 40 * cost / len(recorded) - 0.02 * _text_score(found, place) + 0.5 * (way.off > 0)
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


def _text_score(found: Solution, place: Placement) -> float:
    from sonify.recover.search.arrangement import Wanted
    from sonify.recover.search.plain import codes_of

    bits = np.where(found.lost, np.int8(-1), found.bits)
    line = _grid(bits, place, found.rows).reshape(1, -1)
    return max(
        (float(text_evidence(line, c)[0]) for c in codes_of(Wanted()) if line.size >= c.unit_bits),
        default=0.0,
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
    cautions = [Caution(r) for r in remarks]
    if best.left > 0 and len(found.off):
        slots = place.timeline.slots()[: len(found.bits)]
        near = np.abs(slots - found.off[:, None]).min(axis=0) <= DOUBT
        confidence[~found.lost] -= min(0.2, best.left)
        confidence[near] = np.minimum(confidence[near], 0.5)
        doubtful = int((near & ~found.lost).sum())
        cautions.append(
            Caution(
                f"the notes differ from the preset's ({best.left:.3f} differences per note): some "
                f"are missing, added or changed, and {doubtful} bits near them are in doubt"
            )
        )
    if unreadable := int((found.bits < 0).sum()):
        cautions.append(
            Caution(f"{unreadable} bits sound neither as ones nor as zeros; they are unreadable")
        )
    lost = np.flatnonzero(found.lost)
    if len(lost):
        timeline = place.timeline.first_rows(found.rows)
        why = lost_by(setup.music, timeline, found.bits, lost, way.unit_bits)
        bits = "1 bit is" if len(lost) == 1 else f"{len(lost)} bits are"
        cautions.append(Caution(f"{bits} lost by the mapping: {why}"))
    if found.crowded:
        cautions.append(
            Caution(
                "more discs sound like this than could be followed; bits in which they differ are "
                "unknown"
            )
        )
    rpm = 60 / (clock.position_s * positions)
    off = rpm / setup.player.rpm - 1
    if abs(off) > 0.001:
        cautions.append(
            Caution(f"the player turned at {rpm:.3f} rpm, {100 * off:+.2f} % off its profile")
        )
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
