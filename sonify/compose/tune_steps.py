"""A tune laid on even steps: what begins at each, and how finely it must be divided."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.compose.tune_rows import OFF_GRID
from sonify.music.measures.alignment import Tune

__all__ = ["Chord", "Stepped", "TuneFile", "TunePart", "stepped"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

STEPS = tuple(Fraction(1, n) for n in (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64))
"""The even steps that are tried, in whole notes."""

STRAY = 0.02
"""The share of notes that may lie off the steps. Own choice: a slip of the hand or two."""

WIDE_QUARTERS = 0.05
"""A note further from a step, in quarter notes, lies off it however long the step is. Own choice:
under half a 32nd."""

SHORTEST = Fraction(1, 256)
"""The shortest note value of a position, as of its setting."""


class TunePart(NamedTuple):
    """What plays a part of a tune: a program, 0 to 127, or None for drums; and how hard."""

    program: int | None = 0
    velocity: int = 84


@dataclass(frozen=True, eq=False)
class TuneFile:
    """A tune as a MIDI file has it.

    Attributes
    ----------
    notes : Tune
    length : ndarray of float64, shape (notes,)
        In quarter notes.
    part : ndarray of int64, shape (notes,)
        Which of the parts plays each note.
    parts : tuple of TunePart
    tempo : float
        Quarters a minute from the first onset to the last, on the average.
    tempo_moves : bool
        Whether the tempo changes.
    metre : tuple of int
        The first that is given, or 4, 4.
    """

    notes: Tune
    length: NDArray[np.float64]
    part: NDArray[np.int64]
    parts: tuple[TunePart, ...]
    tempo: float = 120.0
    tempo_moves: bool = False
    metre: tuple[int, int] = (4, 4)


Chord = tuple[tuple[int, int, float], ...]
"""What begins at a step: for each note its part, which of the part's notes it is, from the highest
down, and its pitch."""


class Stepped(NamedTuple):
    """A tune on even steps.

    Attributes
    ----------
    step : Fraction
        In whole notes.
    chords : tuple of Chord
        By first appearance.
    at : dict of int to int
        The chord that begins at a step.
    length : dict
        How many steps each note lasts, by its step, part and rank.
    notes : tuple of ndarray
        Step, pitch, length in steps, and onset in quarter notes, of each note.
    moved : int
        How many notes lie off the steps.
    """

    step: Fraction
    chords: tuple[Chord, ...]
    at: dict[int, int]
    length: dict[tuple[int, int, int], float]
    notes: tuple[Ints, Reals, Reals, Reals]
    moved: int

    @property
    def cell(self) -> int:
        """Positions of a step: a hole for its notes, and the number of its chord."""
        return 1 + (len(self.chords) - 1).bit_length()

    @property
    def steps(self) -> int:
        """Steps of the tune."""
        return max(self.at) + 1


def stepped(tune: TuneFile) -> Stepped:
    """The tune on the longest even steps on which it lies, or else on those that suit it best."""
    beat, pitch, length = tune.notes.beat, tune.notes.pitch, tune.length
    bar = 4 * tune.metre[0] / tune.metre[1]
    start = np.floor(beat.min() / bar + 1e-6) * bar
    found: list[tuple[float, int, Stepped]] = []
    for n, step in enumerate(STEPS):
        quarters = float(step) * 4
        at = np.floor((beat - start) / quarters + 0.5).astype(np.int64)
        apart = np.abs((beat - start) / quarters - at)
        off = (apart > OFF_GRID) | (apart * quarters > WIDE_QUARTERS)
        sounds: dict[int, dict[int, dict[float, float]]] = {}
        rows = zip(at.tolist(), tune.part.tolist(), pitch.tolist(), (length / quarters).tolist(),
                   strict=True)  # fmt: skip
        for k, part, tone, lasts in sorted(rows):
            sounds.setdefault(k, {}).setdefault(part, {})[tone] = lasts
        sets: dict[int, Chord] = {}
        each: dict[tuple[int, int, int], float] = {}
        for k, parts in sounds.items():
            chord = []
            for part, tones in sorted(parts.items()):
                for rank, tone in enumerate(sorted(tones, reverse=True)):
                    chord.append((part, rank, tone))
                    each[k, part, rank] = tones[tone]
            sets[k] = tuple(chord)
        chords = tuple(dict.fromkeys(sets.values()))
        number = {chord: k for k, chord in enumerate(chords)}
        by_step = {k: number[c] for k, c in sets.items()}
        notes = (at, pitch, length / quarters, beat)
        one = Stepped(step, chords, by_step, each, notes, int(off.sum()))
        if step / one.cell >= SHORTEST or not found:
            found.append((max(0.0, off.mean() - STRAY), n, one))
    return min(found, key=lambda f: f[:2])[2]
