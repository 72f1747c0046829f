"""Rhythm rules: which places sound, when, how long and how hard. One class a rule.

Rules chain: each takes the events that the one before it made. `RULES` is the table. The rules
here choose and shape notes in their places; those in `timing_rules` move or add notes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, ClassVar, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.bit_stream import BitStream, Events
from sonify.music.rhythm.even import even_pattern
from sonify.music.rhythm.rule import Rule, chance, rank_in, row_end

__all__ = ["RULES", "Rule"]

Count = Annotated[int, msgspec.Meta(ge=1, le=64)]
Factor = Annotated[float, msgspec.Meta(gt=0, le=256)]
Seed = Annotated[int, msgspec.Meta(ge=0, le=2**31)]


class Each(Rule, frozen=True, tag="each"):
    """A note for each place, one step long."""

    def apply(self, e: Events, m: BitStream) -> Events:
        return e


class Joined(Rule, frozen=True, tag="joined"):
    """Places that follow each other without a gap in a row become one long note."""

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        new = np.ones(len(e), bool)
        new[1:] = (np.diff(e.index) != 1) | (e.index[1:] % m.positions == 0)
        first = np.flatnonzero(new)
        last = np.append(first[1:], len(e)) - 1
        run = e.keep(first)
        return run.but(length=e.end[last] - run.onset)


class Held(Rule, frozen=True, tag="held"):
    """Each note lasts until the next one, or to the end of its row (across: of the disc)."""

    longest: Annotated[float, msgspec.Meta(gt=0, le=4096)] = 4096.0
    across: bool = False

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        until = row_end(e, m)
        if self.across:
            until[:-1], until[-1] = e.onset[1:], m.timeline.end_slot
        else:
            until[:-1] = np.minimum(until[:-1], np.maximum(e.onset[1:], e.onset[:-1]))
        length = np.minimum(until - e.onset, self.longest)
        return e.but(length=np.where(length > 0, length, e.length))


class Changes(Rule, frozen=True, tag="changes"):
    """Only where the bit differs from the one read before it."""

    def apply(self, e: Events, m: BitStream) -> Events:
        before = m.bits[np.maximum(e.index - 1, 0)]
        fresh = (e.index % m.positions == 0) | (m.bits[e.index] != before)
        return e.keep(fresh)


class Thinned(Rule, frozen=True, tag="thinned"):
    """Of each row only every second note stays, or every third, and so on."""

    every: Count = 2
    first: Annotated[int, msgspec.Meta(ge=0, le=63)] = 0

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.keep(rank_in(m.line(e.index)) % self.every == self.first % self.every)


class Sparse(Rule, frozen=True, tag="sparse"):
    """Each note stays by chance, the same ones for the same seed."""

    keep: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.5
    seed: Seed = 1

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.keep(chance(self.seed, m.nth(e.index), 1) < self.keep)


class Pattern(Rule, frozen=True, tag="pattern"):
    """Only where a pattern such as "x..x..x." has an x, over the positions of each row."""

    pattern: str = ""

    def apply(self, e: Events, m: BitStream) -> Events:
        beats = self.pattern.replace(" ", "").replace("|", "")
        if not beats or set(beats) - set("xX."):
            raise InputError(
                f"'{self.pattern}' is not a pattern; write x for a note and . for none, such as "
                '"x..x..x."',
                place="pattern",
            )
        mask = np.array([c in "xX" for c in beats])
        return e.keep(mask[(e.index % m.positions) % len(mask)])


class Even(Rule, frozen=True, tag="even"):
    """Only on so many steps out of so many, spread as evenly as can be (Bjorklund)."""

    notes: Annotated[int, msgspec.Meta(ge=0, le=256)] = 3
    steps: Annotated[int, msgspec.Meta(ge=1, le=256)] = 8
    turn: Annotated[int, msgspec.Meta(ge=0, le=255)] = 0

    def apply(self, e: Events, m: BitStream) -> Events:
        if self.notes > self.steps:
            raise InputError(
                f"{self.notes} notes don't go into {self.steps} steps; give at most as many",
                place="notes",
            )
        mask = np.roll(even_pattern(self.notes, self.steps), -self.turn)
        return e.keep(mask[(e.index % m.positions) % self.steps])


class Breath(Rule, frozen=True, tag="breath"):
    """A rest at the end of each character: its last steps are silent."""

    rest: Annotated[int, msgspec.Meta(ge=1, le=64)] = 1

    def apply(self, e: Events, m: BitStream) -> Events:
        stays = e.keep(m.in_character(e.index) < m.unit_bits - self.rest)
        room = m.unit_bits - self.rest - m.in_character(stays.index)
        stop = m.slot(stays.index) + room
        return stays.but(length=np.maximum(np.minimum(stays.end, stop) - stays.onset, 1e-3))


class Gate(Rule, frozen=True, tag="gate"):
    """Notes last this share of their length: short is crisp, over 1 overlaps."""

    written: ClassVar[bool] = False
    amount: Factor = 0.5

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(length=e.length * self.amount)


class Length(Rule, frozen=True, tag="length"):
    """Every note lasts so many steps."""

    steps: Annotated[float, msgspec.Meta(gt=0, le=4096)] = 1.0

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(length=np.broadcast_to(np.float64(self.steps), len(e)))


class Accents(Rule, frozen=True, tag="accents"):
    """Loudness by a pattern over positions, places, characters, rows or notes: 1 as it is."""

    pattern: tuple[Annotated[float, msgspec.Meta(ge=0, le=2)], ...] = (1.0, 0.6, 0.8, 0.6)
    by: Literal["position", "place", "character", "row", "note"] = "position"

    def apply(self, e: Events, m: BitStream) -> Events:
        cycle = np.asarray(self.pattern or (1.0,))
        at = _COUNTS[self.by](e, m)
        return e.but(velocity_scale=e.velocity_scale * cycle[at % len(cycle)])


_COUNTS: dict[str, Callable[[Events, BitStream], NDArray[np.int64]]] = {
    "position": lambda e, m: e.index % m.positions,
    "place": lambda e, m: m.in_character(e.index),
    "character": lambda e, m: m.character(e.index),
    "row": lambda e, m: m.row(e.index),
    "note": lambda e, m: rank_in(m.line(e.index)),
}


class Ghosts(Rule, frozen=True, tag="ghosts"):
    """The zeros sound too, softly."""

    force: Annotated[float, msgspec.Meta(gt=0, le=1)] = 0.35

    def apply(self, e: Events, m: BitStream) -> Events:
        zeros = np.flatnonzero(m.bits == 0)
        zeros = zeros[~np.isin(zeros, e.index)]
        soft = Events.at(zeros, m)
        return Events.joined([e, soft.but(velocity_scale=np.full(len(zeros), self.force))])


def _table() -> dict[str, type[Rule]]:
    from sonify.music.rhythm.timing_rules import (
        DoubleTime,
        Echoes,
        Entry,
        HalfTime,
        Humanise,
        Layered,
        Repeat,
        Spread,
        Strum,
        Swing,
    )

    kinds: tuple[type[Rule], ...] = (
        Each, Joined, Held, Changes, Thinned, Sparse, Pattern, Even, Spread, Breath, Gate, Length,
        Swing, Accents, Ghosts, Layered, Echoes, Repeat, HalfTime, DoubleTime, Entry, Strum,
        Humanise,
    )  # fmt: skip
    return {str(c.__struct_config__.tag): c for c in kinds}


RULES: dict[str, type[Rule]] = _table()
