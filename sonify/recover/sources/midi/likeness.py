"""Which shipped preset a recording sounds like, whatever its disc and its speed were."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.performance_settings import Setup
from sonify.recover.sources.midi.expectation import random_discs
from sonify.recover.sources.midi.placement import FIRST_ROWS, NOTES_THERE, ROW, timeline_of
from sonify.recover.sources.midi.trial_notes import BEND_STEPS, lane_of

__all__ = ["likeness", "likest_preset"]

RARE = 0.001  # the share of notes that a mapping never makes: one in a hundred, of any kind


def likeness(notes: NDArray[np.void], setup: Setup) -> float:
    """The logarithm of the likelihood of recorded keys and velocities under a mapping."""
    timeline, grid = timeline_of(setup, FIRST_ROWS, ROW, None)
    made = random_discs(setup.music, timeline, grid, 7, FIRST_ROWS, NOTES_THERE)
    lane, own = (lane_of(c.astype(np.int64), "drums") for c in (notes["channel"], made.channel))
    tone = notes["pitch"].astype(np.int64) * BEND_STEPS + notes["bend"]
    total = 0.0
    for seen, known in ((tone, made.tone), (notes["velocity"].astype(np.int64), made.velocity)):
        value, count = np.unique((own << 21) + known, return_counts=True)
        code = (lane << 21) + seen
        at = np.minimum(np.searchsorted(value, code), len(value) - 1)
        share = np.where(value[at] == code, count[at] / len(made), 0.0)
        total += float(np.log((1 - RARE) * share + RARE).sum())
    return total


def likest_preset(notes: NDArray[np.void]) -> tuple[str, float]:
    """The name of the shipped preset whose notes are most like the recorded ones, and the
    logarithm of its likelihood."""
    from sonify.performance_settings import load_setup
    from sonify.presets import shipped

    names = [p.name for p in shipped() if p.kind == "music"]
    found = [(likeness(notes, load_setup((name,), {})), name) for name in names]
    best = max(found)
    return best[1], best[0]
