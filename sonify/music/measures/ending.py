"""How a piece ends: the last step of its bass, and whether the last chord has the root."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["CLOSED", "ending_of"]

CLOSED = ("authentic", "plagal", "on the root")
"""Endings whose bass is on the root."""

_FIFTH, _FOURTH = 7, 5


def ending_of(
    on: NDArray[np.int64], off: NDArray[np.int64], pitch: NDArray[np.float64], root: int
) -> str:
    """The ending in words.

    The names are those of cadences by their bass, as in W. E. Caplin, "Classical Form" (1998):
    authentic from the fifth degree to the root, plagal from the fourth to the root, half on the
    fifth. The chords above the bass are not judged.

    Parameters
    ----------
    on, off : ndarray of int64, shape (notes,)
        Of the pitched notes, in any unit.
    pitch : ndarray of float64, shape (notes,)
    root : int
        The root's pitch class, 0 to 11.

    Returns
    -------
    str
        "authentic", "plagal", "on the root" (another step of the bass to the root), "root above"
        (the root is in the last chord, though not its bass), "half", "open", or "" without notes.
    """
    if not len(on):
        return ""
    last = int(on.max())
    sounding = off > last
    bass = float(pitch[sounding].min())
    degree = round(bass - root) % 12
    if degree == 0:
        before = _bass_before(on, off, pitch, bass)
        return {_FIFTH: "authentic", _FOURTH: "plagal"}.get(
            -1 if before is None else round(before - root) % 12, "on the root"
        )
    if (np.rint(pitch[sounding] - root) % 12 == 0).any():
        return "root above"
    return "half" if degree == _FIFTH else "open"


def _bass_before(
    on: NDArray[np.int64], off: NDArray[np.int64], pitch: NDArray[np.float64], bass: float
) -> float | None:
    """The last tone of the bass that is not the one that it ends on; None if there is none."""
    last = int(on.max())
    for start in np.unique(on[on <= last])[::-1].tolist():
        lowest = float(pitch[(on <= start) & (off > start)].min())
        if round(lowest - bass) % 12:
            return lowest
    return None
