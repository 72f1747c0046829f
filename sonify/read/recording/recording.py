"""Recordings to a sighting."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.read.plain import text_evidence
from sonify.read.recording.heard import Pulse, pulses_of, read_notes
from sonify.read.recording.invert import Heard, Inverted, invert, lost_by
from sonify.read.recording.layout import Place, places_of
from sonify.read.result import Sighting, check_size

if TYPE_CHECKING:
    from sonify.read.source import Options
    from sonify.setup import Setup

__all__ = ["read_recording"]

UNITS = (7, 8, 5)
FIT = 0.1
"""Differences a note below which the music is that of the preset."""
POOR = 0.6
TRIED = 6
PATIENCE = 12.0
"""Seconds after which no further way to lay the notes on a disc is tried."""


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
    if options.positions is not None:
        middle = setup.player.turn_s / options.positions
        low, high = middle * 0.78, middle * 1.28
    else:
        low, high = setup.player.turn_s / 640, setup.player.turn_s / 6
    pulses = pulses_of(notes["on_s"], notes["off_s"], low, high, path)
    best: tuple[float, Place, Inverted, int, Pulse] | None = None
    for pulse in sorted(pulses, key=lambda p: _oddness(p, setup, options)):
        whole = np.rint(pulse.slot).astype(np.int64)
        whole -= whole.min()
        begins = round(float(notes["on_s"][0]) / pulse.position_s)
        places = places_of(whole, setup, pulse.position_s, options.positions, options.rows, begins)
        if not places:
            continue
        one = _best(places, notes, pulse, setup, begins)
        if best is None or one[0] < best[0]:
            best = (*one, pulse)
        if best[2].left < FIT:
            break
    if best is None:
        raise InputError(
            "its notes do not lie in rows as the player's profile has them; give the presets "
            "that it played with (--preset), or --positions",
            file=path,
        )
    _, place, found, unit_bits, pulse = best
    check_size(place.timeline.rows, place.timeline.positions, path)
    found = invert(
        _heard(place, notes, pulse), setup.music, place.timeline, place.grid, unit_bits,
        pitches=True, start=found.bits, final=True,
    )  # fmt: skip
    if found.left > POOR:
        raise InputError(
            f"its notes can't be led back to bits by this preset ({found.left:.2f} differences a "
            "note are left); give the presets that it was played with (--preset), and --positions",
            file=path,
        )
    return _sighting(place, found, pulse, setup, unit_bits, options)


def _oddness(pulse: Pulse, setup: Setup, options: Options) -> float:
    """How far a pulse is from one that a disc and its player would usually have."""
    count = setup.player.turn_s / pulse.position_s
    if options.positions is not None:
        return float(abs(np.log(count / options.positions)))
    # discs have some two dozen to two hundred positions
    return float(max(0.0, np.log(24 / count), np.log(count / 200)))


def _heard(place: Place, notes: NDArray[np.void], pulse: Pulse) -> Heard:
    slot = pulse.slot - np.rint(pulse.slot.min()) + place.first
    return Heard(
        slot,
        pulse.length,
        notes["pitch"].astype(np.int64),
        notes["velocity"].astype(np.int64),
        notes["channel"].astype(np.int64),
    )


def _best(
    places: list[Place], notes: NDArray[np.void], pulse: Pulse, setup: Setup, begins: int
) -> tuple[float, Place, Inverted, int]:
    """The place and the bits that fit best; among places that fit alike, the likelier text."""
    tried: list[tuple[float, Place, Inverted, int]] = []
    stop = time.monotonic() + PATIENCE
    for thorough, few in ((False, 2), (True, 1), (False, TRIED)):
        for place in places[:few]:
            heard = _heard(place, notes, pulse)
            for unit_bits in UNITS:
                args = (heard, setup.music, place.timeline, place.grid, unit_bits)
                one = invert(*args, thorough=thorough)
                one = invert(*args, pitches=True, start=one.bits)
                text = _text_score(one.bits, place)
                score = 40 * one.left - 0.02 * text + 0.5 * (place.first != begins)
                tried.append((score, place, one, unit_bits))
                if one.left < FIT and (place.first == begins or text > 40):
                    return tried[-1]
                if one.left > 3 * FIT or time.monotonic() > stop:
                    break
            if time.monotonic() > stop:
                break
    tried.sort(key=lambda t: t[0])
    return tried[0]


def _text_score(bits: NDArray[np.int8], place: Place) -> float:
    from sonify.read.arrangement import Wanted
    from sonify.read.plain import codes_of

    grid = _grid(bits, place).reshape(1, -1)
    return max(
        (float(text_evidence(grid, c)[0]) for c in codes_of(Wanted()) if grid.size >= c.unit_bits),
        default=0.0,
    )


def _grid(values: NDArray[Any], place: Place) -> NDArray[Any]:
    """Values in the order of reading as rows of positions."""
    out = np.empty_like(values)
    out[place.timeline.places()] = values
    return out.reshape(place.timeline.rows, place.timeline.positions)


def _sighting(
    place: Place,
    found: Inverted,
    pulse: Pulse,
    setup: Setup,
    unit_bits: int,
    options: Options,
) -> Sighting:
    notes: list[str] = []
    worth = np.where(np.isfinite(found.worth), found.worth, 1.0)
    confidence = worth / (worth + 0.12)
    if found.left > FIT:
        confidence *= max(0.0, 1 - found.left)
        notes.append(
            f"the notes differ from the preset's by {found.left:.2f} a note; some are missing, "
            "added or played otherwise"
        )
    lost = np.flatnonzero(worth <= 0.05)
    if len(lost):
        why = lost_by(setup.music, place.timeline, found.bits, int(lost[0]), unit_bits)
        notes.append(f"{len(lost)} bits are lost by the mapping: {why}")
    positions = place.timeline.positions
    if options.positions is None:
        notes.append(
            f"{positions} positions follow from the player's speed and the rows; --positions "
            "settles it"
        )
    rpm = 60 / (pulse.position_s * positions)
    if abs(rpm / setup.player.rpm - 1) > 0.001:
        notes.append(
            f"the player turned at {rpm:.3f} a minute, {100 * (rpm / setup.player.rpm - 1):+.2f} % "
            "of its profile's speed"
        )
    return Sighting(
        kind="recording",
        holes=_grid(found.bits, place),
        confidence=_grid(confidence, place).astype(np.float32),
        start_known=True,
        order_known=True,
        sense_known=True,
        notes=tuple(notes),
        facts={
            "rpm": rpm,
            "position_s": pulse.position_s,
            "speed_swing": pulse.swing,
            "differences_a_note": found.left,
        },
    )
