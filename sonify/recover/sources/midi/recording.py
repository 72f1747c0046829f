"""A player's MIDI recording, with the presets it was played with, to a sighting of the disc."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.recover.sighting import THRESHOLD, Sighting, check_size
from sonify.recover.sources.midi.doubt import refined
from sonify.recover.sources.midi.likeness import likeness, likest_preset
from sonify.recover.sources.midi.lost import lost_by
from sonify.recover.sources.midi.matcher import UNREADABLE, Matcher
from sonify.recover.sources.midi.note_events import read_recorded_midi
from sonify.recover.sources.midi.placement import (
    COUNTS,
    SPEED,
    Placement,
    at_even_speed,
    on_positions,
    placements,
    slower,
    step_beats_of,
    timeline_of,
    unlikeness,
)
from sonify.recover.sources.midi.position_clock import PositionClock, beat_clock, recovered_clocks
from sonify.recover.sources.midi.quantising import grid_of_file
from sonify.recover.sources.midi.search import SearchLimits, Solution, search
from sonify.recover.sources.midi.text_prior import TextPrior
from sonify.recover.sources.midi.trial_notes import Budget, lanes_for
from sonify.recover.sources.options import ReadOptions

if TYPE_CHECKING:
    from sonify.performance_settings import Setup

__all__ = ["read_recording"]

EXACT = 1e-9
# Differences per note below which the music is the preset's
FIT = 0.02
FEWEST_POSITIONS, MOST_POSITIONS = 24, 200  # that discs have, from two dozen to two hundred
TWICE = 2.0  # how many times as fast or slow a program may have made a file
# Differences per note above which a recording is refused, and how many may be more, as a few notes
# tell no share: files with one note in a hundred missing or added have up to 0.03 of them, and
# those that quantising moved to other positions 0.16
POOR, FEW = 0.12, 3
# Notes of trial discs after which nothing further is looked for: so many, and for each recorded
# note, and at most; a million takes about a second. Recordings that come back take a fifth of that,
# and 0.93 where a program changed the speed by a quarter (`python -m tests.benchmarks.world daw`)
NOTES_AT_LEAST, NOTES_EACH, MOST_NOTES = 8_000_000, 25_000, 100_000_000
# A tempo that differs by less is the player's
OWN = 0.001
# How much likelier than the given preset another one must be, as a logarithm: 22,000 to 1
ODDS = 10.0
# Placements that the wider searches look at: those that held out longest in the one before
HELD_OUT = 4
# Positions of a row, to see which notes of a preset lie on positions, if they are not known
ROW = 56
# Notes from which on the speed can be told: three gaps
FEWEST = 4


_SEARCHES = (
    # nothing missing, as a program writes it and as a player plays it undisturbed
    SearchLimits(margin=0.4, per_row=2.5, width=512),
    # notes lost or added on the way; the cost per row follows from the notes per row
    SearchLimits(margin=1.6, per_row=0.0, width=16),
    # unreadable bits, which sound neither as ones nor as zeros: up to two of them at once
    SearchLimits(margin=1.3, per_row=0.0, width=32, symbols=(0, 1, -1)),
)


@dataclass(frozen=True, eq=False)
class _Reading:
    """One way to read a recording, and how many differences per note are left."""

    place: Placement
    clock: PositionClock
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
    if setup.music.tuning_output == "mts":
        raise InputError(
            "retuned keys (MIDI Tuning Standard) do not tell the pitches of a recording; play it "
            "with bends or mpe",
            place="music.tuning-output",
        )
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
    name, best = likest_preset(notes)
    # with another player, or with settings of its own, a preset may play other notes
    if name not in options.presets and best > likeness(notes, setup) + ODDS:
        raise InputError(
            f"its notes are not those of this preset; of those that ship, '{name}' fits best",
            file=path,
            hint="give the {preset} that it was played with",
        )
    budget = Budget(min(MOST_NOTES, NOTES_AT_LEAST + NOTES_EACH * len(notes)))
    found: list[_Reading] = []
    for clock in _clocks(notes, setup, options, path):
        found += _read_by(notes, clock, setup, options, budget)
        # of the file's own beats, shorter positions tell no more
        done = found and (_explains if clock.exact else _fits)(_best(found))
        if budget.spent or done:
            break
    why = ""
    if not found:
        why = (
            "its notes do not lie in rows as the player's profile has them, or are not those of "
            "the preset"
        )
    elif not _explains(_best(found)):
        left = f"{_best(found).left:.2f} differences per note are left"
        why = f"this preset does not explain its notes ({left})"
    if why:
        hint = "give the {preset} that it was played with, and {positions}"
        if grid := grid_of_file(notes):
            hint += (
                f"; if a program quantised it to 1/{4 * grid} notes, export it as it was recorded: "
                "a position may be shorter than that"
            )
        raise InputError(why, file=path, hint=hint)
    reading = _best(found)
    check_size(reading.solution.rows, reading.place.timeline.positions, path)
    return _sighting(notes, reading, setup, options, recording.remarks, budget)


def _fits(reading: _Reading) -> bool:
    """Whether the music is the preset's."""
    return reading.left < FIT


