"""Pitch schemes as leads and tables of tones.

Each scheme's entry says what the core has to count for it and which degrees that gives; the
tones are then worked out by the scheme itself, so that range, folding and chords are the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.music.chords import Progression
from sonify.music.general_midi import drum_note
from sonify.music.roman import parse_chords
from sonify.music.scheme import Frame, Scheme, led_bounds, reflect, within
from sonify.music.schemes import (
    BitsNumber,
    Count,
    Density,
    Gap,
    LastCharacter,
    OneTone,
    PlaceLadder,
    RowLadder,
    RunLength,
    Sweep,
    ToneTable,
    Walk,
)
from sonify.music.settings import Voice
from sonify.write.firmware.leads import (
    MAX_TABLE,
    NOTHING,
    Index,
    Lead,
    Refusal,
    eventually_periodic,
)

__all__ = ["Tones", "tones_of"]


@dataclass(frozen=True, eq=False)
class Tones:
    """A voice's pitches.

    Attributes
    ----------
    tone, chord : Lead
        The way through a table, and from one table to the next.
    pitch : ndarray of float64, shape (levels, chord.count, tone.count)
        MIDI note numbers; a level for each echo if they are shifted, else one.
    led : tuple of float or None
        Lowest and highest pitch where each tone goes to the octave nearest to the one before.
    """

    tone: Lead
    chord: Lead
    pitch: NDArray[np.float64]
    led: tuple[float, float] | None = None


@dataclass(frozen=True)
class Machine:
    """What of the disc and the player tables and rules depend on; `gap` lies between two rows."""

    positions: int
    unit_bits: int
    straight: bool
    gap: int = 0

    @property
    def stride(self) -> int:
        """Positions from one row to the next."""
        return self.positions + self.gap


@dataclass(frozen=True, eq=False)
class Degrees:
    """A scheme's degrees along one or two leads, shape (second.count, first.count)."""

    first: Lead
    second: Lead
    values: Index


def _along(lead: Lead, values: Index) -> Degrees:
    return Degrees(lead, NOTHING, np.asarray(values, np.int64).reshape(1, -1))


def _machine(**counts: Index) -> Any:
    """Stands in for the material: counts by name for the entries of a table."""
    return SimpleNamespace(**{k: (lambda index, v=v: v[index]) for k, v in counts.items()})


def _of_rows(s: Scheme, machine: Machine, first: Lead, degrees: Index, row_step: int) -> Degrees:
    if row_step == 0:
        return _along(first, degrees)
    # how long the table of rows must be shows only in the tones, which are folded into range
    rows = Lead("ROW", 0)
    return Degrees(first, rows, degrees[None, :] + row_step * np.arange(1)[:, None])


def _row_ladder(s: RowLadder, m: Machine) -> Degrees:
    at = np.arange(s.span)
    return _along(Lead("ROW", s.span), s.degrees(_machine(row=at), at))


def _place(s: PlaceLadder, m: Machine) -> Degrees:
    at = np.arange(m.unit_bits)
    stub = _machine(in_character=at, row=np.zeros_like(at))
    stub.unit_bits = m.unit_bits
    return _of_rows(s, m, Lead("PLACE", m.unit_bits), s.degrees(stub, at), s.row_step)


def _sweep(s: Sweep, m: Machine) -> Degrees:
    at = np.arange(m.positions)
    stub = _machine(position=at)
    stub.positions = m.positions
    return _along(Lead("POSITION", m.positions), s.degrees(stub, at))


def _last_character(s: LastCharacter, m: Machine) -> Degrees:
    if not m.straight:
        raise Refusal(
            "the pitch scheme 'last-character' where rows begin anywhere: some of the character "
            "before is read only at the turn's end"
        )
    return _along(Lead("LAST_UNIT", s.span), np.arange(s.span))


def _number(s: BitsNumber, m: Machine) -> Degrees:
    # a number of so few bits may not come to all of its span
    count = min(s.span, 1 << s.bits)
    return _along(Lead("NUMBER", count, up=(1 << s.bits) - 1), np.arange(count))


