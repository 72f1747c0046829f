"""A recording that holds the disc more than once: which reading of it is compared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sonify.errors import InputError
from sonify.recover.diagnosis.alignment import Design
from sonify.recover.diagnosis.fits import fit_of
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.source import MidiRecording

__all__ = ["Part", "one_reading"]

MUCH = 0.25  # of the disc's notes: so many beside a reading are another one
WHOLE = 0.9  # of what the best reading tells: the first such one is compared
MOST = 8  # readings that are looked at


@dataclass(frozen=True, eq=False)
class Part:
    """The reading that is compared, out of several: from when to when, which one, of how many."""

    seen: Observed
    begin_s: float
    end_s: float
    number: int
    count: int


def one_reading(
    recording: MidiRecording,
    design: Design,
    listening: Listening,
    observe: Callable[[MidiRecording], Observed],
) -> Part:
    """Observe the first whole reading of a recording.

    Parameters
    ----------
    recording : MidiRecording
    design : Design
    listening : Listening
    observe : callable
        Lays a recording along the disc.
    """
    enough = max(8, int(MUCH * (design.grid == 1).sum()))
    found: list[tuple[float, float, float, Observed]] = []
    parts = [recording]
    while parts and len(found) < MOST:
        part = parts.pop()
        try:
            seen = observe(part)
        except InputError:
            if found:
                continue
            raise
        on = part.notes["on_s"][listening.of(part.notes)]
        begin, end = _span(seen)
        before, after = on[on < begin], on[on > end]
        rest = [
            _cut(part, times.min(), times.max())
            for times in (before, after)
            if len(times) >= enough
        ]
        inside = on[(on >= begin) & (on <= end)]
        if rest and len(inside) >= 8:
            # what is another reading's must not bend the speed of this one
            seen = observe(_cut(part, inside.min(), inside.max()))
            parts += rest
        if len(inside):
            found.append((float(inside.min()), float(inside.max()), fit_of(seen, design), seen))
    found.sort(key=lambda f: f[0])
    if not found:
        return Part(observe(recording), 0.0, recording.seconds, 1, 1)
    best = max(f[2] for f in found)
    k = next(k for k, f in enumerate(found) if f[2] >= WHOLE * best)
    begin, end, _, seen = found[k]
    return Part(seen, begin, end, k + 1, len(found))


def _span(seen: Observed) -> tuple[float, float]:
    """When the rows that lie in the recording were read, with half a turn on both sides."""
    rows = (seen.under >= 0).any(axis=1)
    time = seen.time_s[rows]
    if not np.isfinite(time).any():
        return -np.inf, np.inf
    half = 0.5 * float(np.nanmedian(np.nanmax(time, axis=1) - np.nanmin(time, axis=1)))
    return float(np.nanmin(time)) - half, float(np.nanmax(time)) + half


def _cut(recording: MidiRecording, begin: float, end: float) -> MidiRecording:
    """The part between two onsets."""
    on = recording.notes["on_s"]
    last = end + 1.0
    return replace(
        recording,
        notes=recording.notes[(on >= begin) & (on <= end)],
        orphans=recording.orphans[(recording.orphans >= begin) & (recording.orphans <= last)],
        struck_again=recording.struck_again[
            (recording.struck_again >= begin) & (recording.struck_again <= end)
        ],
    )
