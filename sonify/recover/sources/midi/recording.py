"""Recordings to a sighting."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.music.metre import grid_of
from sonify.recover.search.plain import text_evidence
from sonify.recover.sighting import Sighting, check_size
from sonify.recover.sources.midi.layout import (
    Place,
    aligned,
    likeliest,
    on_positions,
    places_of,
    units_of,
)
from sonify.recover.sources.midi.lost import lost_by
from sonify.recover.sources.midi.matcher import NOBODY, Ear, Heard, Tolerance
from sonify.recover.sources.midi.note_events import Pulse, pulses_of, read_notes, written_pulse
from sonify.recover.sources.midi.search import Effort, Found, search

if TYPE_CHECKING:
    from sonify.recover.sources.source import Options
    from sonify.setup import Setup

__all__ = ["read_recording"]

UNITS = (7, 8, 5)
EXACT = 1e-9
FIT = 0.02
"""Differences a note below which the music is that of the preset."""
CLEAR = 0.1
"""The same, where the file's own beats fit."""
POOR = 0.4
PATIENCE = 20.0
"""Seconds of the processor after which no further way to lay the notes on a disc is tried: its own
time, so that what is read does not hang on what else the machine does."""
HELD_OUT = 4
ROW = 56
"""Positions of a row, to see which notes of a preset lie on positions."""
DOUBT = 2
"""Positions around a note that is off, whose bits are in doubt."""


@dataclass(frozen=True)
class _Trying:
    """One go at all ways to lay a recording on a disc."""

    effort: Effort
    symbols: tuple[int, ...] = (0, 1)
    written_only: bool = False


_TRYING = (
    # nothing missing, as a program writes it and as a player plays it undisturbed
    _Trying(Effort(margin=0.4, limit=2.5, most=512)),
    # bits that nobody could read, which sound neither as ones nor as zeros
    _Trying(Effort(margin=1.6, limit=2.5, most=64), (0, 1, -1), written_only=True),
    # notes lost or added on the way; the limit follows from how many notes a row has
    _Trying(Effort(margin=1.6, limit=0.0, most=48)),
)


@dataclass(frozen=True, eq=False)
class _Reading:
    """One way to read a recording, and what it leaves to be explained: differences a note."""

    place: Place
    found: Found
    pulse: Pulse
    unit_bits: int
    left: float
    score: float


@dataclass(frozen=True, eq=False)
class _Way:
    """One way to lay a recording on a disc."""

    place: Place
    heard: Heard
    pulse: Pulse
    unit_bits: int
    off: int


def read_recording(path: str | Path, options: Options) -> Sighting:
    """The disc that a player's MIDI tells of.

    Parameters
    ----------
    path : path
        A .mid, from the player's MIDI jack or made by `sonify midi`.
    options : Options
        The presets and settings that it played with; positions and rows, where they are known.

    Raises
    ------
    InputError
        What was looked for and not found, and what to do.
    """
    from sonify.settings import parse_assignment
    from sonify.setup import load_setup

    path = Path(path)
    setup = load_setup(options.presets, dict(parse_assignment(s) for s in options.settings))
    notes = read_notes(path)
    best: _Reading | None = None
    stop = time.process_time() + PATIENCE
    for pulse in _pulses(notes, setup, options, path):
        best = _better(best, _read_by(notes, pulse, setup, options, stop))
        if best is not None and best.left < (CLEAR if best.pulse.written else FIT):
            break
        if time.process_time() > stop:
            break
    if best is None:
        raise InputError(
            "its notes do not lie in rows as the player's profile has them, or are not those of "
            "the preset; give the presets that it was played with (--preset), and --positions",
            file=path,
        )
    check_size(best.found.rows, best.place.timeline.positions, path)
    if best.left > POOR:
        raise InputError(
            f"its notes can't be led back to bits by this preset ({best.left:.2f} differences a "
            "note are left); give the presets that it was played with (--preset), and --positions",
            file=path,
        )
    return _sighting(best, setup, options)


