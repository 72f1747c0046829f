"""A voice's pitches as leads and a table of tones.

Each scheme says what the core has to count and which degrees follow. The scheme itself computes the
tones, so that range, folding and chords are the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.midi.general_midi import drum_note
from sonify.music.form.plan import REGISTER, SOUNDING
from sonify.music.machine import (
    MAX_TABLE,
    NOTHING,
    Index,
    Lead,
    Machine,
    Refusal,
    eventually_periodic,
)
from sonify.music.pitch.scheme import Frame, Scheme, led_bounds, within
from sonify.music.settings import Voice
from sonify.music.theory.scales import fold

__all__ = ["Tones", "tones_of"]


@dataclass(frozen=True, eq=False)
class Tones:
    """A voice's pitches.

    Attributes
    ----------
    leads : tuple of three Leads
        Through a table, from one table to the next, and from one set of tables to the next.
    pitch : ndarray of float64, shape (levels, third count, second count, first count)
        MIDI note numbers; one level, or one for each echo if echoes are shifted.
    led : tuple of float or None
        Lowest and highest pitch if each tone goes to the octave nearest to the one before.
    """

    leads: tuple[Lead, Lead, Lead]
    pitch: NDArray[np.float64]
    led: tuple[float, float] | None = None

    @property
    def by_value(self) -> bool:
        """Whether a tone is known only when its character has been read."""
        return self.leads[0].by == "VALUE"


def tones_of(
    voice: Voice, scheme: Scheme, shifts: list[int], machine: Machine, frame: Frame
) -> Tones:
    """Work out the tones of a voice.

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
        return Tones(
            (NOTHING, NOTHING, NOTHING), np.full((1, 1, 1, 1), float(drum_note(voice.drum)))
        )
    levels = shifts if any(shifts) else [0]
    leads, pitch = _of_degrees(voice, scheme, levels, machine, frame)
    if pitch.size > MAX_TABLE:
        raise Refusal(
            f"its pitch scheme needs {pitch.size:,} tones; a table holds {MAX_TABLE:,} (use a "
            "smaller span)"
        )
    led = scheme.leading == "nearest" and voice.drum is None
    return Tones(leads, pitch, led_bounds(scheme, frame) if led else None)


def _with_registers(
    voice: Voice, scheme: Scheme, machine: Machine, frame: Frame
) -> tuple[Lead, Index]:
    """What advances the chords, and the octaves of the form that go with each of them."""
    lead, plan = scheme.chord_lead(frame), machine.plan
    if plan is None or "register" not in voice.arcs or not any(plan.registers):
        return lead, np.zeros(1, np.int64)
    octaves = np.asarray(plan.registers, np.int64)
    if scheme.leading == "nearest":
        raise Refusal('tones that are led, in registers of the form (use leading = "free")')
    if lead.by == "PLAN":
        return Lead("PLAN", plan.count(SOUNDING), up=SOUNDING), octaves
    if lead.count == 1:
        return Lead("PLAN", len(octaves), up=REGISTER), octaves
    raise Refusal("registers of the form on chords of its own (use those of [music.harmony])")


def _of_degrees(
    voice: Voice, scheme: Scheme, levels: list[int], machine: Machine, frame: Frame
) -> tuple[tuple[Lead, Lead, Lead], NDArray[np.float64]]:
    found = scheme.inner().lead(machine)
    if isinstance(voice.drum, tuple):
        kit = np.array([float(drum_note(d)) for d in voice.drum])
        third = NOTHING

        def tones(degrees: Index, chord: Index, shift: int) -> NDArray[np.float64]:
            out: NDArray[np.float64] = kit[(degrees + shift) % len(kit)]
            return out

    else:
        third, octaves = _with_registers(voice, scheme, machine, frame)

        def tones(degrees: Index, chord: Index, shift: int) -> NDArray[np.float64]:
            flat = degrees.reshape(-1)
            chord, octave = np.divmod(chord.reshape(-1), len(octaves))
            pitch = scheme.sounding(flat, np.full(len(flat), shift), frame, chord)
            pitch = within(scheme, pitch, frame)
            if len(octaves) > 1 or octaves[0]:
                pitch = fold(pitch + 12.0 * octaves[octave])
            return pitch.reshape(degrees.shape)

    chords, step = third.count, found.row_step
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
    # a table for each row until the tables repeat
    size = of_rows(np.zeros(1, np.int64)).size
    count, back = eventually_periodic(of_rows, min(MAX_TABLE // size, 512))
    if chord_of_row:
        third = NOTHING
    pitch = of_rows(np.arange(count))[..., 0, :].transpose(1, 2, 0, 3)
    return (found.first, Lead("ROW", count, back), third), pitch
