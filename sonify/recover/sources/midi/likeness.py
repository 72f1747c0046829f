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
CHANGED = 0.3  # the share of velocities that may be anything, as an editor may set them: own guess
SPREAD = 8.0  # how far an editor changes the others: a sixteenth of the range, own guess


def likeness(notes: NDArray[np.void], setup: Setup) -> float:
    """The logarithm of the likelihood of recorded keys and velocities under a mapping."""
    timeline, grid = timeline_of(setup, FIRST_ROWS, ROW, None)
    made = random_discs(setup.music, timeline, grid, 7, FIRST_ROWS, NOTES_THERE)
    lane, own = (lane_of(c.astype(np.int64), "drums") for c in (notes["channel"], made.channel))
    tone = notes["pitch"].astype(np.int64) * BEND_STEPS + notes["bend"]
    value, count = np.unique((own << 21) + made.tone, return_counts=True)
    at = np.minimum(np.searchsorted(value, (lane << 21) + tone), len(value) - 1)
    found = value[at] == (lane << 21) + tone
    total = np.log((1 - RARE) * np.where(found, count[at] / len(made), 0.0) + RARE).sum()
    levels = np.arange(128)
    near = np.exp(-(((levels - levels[:, None]) / SPREAD) ** 2) / 2)
    near /= near.sum(axis=0)
    for one in np.unique(lane):
        loud = near @ np.bincount(made.velocity[own == one], minlength=128)
        share = (1 - CHANGED) * loud / max(1.0, loud.sum()) + CHANGED / 127
        total += np.log(share[notes["velocity"][lane == one]]).sum()
    return float(total)


def likest_preset(notes: NDArray[np.void]) -> tuple[str, float]:
    """The name of the shipped preset whose notes are most like the recorded ones, and the
    logarithm of its likelihood."""
    from sonify.performance_settings import load_setup
    from sonify.presets import shipped

    names = [p.name for p in shipped() if p.kind == "music"]
    found = [(likeness(notes, load_setup((name,), {})), name) for name in names]
    best = max(found)
    return best[1], best[0]