def _pulses(notes: NDArray[np.void], setup: Setup, options: Options, path: Path) -> list[Pulse]:
    """What a position may last: by the file's own beats, then by the notes alone."""
    out = []
    written = written_pulse(notes, grid_of(setup.music, 1).step_beats)
    if written is not None:
        count = setup.player.turn_s / written.position_s
        if options.positions is not None or abs(count - round(count)) < 0.01 * count:
            out.append(written)
    if options.positions is not None:
        middle = setup.player.turn_s / options.positions
        low, high = middle * 0.78, middle * 1.28
    else:
        low, high = setup.player.turn_s / 640, setup.player.turn_s / 6
    try:
        steady = on_positions(notes, setup, options.positions or ROW)
        played = pulses_of(notes["on_s"], notes["off_s"], low, high, path, steady)
    except InputError:
        if not out:
            raise
        return out
    return out + sorted(played, key=lambda p: _oddness(p, setup, options))


def _oddness(pulse: Pulse, setup: Setup, options: Options) -> float:
    """How far a pulse is from one that a disc and its player would usually have."""
    count = setup.player.turn_s / pulse.position_s
    if options.positions is not None:
        return float(abs(np.log(count / options.positions)))
    # discs have some two dozen to two hundred positions
    return float(max(0.0, np.log(24 / count), np.log(count / 200)))


def _read_by(
    notes: NDArray[np.void], pulse: Pulse, setup: Setup, options: Options, stop: float
) -> _Reading | None:
    """The best reading by one pulse."""
    whole = np.rint(pulse.slot).astype(np.int64)
    if pulse.written:
        begins = int(np.floor(pulse.slot.min() + 0.5))
    else:
        begins = round(float(notes["on_s"][0]) / pulse.position_s)
    places = places_of(
        whole - whole.min(), setup, pulse.position_s, options.positions, options.rows, begins,
        exact=pulse.written,
    )  # fmt: skip
    likely = likeliest(places, lambda p: _heard(p, notes, pulse), setup.music)
    ways = [
        _way(place, notes, pulse, unit_bits, setup, begins)
        for place in likely
        for unit_bits in units_of(setup.music, place, _heard(place, notes, pulse), UNITS)
    ]
    best: _Reading | None = None
    for trying in _TRYING:
        if trying.written_only and not pulse.written:
            continue
        far = {}
        for way in ways:
            one = _tried(way, setup, trying)
            far[id(way)] = one if isinstance(one, int) else len(one.found.bits)
            if not isinstance(one, int):
                best = _better(best, one)
            if best is not None and best.left < EXACT:
                return best
            if time.process_time() > stop:
                return best
        if best is not None and best.left < FIT and not pulse.written:
            return best
        # the wider searches take longer: only for the ways that held out longest
        ways = sorted(ways, key=lambda w: -far[id(w)])[:HELD_OUT]
    return best


def _way(
    place: Place, notes: NDArray[np.void], pulse: Pulse, unit_bits: int, setup: Setup, begins: int
) -> _Way:
    heard = _heard(place, notes, pulse)
    if not pulse.written:
        heard = aligned(heard, setup.music, place, unit_bits)
    return _Way(place, heard, pulse, unit_bits, abs(place.first - begins))


def _better(a: _Reading | None, b: _Reading | None) -> _Reading | None:
    if a is None or b is None:
        return b if a is None else a
    return b if b.score < a.score else a


def _tried(way: _Way, setup: Setup, trying: _Trying) -> _Reading | int:
    place, heard = way.place, way.heard
    step = place.grid.step_ticks
    exact = Tolerance(2.0, 2.0, 0.0)
    played = Tolerance(0.2 * step, 0.35 * step, 1.0)
    ear = Ear(heard, setup.music, place.timeline, place.grid, way.unit_bits,
              exact if way.pulse.written else played)  # fmt: skip
    how = trying.effort
    if not how.limit:
        how = Effort(how.margin, 2.0 + 0.25 * len(heard) / place.used, how.most)
    found = search(ear, place.used, how, trying.symbols)
    if isinstance(found, int):
        return found
    # what bits cost that nobody could read is no difference of notes
    cost = found.cost - NOBODY * float((found.bits < 0).sum())
    score = 40 * cost / len(heard) - 0.02 * _text_score(found, place) + 0.5 * (way.off > 0)
    return _Reading(place, found, way.pulse, way.unit_bits, cost / max(1, len(heard)), score)


