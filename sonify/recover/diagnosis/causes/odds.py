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

ODDS: dict[str, tuple[int, float]] = {
    "at-limit": (0, 2.3),
    "beside": (2, 2.9),
    "bytes-lost": (2, 3.2),
    "data-late": (0, 3.4),
    "drifts": (APART, 2.8),
    "errors-like-ambient-light": (3, 0.9),
    "errors-like-hole": (3, 1.9),
    "errors-like-noise": (3, -0.2),
    "errors-like-off-centre": (3, 1.0),
    "errors-like-stage": (3, 2.5),
    "errors-like-stage-early": (3, 0.4),
    "errors-like-stage-late": (3, 2.1),
    "errors-like-threshold": (3, 0.9),
    "falls-silent": (2, 2.4),
    "fits-that-way": (2, 5.1),
    "hum": (0, 1.9),
    "jumps-apart": (0, 2.6),
    "levels-move": (0, 1.8),
    "moves": (2, 1.3),
    "noisy": (0, 2.6),
    "notes-late": (2, 2.9),
    "off-speed": (APART, 1.9),
    "once-a-turn": (3, -0.2),
    "other-disc": (APART, 1.9),
    "other-rows": (2, 1.4),
    "other-start": (2, 1.9),
    "pulses-odd": (1, -2.1),
    "row-not-sent": (1, 3.1),
    "rows-swapped": (2, 3.8),
    "same-pulse": (1, 1.6),
    "seams": (0, 2.3),
    "silent": (APART, 4.0),
    "starts-slowly": (APART, 2.4),
    "sways": (0, 2.4),
    "threshold-off": (0, 2.7),
}
"""Where each sign shows: in the channels (0), in the clock's pulses (1), in where the stage was
(2), or in what bits are wrong (3); and the log odds of the causes that show it, at a strength of 0.
Fitted by tests/benchmarks/signs.py on generators a, b, d, e and o; half of the takes count as
sound, and each fault is as common as others. "other-disc", "once-a-turn" and the pattern of a disc
off centre are fitted on a, b, d, e and f."""

LOST = (0.0, 2.2, 0.8, 1.4)
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
    odds = np.array([ODDS[f.sign][1] + f.strength for f in found])
    odds = odds - losses([f.sign for f in found]) @ np.array(LOST)
    share = np.exp(odds - np.logaddexp.reduce(np.append(odds, 0.0)))
    order = np.argsort(-odds, kind="stable").tolist()
    every = [replace(found[k], probability=float(share[k])) for k in order]
    # what does no harm is no other explanation of the harm
    return [f for f in every if f.probability > LEAST or not f.cause.harms]