def _turn(span: int) -> int:
    return max(1, 2 * (span - 1))


def _walk(s: Walk, m: Machine) -> Degrees:
    turn = _turn(s.span)
    lead = Lead("WALK", turn, up=s.up % turn, down=-s.down % turn)
    return _along(lead, reflect(np.arange(turn) + s.start, s.span))


def _run_length(s: RunLength, m: Machine) -> Degrees:
    turn = _turn(s.span)
    return _of_rows(s, m, Lead("RUN", turn), reflect(np.arange(turn), s.span), s.row_step)


def _gap(s: Gap, m: Machine) -> Degrees:
    turn = _turn(s.span)
    return _along(Lead("GAP", turn), reflect(np.arange(turn) * s.step, s.span))


def _count(s: Count, m: Machine) -> Degrees:
    turn = _turn(s.span) if s.turn else s.span
    at = np.arange(turn) * s.step
    return _along(Lead("ONES", turn), reflect(at, s.span) if s.turn else at % s.span)


def _density(s: Density, m: Machine) -> Degrees:
    return _along(Lead("DENSITY", s.span, up=s.window, down=s.span), np.arange(s.span))


def _one_tone(s: OneTone, m: Machine) -> Degrees:
    return _along(NOTHING, np.array([s.degree]))


_BY = {
    "position": "POSITION",
    "place": "PLACE",
    "row": "ROW",
    "character": "CHARACTER",
    "one": "ONES",
}


def _tone_table(s: ToneTable, m: Machine) -> Degrees:
    return _along(Lead(_BY[s.by], len(s.degrees_of)), np.array(s.degrees_of))


_DEGREES: dict[type[Scheme], Callable[[Any, Machine], Degrees]] = {
    RowLadder: _row_ladder,
    PlaceLadder: _place,
    Sweep: _sweep,
    LastCharacter: _last_character,
    BitsNumber: _number,
    Walk: _walk,
    RunLength: _run_length,
    Gap: _gap,
    Count: _count,
    Density: _density,
    OneTone: _one_tone,
    ToneTable: _tone_table,
}


def _degrees_of(scheme: Scheme, machine: Machine) -> Degrees:
    ok, why = scheme.follows()
    name = str(type(scheme).__struct_config__.tag)
    if not ok:
        raise Refusal(f"the pitch scheme '{name}': {why}")
    find = _DEGREES.get(type(scheme))
    if find is None:
        raise Refusal(f"the core does not know the pitch scheme '{name}'")
    return find(scheme, machine)


def _row_step(scheme: Scheme) -> int:
    return int(getattr(scheme, "row_step", 0))


def _chord_lead(scheme: Progression, count: int) -> Lead:
    return Lead(scheme.each.upper(), count, hold=scheme.hold)


def _pitches(
    scheme: Scheme, degrees: Index, chord: Index, shift: int, frame: Frame
) -> NDArray[np.float64]:
    """The tones that a scheme gives for ready degrees and chord numbers (one shape)."""
    flat = (degrees + shift).reshape(-1)
    if isinstance(scheme, Progression):
        pitch = scheme.chord_tones(flat, chord.reshape(-1), frame)
    else:
        pitch = scheme.tones_at(flat, frame)
    return within(scheme, pitch, frame).reshape(degrees.shape)


def _named(scheme: ToneTable, shift: int, frame: Frame) -> NDArray[np.float64]:
    """The tones of a table of note names."""
    at = np.arange(len(scheme.notes))
    return within(scheme, scheme.named(at, np.full(len(at), shift), frame), frame)