def _heard(place: Place, notes: NDArray[np.void], pulse: Pulse) -> Heard:
    slot = pulse.slot
    if not pulse.written:
        slot = slot - np.rint(slot.min()) + place.first
    step = place.grid.step_ticks
    return Heard(
        slot * step,
        (slot + pulse.length) * step,
        notes["pitch"].astype(np.int64) * 16384 + notes["bend"],
        notes["velocity"].astype(np.int64),
        notes["channel"].astype(np.int64),
    )


def _text_score(found: Found, place: Place) -> float:
    from sonify.recover.search.arrangement import Wanted
    from sonify.recover.search.plain import codes_of

    bits = np.where(found.lost, np.int8(-1), found.bits)
    grid = _grid(bits, place, found.rows).reshape(1, -1)
    return max(
        (float(text_evidence(grid, c)[0]) for c in codes_of(Wanted()) if grid.size >= c.unit_bits),
        default=0.0,
    )


def _grid(values: NDArray[Any], place: Place, rows: int) -> NDArray[Any]:
    """Values in the order of reading as rows of positions."""
    out = np.empty_like(values)
    out[place.timeline.places()[: len(values)]] = values
    return out.reshape(rows, place.timeline.positions)


def _sighting(best: _Reading, setup: Setup, options: Options) -> Sighting:
    place, found, pulse = best.place, best.found, best.pulse
    positions = place.timeline.positions
    cautions: list[Caution] = []
    notes: list[str] = []
    confidence = np.where(found.lost, 0.0, 0.99)
    if best.left > 0 and len(found.off):
        slots = place.timeline.slots()[: len(found.bits)]
        near = np.abs(slots - found.off[:, None]).min(axis=0) <= DOUBT
        confidence[~found.lost] -= min(0.2, best.left)
        confidence[near] = np.minimum(confidence[near], 0.5)
        notes.append(
            f"the notes differ from the preset's by {best.left:.3f} a note; some are missing, "
            f"added or played otherwise, and {int((near & ~found.lost).sum())} bits near them are "
            "in doubt"
        )
    nobody = int((found.bits < 0).sum())
    if nobody:
        notes.append(f"{nobody} bits sound neither as a one nor as a zero; nobody could read them")
    lost = np.flatnonzero(found.lost)
    if len(lost):
        timeline = place.timeline.first_rows(found.rows)
        why = lost_by(setup.music, timeline, found.bits, lost, best.unit_bits)
        notes.append(
            f"{len(lost)} {'bits are' if len(lost) > 1 else 'bit is'} lost by the mapping: {why}"
        )
    if found.crowded:
        notes.append(
            "more discs sound like this than could be followed; what they differ by is unknown"
        )
    if options.positions is None and not pulse.written:
        text = f"{positions} positions follow from the player's speed and the rows"
        cautions.append(Caution(text, hint="{positions} settles it"))
    rpm = 60 / (pulse.position_s * positions)
    if abs(rpm / setup.player.rpm - 1) > 0.001:
        notes.append(
            f"the player turned at {rpm:.3f} a minute, {100 * (rpm / setup.player.rpm - 1):+.2f} % "
            "of its profile's speed"
        )
    return Sighting(
        kind="recording",
        holes=_grid(found.bits, place, found.rows),
        confidence=_grid(confidence, place, found.rows).astype(np.float32),
        start_known=True,
        order_known=True,
        sense_known=True,
        cautions=(*map(Caution, notes), *cautions),
        facts={
            "rpm": rpm,
            "position_s": pulse.position_s,
            "speed_swing": pulse.swing,
            "differences_a_note": best.left,
            "lost_bits": len(lost),
        },
    )
