"""Which shipped preset a recording sounds like, whatever its disc and its speed were."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

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


class _Made(NamedTuple):
    """The different tones of random discs, with their lanes, how often each occurs, and how often
    each velocity does in each lane."""

    tone: NDArray[np.int64]
    times: NDArray[np.int64]
    loud: dict[int, NDArray[np.int64]]


def _made(setup: Setup) -> _Made:
    timeline, grid = timeline_of(setup, FIRST_ROWS, ROW, None)
    made = random_discs(setup.music, timeline, grid, 7, FIRST_ROWS, NOTES_THERE)
    lane = lane_of(made.channel, "drums")
    tone, times = np.unique((lane << 21) + made.tone, return_counts=True)
    lanes = np.unique(lane).tolist()
    loud = {n: np.bincount(made.velocity[lane == n], minlength=128) for n in lanes}
    return _Made(tone, times, loud)


@lru_cache(maxsize=64)
def _made_by(preset: str) -> _Made:
    from sonify.performance_settings import load_setup

    return _made(load_setup((preset,), {}))


def likeness(notes: NDArray[np.void], setup: Setup | str) -> float:
    """The logarithm of the likelihood of recorded keys and velocities under a mapping, or the
    shipped preset of this name."""
    made = _made_by(setup) if isinstance(setup, str) else _made(setup)
    lane = lane_of(notes["channel"].astype(np.int64), "drums")
    tone = (lane << 21) + notes["pitch"].astype(np.int64) * BEND_STEPS + notes["bend"]
    at = np.minimum(np.searchsorted(made.tone, tone), len(made.tone) - 1)
    share = np.where(made.tone[at] == tone, made.times[at] / made.times.sum(), 0.0)
    total = np.log((1 - RARE) * share + RARE).sum()
    levels = np.arange(128)
    near = np.exp(-(((levels - levels[:, None]) / SPREAD) ** 2) / 2)
    near /= near.sum(axis=0)
    for one in np.unique(lane):
        loud = near @ made.loud.get(int(one), np.zeros(128))
        share = (1 - CHANGED) * loud / max(1.0, loud.sum()) + CHANGED / 127
        total += np.log(share[notes["velocity"][lane == one]]).sum()
    return float(total)


def likest_preset(notes: NDArray[np.void]) -> tuple[str, float]:
    """The name of the shipped preset whose notes are most like the recorded ones, and the
    logarithm of its likelihood."""
    from sonify.presets import shipped

    names = [p.name for p in shipped() if p.kind == "music"]
    found = [(likeness(notes, name), name) for name in names]
    best = max(found)
    return best[1], best[0]
