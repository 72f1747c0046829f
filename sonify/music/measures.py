"""Measures of a piece that help to choose one: density, range, rests, intervals, repetition, key.

Key and clarity follow C. L. Krumhansl and E. J. Kessler, "Tracing the dynamic changes in perceived
tonal organization in a spatial representation of musical keys", Psychological Review 89 (1982),
with the profiles that music21 carries: the key whose profile correlates best with how long each
pitch class sounds, and that correlation.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sonify.music.notes import Part
from sonify.music.theory.scales import note_name

__all__ = ["Measures", "key_of", "measured"]

_GROUP = 4
_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@dataclass(frozen=True)
class Measures:
    """What can be counted about a piece.

    Attributes
    ----------
    notes : int
    seconds : float
    density : float
        Notes per second while the disc is read.
    lowest, highest : str
        Of the pitched voices; empty without any.
    span : float
        From lowest to highest, in semitones.
    rests : float
        Share of that time in which nothing sounds, 0 to 1.
    interval : float
        Mean size of the steps of the first pitched voice, in semitones.
    repetition : float
        Share of its groups of four notes that came before, 0 to 1.
    key : str
        Such as "D minor"; empty without pitches.
    clarity : float
        How well that key fits, from -1 to 1.
    voices : int
    drums : bool
    """

    notes: int
    seconds: float
    density: float
    lowest: str
    highest: str
    span: float
    rests: float
    interval: float
    repetition: float
    key: str
    clarity: float
    voices: int
    drums: bool


def measured(parts: list[Part], tick_s: float, read_s: float) -> Measures:
    """The measures of a piece.

    Parameters
    ----------
    parts : list of Part
    tick_s : float
        How long a tick lasts, in s.
    read_s : float
        How long the disc is read, in s.

    Returns
    -------
    Measures
    """
    sounding = [p for p in parts if len(p)]
    pitched = [p for p in sounding if p.voice.drum is None]
    total = sum(len(p) for p in sounding)
    tones = np.concatenate([p.pitch for p in pitched]) if pitched else np.zeros(0)
    key, clarity = "", 0.0
    if len(tones):
        weights = np.concatenate([p.off - p.on for p in pitched]).astype(np.float64)
        key, clarity = key_of(tones, weights)
    low, high = (float(tones.min()), float(tones.max())) if len(tones) else (0.0, 0.0)
    tune = pitched[0].pitch if pitched else tones
    return Measures(
        notes=total,
        seconds=round(read_s, 2),
        density=round(total / read_s, 2),
        lowest=note_name(round(low)) if len(tones) else "",
        highest=note_name(round(high)) if len(tones) else "",
        span=round(high - low, 2),
        rests=round(_rests(sounding, tick_s, read_s), 3),
        interval=round(float(np.abs(np.diff(tune)).mean()), 2) if len(tune) > 1 else 0.0,
        repetition=round(_repetition(tune), 3),
        key=key,
        clarity=round(clarity, 3),
        voices=len(sounding),
        drums=len(pitched) < len(sounding),
    )


def _rests(parts: list[Part], tick_s: float, read_s: float) -> float:
    end = max(1, round(read_s / tick_s))
    if not parts:
        return 1.0
    on = np.minimum(np.concatenate([p.on for p in parts]), end)
    off = np.minimum(np.concatenate([p.off for p in parts]), end)
    order = np.argsort(on, kind="stable")
    on, off = on[order], off[order]
    reach = np.maximum.accumulate(off)
    before = np.concatenate(([0], reach[:-1]))
    silent = np.maximum(on - before, 0).sum() + max(0, end - int(reach[-1]))
    return float(silent) / end


def _repetition(tune: NDArray[np.float64]) -> float:
    if len(tune) < _GROUP + 1:
        return 0.0
    groups = np.lib.stride_tricks.sliding_window_view(np.round(tune, 2), _GROUP)
    return 1.0 - len(np.unique(groups, axis=0)) / len(groups)


@lru_cache(maxsize=1)
def _profiles() -> NDArray[np.float64]:
    """Krumhansl and Kessler's profiles from every tonic, shape (24, 12): major, then minor."""
    discrete = importlib.import_module("music21.analysis.discrete")
    kind = discrete.KrumhanslKessler()
    rows = [np.roll(kind.getWeights(mode), k) for mode in ("major", "minor") for k in range(12)]
    return np.asarray(rows, np.float64)


def key_of(pitch: NDArray[np.float64], weight: NDArray[np.float64]) -> tuple[str, float]:
    """The key that fits best, and its correlation.

    Parameters
    ----------
    pitch : ndarray of float64, shape (notes,)
        MIDI note numbers; fractions count for the nearest tone.
    weight : ndarray of float64, shape (notes,)
        How long each sounds.

    Returns
    -------
    key : str
    clarity : float
    """
    heard = np.bincount(np.rint(pitch).astype(np.int64) % 12, weight, minlength=12)
    profiles = _profiles()
    a = heard - heard.mean()
    b = profiles - profiles.mean(axis=1, keepdims=True)
    norm = np.sqrt((a**2).sum() * (b**2).sum(axis=1))
    fit = b @ a / np.where(norm > 0, norm, 1)
    best = int(np.argmax(fit))
    return f"{_NAMES[best % 12]} {'minor' if best >= 12 else 'major'}", float(fit[best])
