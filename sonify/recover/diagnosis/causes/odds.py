"""How sure each sign makes its cause, and the probabilities of causes that follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.causes.cause import Finding

__all__ = ["APART", "LOST", "ODDS", "losses", "ranked"]

APART = 9
"""For signs that stand apart from that."""

ODDS: dict[str, tuple[int, float, float]] = {
    "at-limit": (APART, 1.0, 0.9),
    "beside": (2, 3.1, 0.6),
    "bytes-lost": (2, 1.6, 0.6),
    "cut-off": (0, 1.2, 1.2),
    "data-late": (0, 2.6, 0.0),
    "drifts": (APART, 3.0, 0.2),
    "errors-like-ambient-light": (3, 1.2, 1.4),
    "errors-like-hole": (3, 1.6, 0.8),
    "errors-like-noise": (3, -1.5, 0.0),
    "errors-like-slow-stage": (3, 0.6, 0.0),
    "errors-like-stage": (3, 2.5, 1.4),
    "errors-like-stage-early": (3, -0.7, 0.0),
    "errors-like-stage-late": (3, 1.0, 0.2),
    "errors-like-threshold": (3, 0.4, 0.8),
    "falls-silent": (2, 2.1, 2.0),
    "fits-that-way": (2, 4.6, 0.0),
    "gaps": (0, 1.7, 0.0),
    "hum": (0, 0.9, 1.5),
    "jumps-apart": (0, 2.5, 2.0),
    "last-rows-silent": (APART, -1.1, 0.0),
    "leaves": (2, 0.4, 0.0),
    "levels-move": (0, 1.4, 0.7),
    "lit": (0, 1.2, 0.0),
    "lit-all-along": (APART, -0.9, 0.0),
    "miscount": (APART, 2.6, 0.0),
    "moves": (2, 1.0, 2.5),
    "noisy": (0, 3.1, 0.6),
    "notes-late": (2, 3.4, 0.0),
    "off-speed": (APART, 1.7, 0.2),
    "once-a-turn": (3, -3.5, 0.9),
    "other-rows": (2, 1.0, 0.0),
    "other-start": (2, -0.4, 2.1),
    "pulses-doubled": (1, -2.2, 0.0),
    "pulses-missing": (1, -1.9, 0.5),
    "pulses-split": (1, -0.1, 0.9),
    "row-not-sent": (1, 3.0, 0.0),
    "row-off": (2, 1.1, 0.0),
    "row-silent": (APART, 0.3, 0.0),
    "rows-blank": (2, -0.2, 0.0),
    "rows-swapped": (2, 3.8, 0.0),
    "same-pulse": (1, 1.3, 0.8),
    "seams": (0, 3.6, 0.0),
    "shallow-starts": (2, 1.1, 0.0),
    "silent": (APART, 3.7, 1.7),
    "starts-slowly": (APART, 2.1, 0.0),
    "sways": (0, 2.1, 0.0),
    "tail": (0, 3.1, 0.9),
    "threshold-at-level": (0, 1.9, 0.0),
    "threshold-off": (3, 0.3, 0.0),
    "turned": (0, -0.0, 1.2),
    "waits": (2, 1.5, 0.0),
    "wanders": (0, 0.9, 1.0),
}
"""Where each sign shows: in the channels (0), in the clock's pulses (1), in where the stage was
(2), or in what bits are wrong (3); the log odds of the causes that show it, at a strength of 0; and
what each unit more adds. Fitted by tests/benchmarks/signs.py on generators a, b, d, e and o; half
of the takes count as sound, and each fault is as common as others."""

LOST = (0.0, 2.6, 0.8, 1.2)
"""What a sign in each place loses if there is one in an earlier place, which may explain it (fitted
with the others)."""

LEAST = 0.01
"""Causes of a lower probability are not listed (own choice)."""


def losses(signs: Sequence[str]) -> NDArray[np.bool_]:
    """Which signs lose what of `LOST`, shape (signs, places)."""
    place = np.array([ODDS[sign][0] for sign in signs], np.int64)
    behind = (place > place.min(initial=APART)) & (place < APART)
    out: NDArray[np.bool_] = behind[:, None] & (place[:, None] == np.arange(len(LOST)))
    return out


def ranked(found: Sequence[Finding]) -> list[Finding]:
    """The likeliest first, with their probabilities; what is left is that it is none of them."""
    odds = np.array([at + more * f.strength for f in found for _, at, more in [ODDS[f.sign]]])
    odds = odds - losses([f.sign for f in found]) @ np.array(LOST)
    share = np.exp(odds - np.logaddexp.reduce(np.append(odds, 0.0)))
    order = np.argsort(-odds, kind="stable").tolist()
    every = [replace(found[k], probability=float(share[k])) for k in order]
    # what does no harm is no other explanation of the harm
    return [f for f in every if f.probability > LEAST or not f.cause.harms]
