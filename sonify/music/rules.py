"""Rhythm rules: which places sound, when, how long and how hard. One class a rule.

Rules chain: each takes the events that the one before it made. `RULES` is the table.
"""

from __future__ import annotations

from typing import Annotated

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.music.material import Events, Material
from sonify.settings import Settings

__all__ = ["RULES", "Rule"]

Count = Annotated[int, msgspec.Meta(ge=1, le=64)]
Factor = Annotated[float, msgspec.Meta(gt=0, le=256)]


class Rule(Settings, frozen=True, tag_field="rule", tag="none"):
    """What all rhythm rules are: settings, and a method from events to events."""

    def apply(self, e: Events, m: Material) -> Events:
        """The events after this rule."""
        raise NotImplementedError


def row_end(e: Events, m: Material) -> NDArray[np.float64]:
    """The slot at which each event's row ends."""
    out: NDArray[np.float64] = m.timeline.row_slot[m.row(e.index)] + np.float64(m.positions)
    return out


class Each(Rule, frozen=True, tag="each"):
    """A note for each place, one step long."""

    def apply(self, e: Events, m: Material) -> Events:
        return e


class Joined(Rule, frozen=True, tag="joined"):
    """Places that follow each other without a gap in a row become one long note."""

    def apply(self, e: Events, m: Material) -> Events:
        if not len(e):
            return e
        new = np.ones(len(e), bool)
        new[1:] = (np.diff(e.index) != 1) | (e.index[1:] % m.positions == 0)
        first = np.flatnonzero(new)
        last = np.append(first[1:], len(e)) - 1
        run = e.keep(first)
        return run.but(length=e.end[last] - run.onset)


class Held(Rule, frozen=True, tag="held"):
    """Each note lasts until the next one, or to the end of its row."""

    longest: Annotated[float, msgspec.Meta(gt=0, le=4096)] = 4096.0

    def apply(self, e: Events, m: Material) -> Events:
        if not len(e):
            return e
        until = row_end(e, m)
        until[:-1] = np.minimum(until[:-1], np.maximum(e.onset[1:], e.onset[:-1]))
        length = np.minimum(until - e.onset, self.longest)
        return e.but(length=np.where(length > 0, length, e.length))


class Changes(Rule, frozen=True, tag="changes"):
    """Only where the bit differs from the one read before it."""

    def apply(self, e: Events, m: Material) -> Events:
        before = m.bits[np.maximum(e.index - 1, 0)]
        fresh = (e.index % m.positions == 0) | (m.bits[e.index] != before)
        return e.keep(fresh)


class Thinned(Rule, frozen=True, tag="thinned"):
    """Only every so manieth note of each row stays."""

    every: Count = 2
    first: Annotated[int, msgspec.Meta(ge=0, le=63)] = 0

    def apply(self, e: Events, m: Material) -> Events:
        row = m.row(e.index)
        start = np.searchsorted(row, row, side="left")
        return e.keep((np.arange(len(e)) - start) % self.every == self.first % self.every)


class Gate(Rule, frozen=True, tag="gate"):
    """Notes last this share of their length: short is crisp, over 1 overlaps."""

    amount: Factor = 0.5

    def apply(self, e: Events, m: Material) -> Events:
        return e.but(length=e.length * self.amount)


class Swing(Rule, frozen=True, tag="swing"):
    """The second of each two steps comes late: 0.5 is straight, 0.67 a triplet's lilt."""

    amount: Annotated[float, msgspec.Meta(ge=0.5, le=0.8)] = 0.58

    def apply(self, e: Events, m: Material) -> Events:
        start = m.timeline.row_slot[m.row(e.index)]

        def lilt(slot: NDArray[np.float64]) -> NDArray[np.float64]:
            pair, within = np.divmod(slot - start, 2.0)
            long = 2 * self.amount
            late = np.where(within < 1, within * long, long + (within - 1) * (2 - long))
            out: NDArray[np.float64] = start + 2 * pair + late
            return out

        onset = lilt(e.onset)
        return e.but(onset=onset, length=lilt(e.end) - onset)


class Accents(Rule, frozen=True, tag="accents"):
    """Loudness by a pattern over the positions: 1 as the voice has it, 0.5 half as hard."""

    pattern: tuple[Annotated[float, msgspec.Meta(ge=0, le=2)], ...] = (1.0, 0.6, 0.8, 0.6)

    def apply(self, e: Events, m: Material) -> Events:
        cycle = np.asarray(self.pattern or (1.0,))
        return e.but(force=e.force * cycle[(e.index % m.positions) % len(cycle)])


class Echoes(Rule, frozen=True, tag="echoes"):
    """Each note comes again, softer each time, some steps later and some degrees away."""

    count: Annotated[int, msgspec.Meta(ge=1, le=8)] = 2
    delay: Annotated[float, msgspec.Meta(gt=0, le=256)] = 3.0
    fade: Annotated[float, msgspec.Meta(gt=0, le=1)] = 0.6
    shift: Annotated[int, msgspec.Meta(ge=-24, le=24)] = 0

    def apply(self, e: Events, m: Material) -> Events:
        parts = [e]
        for k in range(1, self.count + 1):
            parts.append(
                e.but(
                    onset=e.onset + k * self.delay,
                    force=e.force * self.fade**k,
                    shift=e.shift + k * self.shift,
                )
            )
        return Events.joined(parts)


RULES: dict[str, type[Rule]] = {
    str(c.__struct_config__.tag): c
    for c in (Each, Joined, Held, Changes, Thinned, Gate, Swing, Accents, Echoes)
}
