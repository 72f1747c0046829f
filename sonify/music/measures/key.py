"""The key of a piece, and how clear it is.

Both follow C. L. Krumhansl and E. J. Kessler, "Tracing the dynamic changes in perceived tonal
organization in a spatial representation of musical keys", Psychological Review 89 (1982), with
the profiles that music21 carries: the key whose profile correlates best with how long each pitch
class sounds, and that correlation.
"""

from __future__ import annotations

import importlib
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["key_fits", "key_of", "pitch_classes"]

Reals = NDArray[np.float64]

_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


@lru_cache(maxsize=1)
def _profiles() -> Reals:
    """Krumhansl and Kessler's profiles from every tonic, shape (24, 12): major, then minor."""
    discrete = importlib.import_module("music21.analysis.discrete")
    kind = discrete.KrumhanslKessler()
    rows = [np.roll(kind.getWeights(mode), k) for mode in ("major", "minor") for k in range(12)]
    return np.asarray(rows, np.float64)


def pitch_classes(pitch: Reals, weight: Reals) -> Reals:
    """How long each of the twelve pitch classes sounds; fractions count for the nearest tone."""
    out: Reals = np.bincount(np.rint(pitch).astype(np.int64) % 12, weight, 12).astype(np.float64)
    return out


def key_fits(heard: Reals) -> Reals:
    """How well each key fits what is heard of the pitch classes, from -1 to 1.

    Parameters
    ----------
    heard : ndarray of float64, shape (..., 12)

    Returns
    -------
    ndarray of float64, shape (..., 24)
        The major keys from C, then the minor ones.
    """
    a = heard - heard.mean(axis=-1, keepdims=True)
    profiles = _profiles()
    b = profiles - profiles.mean(axis=1, keepdims=True)
    norm = np.sqrt((a**2).sum(axis=-1, keepdims=True) * (b**2).sum(axis=1))
    out: Reals = a @ b.T / np.where(norm > 0, norm, 1)
    return out


def key_of(pitch: Reals, weight: Reals) -> tuple[str, float]:
    """The key that fits best, and its correlation.

    Parameters
    ----------
    pitch : ndarray of float64, shape (notes,)
        MIDI note numbers.
    weight : ndarray of float64, shape (notes,)
        How long each sounds.

    Returns
    -------
    key : str
    clarity : float
    """
    fit = key_fits(pitch_classes(pitch, weight))
    best = int(np.argmax(fit))
    return f"{_NAMES[best % 12]} {'minor' if best >= 12 else 'major'}", float(fit[best])