def tones_of(
    voice: Voice, scheme: Scheme, shifts: list[int], machine: Machine, frame: Frame
) -> Tones:
    """The tones of a voice.

    Parameters
    ----------
    voice : Voice
    scheme : Scheme
    shifts : list of int
        Degrees by which each level (the notes themselves, then echoes) is moved.
    machine : Machine
    frame : Frame
        With the voice's own root.

    Raises
    ------
    Refusal
        What can't be followed, and why.
    """
    if voice.drum is not None and not isinstance(voice.drum, tuple):
        return Tones(NOTHING, NOTHING, np.full((1, 1, 1), float(drum_note(voice.drum))))
    levels = shifts if any(shifts) else [0]
    if isinstance(scheme, ToneTable) and scheme.notes and voice.drum is None:
        ok, why = scheme.follows()
        if not ok:
            raise Refusal(f"the pitch scheme 'table': {why}")
        lead, second = Lead(_BY[scheme.by], len(scheme.notes)), NOTHING
        pitch = np.stack([_named(scheme, s, frame)[None] for s in levels])
    else:
        lead, second, pitch = _of_degrees(voice, scheme, levels, machine, frame)
    if pitch.size > MAX_TABLE:
        raise Refusal(f"its pitch scheme needs {pitch.size:,} tones; a table holds {MAX_TABLE:,}")
    led = scheme.leading == "nearest" and voice.drum is None
    return Tones(lead, second, pitch, led_bounds(scheme, frame) if led else None)


def _of_degrees(
    voice: Voice, scheme: Scheme, levels: list[int], machine: Machine, frame: Frame
) -> tuple[Lead, Lead, NDArray[np.float64]]:
    line = scheme.inner() if isinstance(scheme, Progression) else scheme
    found = _degrees_of(line, machine)
    by_row = found.second.by == "ROW"
    if isinstance(voice.drum, tuple):
        kit = np.array([float(drum_note(d)) for d in voice.drum])

        def tones(degrees: Index, chord: Index, shift: int) -> NDArray[np.float64]:
            out: NDArray[np.float64] = kit[(degrees + shift) % len(kit)]
            return out

        scheme = line
    else:

        def tones(degrees: Index, chord: Index, shift: int) -> NDArray[np.float64]:
            return _pitches(scheme, degrees, chord, shift, frame)

    if isinstance(scheme, Progression):
        count = len(parse_chords(scheme.chords, frame.minor, "chords"))
        if by_row and scheme.each != "row":
            raise Refusal(
                f"a progression by {scheme.each} whose line moves from row to row: each pair of "
                "the two would need tables of its own, which program memory can't hold"
            )
        if by_row:
            step, base, hold = _row_step(line), found.values[0], scheme.hold

            def of_chords(rows: Index) -> NDArray[np.float64]:
                degrees = base[None, :] + step * rows[:, None]
                chord = np.broadcast_to((rows // hold % count)[:, None], degrees.shape)
                return np.stack([tones(degrees, chord, s) for s in levels], axis=1)

            return _by_rows(found.first, of_chords, len(base) * len(levels))
        chord = np.repeat(np.arange(count)[:, None], found.first.count, axis=1)
        degrees = np.repeat(found.values, count, axis=0)
        out = np.stack([tones(degrees, chord, s) for s in levels])
        return found.first, _chord_lead(scheme, count), out
    if by_row:
        step = _row_step(line)
        base = found.values[0]

        def of_rows(rows: Index) -> NDArray[np.float64]:
            degrees = base[None, :] + step * rows[:, None]
            out = np.stack([tones(degrees, np.zeros_like(degrees), s) for s in levels], axis=1)
            return out

        return _by_rows(found.first, of_rows, len(base) * len(levels))
    zero = np.zeros_like(found.values)
    return found.first, NOTHING, np.stack([tones(found.values, zero, s) for s in levels])


def _by_rows(
    first: Lead, of_rows: Callable[[Index], NDArray[np.float64]], size: int
) -> tuple[Lead, Lead, NDArray[np.float64]]:
    """A table for each row until they come again; `size` tones a row."""
    count, back = eventually_periodic(of_rows, min(MAX_TABLE // size, 512))
    return first, Lead("ROW", count, back), of_rows(np.arange(count)).swapaxes(0, 1)
