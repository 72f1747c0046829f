"""All measures of a piece in one table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream
from sonify.music.measures.ending import ending_of
from sonify.music.measures.key import key_of
from sonify.music.measures.letters import traceability
from sonify.music.measures.phrases import arc, repetition
from sonify.music.metre import Grid
from sonify.music.notes import Part
from sonify.music.settings import Music
from sonify.music.theory.scales import note_name, note_number

__all__ = ["Measures", "measured", "silences"]

Ints = NDArray[np.int64]

_GROUP = 4


@dataclass(frozen=True)
class Measures:
    """What can be counted about a piece.

    Attributes
    ----------
    notes : int
    seconds : float
    density : float
        Notes per second while the disc is read.
    density_arc : float
        How much the density of eight equal parts of the piece varies: their standard deviation
        over their mean.
    dynamics_arc : float
        The standard deviation of the mean velocities of those parts.
    lowest, highest : str
        Of the pitched voices; empty without any.
    span : float
        From lowest to highest, in semitones.
    register_arc : float
        The standard deviation of the mean pitches of those parts, in semitones.
    rests : float
        Share of that time in which nothing sounds, 0 to 1.
    silence : float
        The longest time between notes in which nothing sounds, in beats of the metre.
    interval : float
        Mean size of the steps of the first pitched voice, in semitones.
    repetition : float
        Share of its groups of four notes that came before, 0 to 1.
    within, between : float
        How alike the bars of a phrase of four bars are, and how alike phrases are to the likest
        one before, 0 to 1.
    key : str
        Such as "D minor"; empty without pitches.
    clarity : float
        How well that key fits, from -1 to 1.
    ending : str
        As in `sonify.music.measures.ending`.
    traceability : float
        How much better than chance the notes tell the letters, 0 to 1.
    traced_in : str
        The voice that tells them best.
    voices : int
    drums : bool
    """

    notes: int
    seconds: float
    density: float
    density_arc: float
    dynamics_arc: float
    lowest: str
    highest: str
    span: float
    register_arc: float
    rests: float
    silence: float
    interval: float
    repetition: float
    within: float
    between: float
    key: str
    clarity: float
    ending: str
    traceability: float
    traced_in: str
    voices: int
    drums: bool


@dataclass(frozen=True, eq=False)
class _Notes:
    """Notes of several voices as columns."""

    on: Ints
    off: Ints
    pitch: NDArray[np.float64]
    velocity: NDArray[np.float64]
    voice: Ints

    @classmethod
    def of(cls, parts: list[Part]) -> _Notes:
        if not parts:
            none = np.zeros(0, np.int64)
            return cls(none, none, none.astype(np.float64), none.astype(np.float64), none)
        columns = zip(*((p.on, p.off, p.pitch, p.velocity) for p in parts), strict=True)
        on, off, pitch, velocity = map(np.concatenate, columns)
        voice = np.repeat([p.number for p in parts], [len(p) for p in parts])
        return cls(on, off, pitch, velocity.astype(np.float64), voice)


def measured(parts: list[Part], m: BitStream, grid: Grid, music: Music) -> Measures:
    """The measures of a piece.

    Parameters
    ----------
    parts : list of Part
    m : BitStream
        The bits that it was made from.
    grid : Grid
    music : Music

    Returns
    -------
    Measures
    """
    sounding = [p for p in parts if len(p)]
    pitched = [p for p in sounding if p.voice.drum is None]
    every, tones = _Notes.of(sounding), _Notes.of(pitched)
    pitch = tones.pitch
    read_s = m.timeline.end_s
    key, clarity = "", 0.0
    if len(pitch):
        key, clarity = key_of(pitch, (tones.off - tones.on).astype(np.float64))
    low, high = (float(pitch.min()), float(pitch.max())) if len(pitch) else (0.0, 0.0)
    tune = pitched[0].pitch if pitched else pitch
    read = max(1, m.timeline.end_slot * grid.step_ticks)
    end = max(read, int(every.off.max(initial=0)))
    dense = arc(every.on, end)
    beat = 4 * grid.ticks_per_quarter / grid.metre[1]
    bar, within_bar = np.divmod(every.on, grid.bar_ticks)
    where = np.rint(within_bar * 4 / grid.step_ticks).astype(np.int64)
    code = (where * 512 + np.rint(every.pitch * 4).astype(np.int64)) * 256 + every.voice
    within, between = repetition(bar, code)
    told, by = traceability(parts, m, grid.step_ticks)
    pauses = silences(every.on, every.off, read)
    return Measures(
        notes=len(every.on),
        seconds=round(read_s, 2),
        density=round(len(every.on) / read_s, 2),
        density_arc=round(float(dense.std() / max(dense.mean(), 1e-9)), 3),
        dynamics_arc=_spread(arc(every.on, end, every.velocity)),
        lowest=note_name(round(low)) if len(pitch) else "",
        highest=note_name(round(high)) if len(pitch) else "",
        span=round(high - low, 2),
        register_arc=_spread(arc(tones.on, end, pitch)),
        rests=round(float(pauses.sum()) / read, 3),
        silence=round(float(pauses[:-1].max(initial=0)) / beat, 2),
        interval=round(float(np.abs(np.diff(tune)).mean()), 2) if len(tune) > 1 else 0.0,
        repetition=round(_repetition(tune), 3),
        within=round(within, 3),
        between=round(between, 3),
        key=key,
        clarity=round(clarity, 3),
        ending=ending_of(tones.on, tones.off, pitch, round(note_number(music.root)) % 12),
        traceability=round(told, 3),
        traced_in=by,
        voices=len(sounding),
        drums=len(pitched) < len(sounding),
    )


def _spread(values: NDArray[np.float64]) -> float:
    return round(float(values.std()), 2) if len(values) else 0.0


def silences(on: Ints, off: Ints, end: int) -> Ints:
    """The times in which nothing sounds: before each note, and last from the last note to `end`."""
    if not len(on):
        return np.array([end])
    on, off = np.minimum(on, end), np.minimum(off, end)
    order = np.argsort(on, kind="stable")
    on, off = on[order], off[order]
    reach = np.maximum.accumulate(off)
    before = np.concatenate(([0], reach[:-1]))
    return np.append(np.maximum(on - before, 0), max(0, end - int(reach[-1])))


def _repetition(tune: NDArray[np.float64]) -> float:
    if len(tune) < _GROUP + 1:
        return 0.0
    groups = np.lib.stride_tricks.sliding_window_view(np.round(tune, 2), _GROUP)
    return 1.0 - len(np.unique(groups, axis=0)) / len(groups)
