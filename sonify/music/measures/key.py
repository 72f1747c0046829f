"""The key of a piece, and how clear it is.

Both follow C. L. Krumhansl and E. J. Kessler, "Tracing the dynamic changes in perceived tonal
organization in a spatial representation of musical keys", Psychological Review 89 (1982): the key
whose profile correlates best with how long each pitch class sounds, and that correlation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["key_fits", "key_of", "pitch_classes"]

Reals = NDArray[np.float64]

_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


_RATINGS = (
    (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
    (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
)
"""How well each pitch class, from the tonic up, fits a major and a minor key."""
_PROFILES: Reals = np.array([np.roll(kind, k) for kind in _RATINGS for k in range(12)])
"""From every tonic, shape (24, 12): major, then minor."""


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
    b = _PROFILES - _PROFILES.mean(axis=1, keepdims=True)
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
