"""A take that holds the disc more than once: which reading of it is compared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sonify.errors import InputError
from sonify.recover.diagnosis.alignment import Plan
from sonify.recover.diagnosis.fits import fit_of
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.source import MidiTake

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
    take: MidiTake, plan: Plan, listening: Listening, observe: Callable[[MidiTake], Observed]
) -> Part:
    """Observe the first whole reading of a take.

    Parameters
    ----------
    take : MidiTake
    plan : Plan
    listening : Listening
    observe : callable
        Lays a take along the disc.
    """
    enough = max(8, int(MUCH * (plan.grid == 1).sum()))
    found: list[tuple[float, float, float, Observed]] = []
    parts = [take]
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
            # what is another reading's must not bend the pace of this one
            seen = observe(_cut(part, inside.min(), inside.max()))
            parts += rest
        if len(inside):
            found.append((float(inside.min()), float(inside.max()), fit_of(seen, plan), seen))
    found.sort(key=lambda f: f[0])
    if not found:
        return Part(observe(take), 0.0, take.seconds, 1, 1)
    best = max(f[2] for f in found)
    k = next(k for k, f in enumerate(found) if f[2] >= WHOLE * best)
    begin, end, _, seen = found[k]
    return Part(seen, begin, end, k + 1, len(found))


def _span(seen: Observed) -> tuple[float, float]:
    """When the rows that lie in the take were read, with half a turn on both sides."""
    rows = (seen.under >= 0).any(axis=1)
    time = seen.time_s[rows]
    if not np.isfinite(time).any():
        return -np.inf, np.inf
    half = 0.5 * float(np.nanmedian(np.nanmax(time, axis=1) - np.nanmin(time, axis=1)))
    return float(np.nanmin(time)) - half, float(np.nanmax(time)) + half


def _cut(take: MidiTake, begin: float, end: float) -> MidiTake:
    """The part between two onsets."""
    on = take.notes["on_s"]
    last = end + 1.0
    return replace(
        take,
        notes=take.notes[(on >= begin) & (on <= end)],
        orphans=take.orphans[(take.orphans >= begin) & (take.orphans <= last)],
        struck_again=take.struck_again[(take.struck_again >= begin) & (take.struck_again <= end)],
    )
