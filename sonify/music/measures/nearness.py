"""How near two pieces are: in key, density, register and rhythm, and in their instruments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.midi.channels import DRUM_CHANNEL
from sonify.music.measures.key import pitch_classes
from sonify.music.metre import Grid
from sonify.music.notes import Part

__all__ = [
    "Profile",
    "distances",
    "nearness",
    "piece_distance",
    "profile_of",
    "profile_of_parts",
]

Reals = NDArray[np.float64]

FAR_DENSITY = 4.0
"""How many doublings of the notes per second are as far as can be: from 1 to 16. Own choice."""

FAR_REGISTER = 36.0
"""How many semitones of register are as far as can be: three octaves. Own choice."""

_PHASES = 12
_DRUMS = 128
_GAPS = np.arange(-4.5, 4.0)


@dataclass(frozen=True, eq=False)
class Profile:
    """What a piece is compared by.

    Attributes
    ----------
    key : ndarray of float64, shape (12,)
        How long each pitch class sounds, as shares; zeros without pitches.
    density : float
        Notes per second, as a logarithm to the base of 2.
    register : ndarray of float64, shape (128,)
        The share of each pitch among the pitched notes.
    rhythm : ndarray of float64, shape (20,)
        Where in the beat notes begin, in twelfths; and how far apart they begin, in octaves of a
        beat. Each half sums to 1.
    colour : frozenset of int
        The General MIDI programs that play, 0 to 127; 128 for drums.
    """

    key: Reals
    density: float
    register: Reals
    rhythm: Reals
    colour: frozenset[int] = frozenset()


def profile_of(
    beat: Reals, length: Reals, pitch: Reals, drum: NDArray[np.bool_], seconds: float,
    colour: frozenset[int] = frozenset(),
) -> Profile:  # fmt: skip
    """The profile of some notes.

    Parameters
    ----------
    beat, length : ndarray of float64, shape (notes,)
        When they begin and how long they last, in quarter notes.
    pitch : ndarray of float64, shape (notes,)
    drum : ndarray of bool, shape (notes,)
    seconds : float
        How long the piece lasts.
    colour : frozenset of int
    """
    tones = pitch[~drum]
    keys = np.clip(np.rint(tones), 0, 127).astype(np.int64)
    phase = np.rint(beat * _PHASES).astype(np.int64) % _PHASES
    apart = np.diff(np.unique(np.round(beat, 3)))
    gaps = np.digitize(np.log2(np.maximum(apart, 1e-3)), _GAPS[1:-1])
    return Profile(
        _shares(pitch_classes(tones, length[~drum])),
        float(np.log2(1e-2 + len(beat) / max(seconds, 1e-3))),
        _shares(np.bincount(keys, minlength=128)),
        np.concatenate([
            _shares(np.bincount(phase, minlength=_PHASES)),
            _shares(np.bincount(gaps, minlength=len(_GAPS) - 1)),
        ]),
        colour,
    )  # fmt: skip


def profile_of_parts(parts: list[Part], grid: Grid, tick_s: float) -> Profile:
    """The profile of a piece that a mapping made."""
    parts = [p for p in parts if len(p)]
    if not parts:
        none = np.zeros(0)
        return profile_of(none, none, none, none > 0, 1.0)
    columns = zip(*((p.on, p.off, p.pitch) for p in parts), strict=True)
    on, off, pitch = map(np.concatenate, columns)
    drum = np.repeat([p.channel == DRUM_CHANNEL for p in parts], [len(p) for p in parts])
    quarter = grid.ticks_per_quarter
    colour = frozenset(_DRUMS if p.channel == DRUM_CHANNEL else p.program for p in parts)
    return profile_of(
        on / quarter, (off - on) / quarter, pitch, drum, int(off.max()) * tick_s, colour
    )


def _shares(count: NDArray[Any]) -> Reals:
    out: Reals = count / max(float(count.sum()), 1e-12)
    return out


def distances(a: Profile, b: Profile, *, transposed: bool = False) -> dict[str, float]:
    """How far two pieces are apart in each way, 0 to 1.

    Parameters
    ----------
    a, b : Profile
    transposed : bool
        Whether the same music in another key is no further away in key.

    Returns
    -------
    dict
        "key": half of one less the correlation of the pitch classes. "density": doublings of the
        notes per second. "register": the mean distance by which notes would have to move (the
        earth mover's distance). "rhythm": the share of the histograms that differs.
    """
    turns = range(12) if transposed else (0,)
    moved = np.abs(np.cumsum(a.register - b.register)).sum()
    return {
        "key": min(_apart(a.key, np.roll(b.key, k)) for k in turns),
        "density": min(1.0, abs(a.density - b.density) / FAR_DENSITY),
        "register": min(1.0, float(moved) / FAR_REGISTER),
        "rhythm": float(np.abs(a.rhythm - b.rhythm).sum()) / 4,
    }


def _apart(a: Reals, b: Reals) -> float:
    if not a.any() or not b.any():
        return float(a.any() != b.any())
    a, b = a - a.mean(), b - b.mean()
    norm = float(np.sqrt((a**2).sum() * (b**2).sum()))
    return (1 - float(a @ b) / norm) / 2 if norm else 0.0


def nearness(a: Profile, b: Profile) -> float:
    """How near two pieces are in key, density, register and rhythm: 1 for no difference at all."""
    return 1 - float(np.mean(list(distances(a, b).values())))


def _unmatched(some: frozenset[int], others: frozenset[int]) -> float:
    """The share of instruments that others lack; half where they have one of its family."""
    families = {p // 8 for p in others}
    lacking = [0.0 if p in others else 0.5 if p // 8 in families else 1.0 for p in some]
    return sum(lacking) / max(1, len(lacking))


def piece_distance(a: Profile, b: Profile) -> float:
    """How different two pieces sound in any key, their instruments counted: 0 to 1."""
    colour = (_unmatched(a.colour, b.colour) + _unmatched(b.colour, a.colour)) / 2
    return float(np.mean([*distances(a, b, transposed=True).values(), colour]))
