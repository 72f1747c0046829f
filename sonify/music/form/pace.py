"""How the tempo moves over a piece: as its form asks, within phrases, and at the end."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from sonify.music.form.settings import Form

__all__ = ["RITARDANDO_BARS", "moves", "pace_of"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]

RITARDANDO_BARS = 2
"""How many bars slow down before the end. Own choice."""

_STOPPING = 3.0
"""The exponent of a ritardando: tempo falls as a runner's speed over the distance, after A. Friberg
and J. Sundberg, "Does music performance allude to locomotion?", JASA 105 (1999); from memory."""


def moves(form: Form) -> bool:
    """Whether the tempo of a form moves."""
    return bool(form.tempo) or bool(form.rubato) or form.ritardando != 1


def pace_of(
    form: Form, phrase: Index, rows: int, positions: int, cell: Fraction, beat: Fraction,
    bar: Fraction,
) -> Reals | None:  # fmt: skip
    """The tempo of each beat of each row, as a factor.

    Parameters
    ----------
    form : Form
    phrase : ndarray of int64, shape (rows * cells,)
        A number for each phrase, at each cell.
    rows, positions : int
    cell, beat, bar : Fraction
        In positions.

    Returns
    -------
    ndarray of float64, shape (rows, beats), or None
        None where the tempo is even.
    """
    if not moves(form):
        return None
    starts = [n * beat for n in range(-(-positions * beat.denominator // beat.numerator))]
    at = (np.arange(rows)[:, None] * positions + np.array([float(s) for s in starts])).reshape(-1)
    total = rows * positions
    points = form.tempo or (1.0,)
    out: Reals = np.interp(at / total, np.linspace(0, 1, len(points)), points)
    cells = len(phrase) // rows
    mine = phrase.reshape(rows, cells)[:, [int(s // cell) for s in starts]].reshape(-1)
    ends = np.flatnonzero(np.diff(mine, append=-1)) + 1
    for first, last in zip([0, *ends[:-1].tolist()], ends.tolist(), strict=True):
        # a parabola over each phrase, after N. P. Todd, "A model of expressive timing in tonal
        # music", Music Perception 3 (1985); from memory
        place = (np.arange(last - first) + 0.5) / (last - first) * 2 - 1
        out[first:last] *= 1 - form.rubato * place**2
    slow = min(float(RITARDANDO_BARS * bar), positions)
    share = np.clip((at + float(beat) / 2 - total + slow) / slow, 0, 1)
    out *= (1 + (form.ritardando**_STOPPING - 1) * share) ** (1 / _STOPPING)
    return out.reshape(rows, -1)
