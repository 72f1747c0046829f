"""The tones that a voice can sound, whatever is read: what its channels must be ready for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.music.pitch.chords import Arpeggio, Progression
from sonify.music.pitch.scheme import Frame, Pitches, Scheme, led_bounds, reflect, within
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
from sonify.music.rhythm.rule import Rule
from sonify.music.rhythm.timing_rules import Echoes, Layered
from sonify.music.theory.roman import parse_chords

__all__ = ["pitch_set", "shifts_of"]

Index = NDArray[np.int64]

_ROWS = 256
"""As many rows are looked at where each lies so many degrees from the one before."""


def _span(s: Any, unit_bits: int) -> Index:
    return np.arange(s.span)


def _turn(span: int) -> Index:
    return np.arange(max(1, 2 * (span - 1)))


def _by_rows(degrees: Index, row_step: int) -> Index:
    if not row_step:
        return degrees
    return np.unique(degrees + row_step * np.arange(_ROWS)[:, None])


def _count(s: Count, unit_bits: int) -> Index:
    if s.turn:
        return reflect(_turn(s.span) * s.step, s.span)
    return np.arange(s.span) * s.step % s.span


_DEGREES: dict[type[Scheme], Callable[[Any, int], Index]] = {
    RowLadder: _span,
    PlaceLadder: lambda s, bits: _by_rows(np.arange(bits) * s.spread, s.row_step),
    Sweep: _span,
    CharacterValue: _span,
    LastCharacter: _span,
    BitsNumber: lambda s, bits: np.arange(min(s.span, 1 << s.bits)),
    Walk: _span,
    RunLength: lambda s, bits: _by_rows(np.arange(s.span), s.row_step),
    Gap: lambda s, bits: reflect(_turn(s.span) * s.step, s.span),
    Count: _count,
    Density: _span,
    OneTone: lambda s, bits: np.array([s.degree]),
    ToneTable: lambda s, bits: np.array(s.degrees_of, np.int64),
    Arpeggio: lambda s, bits: np.add.outer(np.arange(s.span), s.stack * np.arange(s.tones)),
}


def shifts_of(rules: list[Rule]) -> list[int]:
    """All degrees by which a voice's rules may move its tones."""
    out = {0}
    for r in rules:
        if isinstance(r, Echoes):
            out = {s + k * r.shift for s in out for k in range(r.count + 1)}
        elif isinstance(r, Layered):
            out = {s + k for s in out for k in (0, *r.shifts)}
    return sorted(out)


def pitch_set(scheme: Scheme, rules: list[Rule], unit_bits: int, frame: Frame) -> Pitches:
    """All pitches that a voice can sound, each once.

    Parameters
    ----------
    scheme : Scheme
    rules : list of Rule
        The voice's.
    unit_bits : int
        Bits of a character's code unit.
    frame : Frame
        With the voice's own root.

    Returns
    -------
    ndarray of float64, shape (pitches,)
        Rising; a scheme that gives each row other tones is followed over 256 rows.
    """
    pitch = within(scheme, _pitches(scheme, np.array(shifts_of(rules)), unit_bits, frame), frame)
    if scheme.leading == "nearest":
        # a tone that is led may come in any octave
        low, high = led_bounds(scheme, frame)
        octaves = np.ceil((high - low) / frame.scale.period)
        pitch = np.add.outer(frame.scale.period * np.arange(-octaves, octaves + 1), pitch)
        pitch = pitch[(pitch >= low - 1e-3) & (pitch <= high + 1e-3)]
    return np.unique(pitch)


def _pitches(scheme: Scheme, shift: Index, unit_bits: int, frame: Frame) -> Pitches:
    if isinstance(scheme, ToneTable) and scheme.notes:
        at = np.arange(len(scheme.notes))
        tones = [scheme.named(at, np.full(len(at), s), frame) for s in shift.tolist()]
        return np.concatenate(tones)
    line = scheme.inner(f"{frame.place}.line") if isinstance(scheme, Progression) else scheme
    degrees = np.unique(np.add.outer(shift, _DEGREES[type(line)](line, unit_bits).reshape(-1)))
    if not isinstance(scheme, Progression):
        return scheme.tones_at(degrees, frame)
    count = len(parse_chords(scheme.chords, frame.minor, f"{frame.place}.chords"))
    chord = np.repeat(np.arange(count), len(degrees))
    return scheme.chord_tones(np.tile(degrees, count), chord, frame)
