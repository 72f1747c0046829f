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

from sonify.export.firmware.leads import (
    MAX_TABLE,
    NOTHING,
    Index,
    Lead,
    Refusal,
    eventually_periodic,
)
from sonify.midi.general_midi import drum_note
from sonify.music.pitch.chords import Arpeggio, Progression
from sonify.music.pitch.scheme import Frame, Scheme, led_bounds, reflect, within
from sonify.music.pitch.schemes import (
    BitsNumber,
    CharacterValue,
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
from sonify.music.theory.roman import parse_chords

__all__ = ["Tones", "tones_of"]


@dataclass(frozen=True, eq=False)
class Tones:
    """A voice's pitches.

    Attributes
    ----------
    leads : tuple of three Leads
        The way through a table, from one table to the next, and from one set of tables to the
        next.
    pitch : ndarray of float64, shape (levels, third count, second count, first count)
        MIDI note numbers; a level for each echo if they are shifted, else one.
    led : tuple of float or None
        Lowest and highest pitch where each tone goes to the octave nearest to the one before.
    """

    leads: tuple[Lead, Lead, Lead]
    pitch: NDArray[np.float64]
    led: tuple[float, float] | None = None

    @property
    def by_value(self) -> bool:
        """Whether a tone shows only when its character has been read."""
        return self.leads[0].by == "VALUE"


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


def _row_ladder(s: RowLadder, m: Machine) -> Degrees:
    at = np.arange(s.span)
    return _along(Lead("ROW", s.span), s.degrees(_machine(row=at), at))


def _place(s: PlaceLadder, m: Machine) -> Degrees:
    at = np.arange(m.unit_bits)
    stub = _machine(in_character=at, row=np.zeros_like(at))
    stub.unit_bits = m.unit_bits
    return _along(Lead("PLACE", m.unit_bits), s.degrees(stub, at))


def _sweep(s: Sweep, m: Machine) -> Degrees:
    at = np.arange(m.positions)
    stub = _machine(position=at)
    stub.positions = m.positions
    return _along(Lead("POSITION", m.positions), s.degrees(stub, at))


def _character(s: CharacterValue, m: Machine) -> Degrees:
    return _along(Lead("VALUE", s.span), np.arange(s.span))


def _arpeggio(s: Arpeggio, m: Machine) -> Degrees:
    at = np.arange(m.unit_bits)
    stub = _machine(in_character=at, value=np.zeros_like(at))
    first, second = Lead("VALUE", s.span), Lead("PLACE", m.unit_bits)
    return Degrees(first, second, np.add.outer(s.degrees(stub, at), np.arange(s.span)))


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
    return _along(Lead("RUN", turn), reflect(np.arange(turn), s.span))


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
    "value": "VALUE",
}


def _tone_table(s: ToneTable, m: Machine) -> Degrees:
    table = s.degrees_of or tuple(range(len(s.notes)))
    return _along(Lead(_BY[s.by], len(table)), np.array(table))


_DEGREES: dict[type[Scheme], Callable[[Any, Machine], Degrees]] = {
    RowLadder: _row_ladder,
    PlaceLadder: _place,
    Sweep: _sweep,
    CharacterValue: _character,
    Arpeggio: _arpeggio,
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
    name = str(type(scheme).__struct_config__.tag)
    find = _DEGREES.get(type(scheme))
    if find is None:
        _, why = scheme.follows()
        raise Refusal(f"the pitch scheme '{name}': {why or 'the core does not know it'}")
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
        return Tones((NOTHING, NOTHING, NOTHING), np.full((1, 1, 1, 1), _drum(voice.drum)))
    levels = shifts if any(shifts) else [0]
    if isinstance(scheme, ToneTable) and scheme.notes and voice.drum is None:
        leads = Lead(_BY[scheme.by], len(scheme.notes)), NOTHING, NOTHING
        pitch = np.stack([_named(scheme, s, frame)[None, None] for s in levels])
    else:
        leads, pitch = _of_degrees(voice, scheme, levels, machine, frame)
    if pitch.size > MAX_TABLE:
        raise Refusal(f"its pitch scheme needs {pitch.size:,} tones; a table holds {MAX_TABLE:,}")
    led = scheme.leading == "nearest" and voice.drum is None
    return Tones(leads, pitch, led_bounds(scheme, frame) if led else None)


def _drum(name: str | int) -> float:
    return float(drum_note(name))


def _of_degrees(
    voice: Voice, scheme: Scheme, levels: list[int], machine: Machine, frame: Frame
) -> tuple[tuple[Lead, Lead, Lead], NDArray[np.float64]]:
    line = scheme.inner() if isinstance(scheme, Progression) else scheme
    found = _degrees_of(line, machine)
    if isinstance(voice.drum, tuple):
        kit = np.array([_drum(d) for d in voice.drum])

        def tones(degrees: Index, chord: Index, shift: int) -> NDArray[np.float64]:
            out: NDArray[np.float64] = kit[(degrees + shift) % len(kit)]
            return out

        scheme = line
    else:

        def tones(degrees: Index, chord: Index, shift: int) -> NDArray[np.float64]:
            return _pitches(scheme, degrees, chord, shift, frame)

    chords, third = 1, NOTHING
    if isinstance(scheme, Progression):
        chords = len(parse_chords(scheme.chords, frame.minor, "chords"))
        third = _chord_lead(scheme, chords)
    step = _row_step(line)
    chord_of_row = third.hold if step and third.by == "ROW" else 0

    def of_rows(rows: Index) -> NDArray[np.float64]:
        """Shape (rows, levels, chords, second, first)."""
        degrees = found.values + step * rows[:, None, None, None]
        if chord_of_row:
            chord = (rows // chord_of_row % chords)[:, None, None, None]
        else:
            chord = np.arange(chords)[None, :, None, None]
        degrees, chord = np.broadcast_arrays(degrees, chord)
        return np.stack([tones(degrees, chord, s) for s in levels], axis=1)

    if not step:
        return (found.first, found.second, third), of_rows(np.zeros(1, np.int64))[0]
    # a table for each row until they come again
    size = of_rows(np.zeros(1, np.int64)).size
    count, back = eventually_periodic(of_rows, min(MAX_TABLE // size, 512))
    if chord_of_row:
        third = NOTHING
    pitch = of_rows(np.arange(count))[..., 0, :].transpose(1, 2, 0, 3)
    return (found.first, Lead("ROW", count, back), third), pitch