def _explains(reading: _Reading) -> bool:
    """Whether the preset explains most notes."""
    count = len(reading.place.recorded)
    return reading.left * count <= POOR * count + FEW


def _best(found: list[_Reading]) -> _Reading:
    return min(found, key=lambda one: one.score)


def _clocks(
    notes: NDArray[np.void], setup: Setup, options: ReadOptions, path: Path
) -> Iterator[PositionClock]:
    """The likely position clocks: the file's own beats, then those that the onsets suggest."""
    turn_s, positions = setup.player.turn_s, options.positions
    steady, in_time = None, False
    for step_beats, counts, typical in _step_beats(notes, setup, positions):
        beats = beat_clock(notes, step_beats, counts)
        onset = notes["on_s"] if beats is None else beats.onset
        steady, keeps = on_positions(notes, onset, setup, typical)
        in_time |= keeps and beats is not None
        if beats is not None and keeps:
            yield beats
    fewest, most = (
        (FEWEST_POSITIONS, MOST_POSITIONS) if positions is None else (positions, positions)
    )
    low, high = turn_s / 640, turn_s / 6
    if positions is not None:
        low, high = (turn_s / positions * s for s in SPEED)

    def oddness(clock: PositionClock) -> float:
        count = turn_s / clock.position_s
        return float(max(0.0, np.log(fewest / count), np.log(count / most)))

    found, why = [], None
    for on_s, off_s in at_even_speed(notes, setup, positions or ROW):
        try:
            found.append(recovered_clocks(on_s, off_s, low, high, path, steady))
        except InputError as e:
            why = e
    if why and not found and not in_time:
        raise why
    # a tempo that was laid over the wrong number of rows leaves a swing
    for clocks in sorted(found, key=lambda c: min(one.swing for one in c)):
        yield from sorted(clocks, key=oddness)


def _step_beats(
    notes: NDArray[np.void], setup: Setup, positions: int | None
) -> list[tuple[float, tuple[int, ...], int]]:
    """How many quarters a position may last, the likeliest first, each with the numbers of
    positions in a turn that it goes with, and the likeliest of these."""
    step_of = {n: step_beats_of(setup, n) for n in ([positions] if positions else COUNTS)}
    steps: dict[float, tuple[int, ...]] = {}
    for count, step in step_of.items():
        steps[step] = (*steps.get(step, ()), count)
    if len(steps) == 1:
        return [(b, n, positions or ROW) for b, n in steps.items()]
    last = int(np.argmax(notes["on_beat"]))
    quarter_s = float(notes["on_s"][last] / max(notes["on_beat"][last], 1e-9))
    about = {b: setup.player.turn_s / max(quarter_s * b, 1e-9) for b in steps}
    near = [b for b, n in steps.items() if n[0] / TWICE < about[b] < n[-1] * TWICE]
    typical = {b: min(steps[b], key=lambda n: abs(n - about[b])) for b in near}
    # by how far lengths and density of the notes, in quarters, are from the mapping's
    near.sort(key=lambda b: unlikeness(notes, setup, typical[b], b))
    return [(b, steps[b], typical[b]) for b in near]


