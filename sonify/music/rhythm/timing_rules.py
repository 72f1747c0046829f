"""Rhythm rules that move notes or add some: swing, echoes, even spreads, other speeds."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream, Events
from sonify.music.rhythm.even import even_pattern
from sonify.music.rhythm.rule import Rule, chance, rank_in, row_start

__all__ = [
    "DoubleTime",
    "Echoes",
    "Entry",
    "HalfTime",
    "Humanise",
    "Layered",
    "Repeat",
    "Spread",
    "Strum",
    "Swing",
]

Reals = NDArray[np.float64]


class Spread(Rule, frozen=True, tag="spread"):
    """The notes of each row move to places spread as evenly as can be over it (Bjorklund)."""

    causal: ClassVar[bool] = False
    why_not: ClassVar[str] = "how many ones a row has is known only when it has been read"

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        row = m.line(e.index)
        rank = rank_in(row)
        count = np.bincount(row, minlength=m.lines)[row]
        place = np.empty(len(e), np.int64)
        for notes in np.unique(count).tolist():
            mine = count == notes
            spots = np.flatnonzero(even_pattern(min(notes, m.positions), m.positions))
            place[mine] = spots[rank[mine] % len(spots)]
        moved = e.but(onset=(m.timeline.row_slot[row] + place).astype(np.float64))
        return moved.sorted()


class Swing(Rule, frozen=True, tag="swing"):
    """The second of each two steps comes late: 0.5 is straight, 0.67 a triplet's lilt."""

    written: ClassVar[bool] = False

    amount: Annotated[float, msgspec.Meta(ge=0.5, le=0.8)] = 0.58

    def apply(self, e: Events, m: BitStream) -> Events:
        start = row_start(e, m)

        def lilt(slot: Reals) -> Reals:
            pair, within = np.divmod(slot - start, 2.0)
            long = 2 * self.amount
            late = np.where(within < 1, within * long, long + (within - 1) * (2 - long))
            out: Reals = start + 2 * pair + late
            return out

        onset = lilt(e.onset)
        return e.but(onset=onset, length=lilt(e.end) - onset)


class Echoes(Rule, frozen=True, tag="echoes"):
    """Each note comes again, softer each time, some steps later and some degrees away."""

    count: Annotated[int, msgspec.Meta(ge=1, le=8)] = 2
    delay: Annotated[float, msgspec.Meta(gt=0, le=256)] = 3.0
    fade: Annotated[float, msgspec.Meta(gt=0, le=1)] = 0.6
    shift: Annotated[int, msgspec.Meta(ge=-24, le=24)] = 0

    def apply(self, e: Events, m: BitStream) -> Events:
        parts = [e]
        for k in range(1, self.count + 1):
            parts.append(
                e.but(
                    onset=e.onset + k * self.delay,
                    velocity_scale=e.velocity_scale * self.fade**k,
                    shift=e.shift + k * self.shift,
                )
            )
        return Events.joined(parts)


class Layered(Rule, frozen=True, tag="layered"):
    """Each note becomes a chord: others join it, so many degrees above or below."""

    shifts: Annotated[
        tuple[Annotated[int, msgspec.Meta(ge=-24, le=24)], ...],
        msgspec.Meta(min_length=1, max_length=8),
    ] = (2, 4)
    force: Annotated[float, msgspec.Meta(gt=0, le=1)] = 0.85

    def apply(self, e: Events, m: BitStream) -> Events:
        parts = [e]
        for shift in self.shifts:
            parts.append(e.but(shift=e.shift + shift, velocity_scale=e.velocity_scale * self.force))
        return Events.joined(parts)


class Repeat(Rule, frozen=True, tag="repeat"):
    """Each note is struck several times within its length."""

    times: Annotated[int, msgspec.Meta(ge=1, le=16)] = 2
    fade: Annotated[float, msgspec.Meta(gt=0, le=2)] = 0.85

    def apply(self, e: Events, m: BitStream) -> Events:
        length = e.length / self.times
        parts = [
            e.but(
                onset=e.onset + k * length,
                length=length,
                velocity_scale=e.velocity_scale * self.fade**k,
            )
            for k in range(self.times)
        ]
        return Events.joined(parts)


class HalfTime(Rule, frozen=True, tag="half-time"):
    """The first half of each row at half speed; its second half is left out."""

    def apply(self, e: Events, m: BitStream) -> Events:
        first = e.keep(e.onset - row_start(e, m) < m.positions / 2)
        start = row_start(first, m)
        return first.but(onset=start + 2 * (first.onset - start), length=2 * first.length)


class DoubleTime(Rule, frozen=True, tag="double-time"):
    """Each row twice over at double speed."""

    causal: ClassVar[bool] = False
    why_not: ClassVar[str] = "at double speed it would sound bits that have not been read"

    def apply(self, e: Events, m: BitStream) -> Events:
        start = row_start(e, m)
        quick = e.but(onset=start + (e.onset - start) / 2, length=e.length / 2)
        return Events.joined([quick, quick.but(onset=quick.onset + m.positions / 2)])


class Entry(Rule, frozen=True, tag="entry"):
    """All notes come so many steps later: a voice that follows another as in a canon."""

    steps: Annotated[float, msgspec.Meta(gt=0, le=4096)] = 8.0

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(onset=e.onset + self.steps)


class Strum(Rule, frozen=True, tag="strum"):
    """Notes that would begin together follow each other quickly."""

    written: ClassVar[bool] = False

    step: Annotated[float, msgspec.Meta(gt=0, le=16)] = 0.25
    way: Literal["up", "down"] = "up"

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        _, group = np.unique(e.onset, return_inverse=True)
        rank = rank_in(group)
        if self.way == "down":
            rank = np.bincount(group)[group] - 1 - rank
        late = rank * self.step
        length = np.where(e.length > late, e.length - late, e.length)
        return e.but(onset=e.onset + late, length=length).sorted()


class Humanise(Rule, frozen=True, tag="humanise"):
    """Small chance differences in time and force, the same ones for the same seed."""

    causal: ClassVar[bool] = False
    why_not: ClassVar[str] = "some notes would come before their place is read"
    written: ClassVar[bool] = False

    time: Annotated[float, msgspec.Meta(ge=0, le=0.5)] = 0.08
    force: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.12
    seed: Annotated[int, msgspec.Meta(ge=0, le=2**31)] = 1

    def apply(self, e: Events, m: BitStream) -> Events:
        key = m.nth(e.index) * 64 + rank_in(e.index) % 64

        def around(lot: int) -> Reals:
            # two chances added: small differences are likelier than large ones
            out: Reals = chance(self.seed, key, lot) + chance(self.seed, key, lot + 1) - 1
            return out

        first = e.onset - m.since_start(e.onset)
        onset = np.maximum(e.onset + self.time * around(2), first)
        return e.but(
            onset=onset, velocity_scale=e.velocity_scale * (1 + self.force * around(4))
        ).sorted()