def _read_by(
    notes: NDArray[np.void], clock: PositionClock, setup: Setup, options: ReadOptions,
    budget: Budget,
) -> list[_Reading]:  # fmt: skip
    """The readings by one clock."""
    ways = lanes_for(setup.music, notes["channel"])
    places = placements(notes, clock, setup, options, ways, budget)
    out: list[_Reading] = []
    for limits in _SEARCHES if places else ():
        # a file that no one edited has no differences at all, unless bits were unreadable
        last = -1 in limits.symbols
        if out and _fits(_best(out)) and not (last and clock.exact and places[0].exact):
            continue
        far: list[tuple[float, Placement]] = []
        for n, place in enumerate(places):
            budget.stop = budget.left - budget.left // (len(places) - n + (not last))
            one = _searched(place, clock, setup, limits, budget)
            budget.stop = 0
            if isinstance(one, int):
                far.append((1 / one, place))
            else:
                far.append((one.left - 1, place))
                out.append(one)
            if budget.spent or (out and _best(out).left < EXACT):
                return out
        places = [place for _, place in sorted(far, key=lambda f: f[0])[:HELD_OUT]]
    return out


def _searched(
    place: Placement, clock: PositionClock, setup: Setup, limits: SearchLimits, budget: Budget
) -> _Reading | int:
    count = len(place.recorded)
    per_row = limits.per_row or 2.0 + 0.25 * count / place.used
    found = search(_matcher(place, setup, budget), place.used, replace(limits, per_row=per_row))
    if isinstance(found, int):
        return found
    # what unreadable bits cost is no difference between notes
    cost = found.cost - UNREADABLE * float((found.bits < 0).sum())
    known = np.where(found.lost, np.int8(-1), found.bits)
    text = float(TextPrior.of(known, place.timeline.places()).evidence(known[None])[0])
    score = 40 * found.cost / count - 0.02 * text + 0.5 * (place.late > 0)
    return _Reading(place, clock, found, cost / count, score)


def _matcher(place: Placement, setup: Setup, budget: Budget) -> Matcher:
    return Matcher(
        place.recorded, setup.music, place.timeline, place.grid, place.unit_bits, place.tolerance,
        budget, place.lanes, place.quantised,
    )  # fmt: skip


def _grid(values: NDArray[Any], place: Placement, rows: int) -> NDArray[Any]:
    """Values in the order of reading as rows of positions."""
    out = np.empty_like(values)
    out[place.timeline.places()[: len(values)]] = values
    return out.reshape(rows, place.timeline.positions)


def _sighting(
    notes: NDArray[np.void],
    best: _Reading,
    setup: Setup,
    options: ReadOptions,
    remarks: tuple[str, ...],
    budget: Budget,
) -> Sighting:
    place, found, clock = best.place, best.solution, best.clock
    positions = place.timeline.positions
    confidence = np.full(len(found.bits), 0.99)
    says = list(remarks)
    if setup.note:
        says.append("the preset changes notes by hand, and the search follows its mapping alone")
    first = round(place.recorded.on[np.argmin(clock.onset)] / place.grid.step_ticks)
    line, _ = timeline_of(setup, found.rows, positions, None)
    off = float(np.exp(-slower(notes, clock, setup, line, first)) - 1)
    edited = clock.exact and not (place.exact and place.quantised is None and abs(off) < OWN)
    if best.left > EXACT or edited:
        matcher = _matcher(place, setup, budget).ending(found.rows)
        known = np.where(found.lost, np.int8(-1), found.bits)
        found, confidence = refined(matcher, found, TextPrior.of(known, place.timeline.places()))
        unsure = (confidence < THRESHOLD) & ~found.lost
        wrong = float((1 - confidence)[~unsure & ~found.lost].sum())
        what = f"the notes differ from the preset's ({best.left:.3f} differences per note)"
        if best.left <= EXACT:
            what = "the file was edited, and where a note was taken out nothing may show it"
        says.append(
            f"{what}: {int(unsure.sum())} bits are unknown, and of the others about {wrong:.1f} "
            "are wrong"
        )
    confidence[found.lost] = 0.0
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
    rpm = setup.player.rpm * (1 + off)
    if abs(off) > OWN:
        says.append(f"the player turned at {rpm:.3f} rpm, {100 * off:+.2f} % off its profile")
    cautions = list(map(Caution, says))
    if options.positions is None and not (clock.exact and found.rows > 1):
        by = "the notes of one row" if found.rows == 1 else "the player's speed and the rows"
        text = f"{positions} positions follow from {by}"
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
