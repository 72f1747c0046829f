"""Rhythm rules that add notes: echoes, chords, repeated strokes, soft zeros."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, ClassVar

import msgspec
import numpy as np

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events
from sonify.music.machine import Refusal
from sonify.music.rhythm.following import Copy, Follower, Step, q16
from sonify.music.rhythm.rule import Reach, Rule

__all__ = ["Echoes", "Ghosts", "Layered", "Repeat"]


class Echoes(Rule, frozen=True, tag="echoes"):
    """Each note repeats, softer each time, some steps later and some degrees away.

    Attributes
    ----------
    count : Times
        How often a note repeats.
    delay : After
        How many steps later.
    fade
        How loud each is compared with the one before.
    shift
        How many scale degrees each one moves.
    """

    reorders: ClassVar[bool] = True

    count: Annotated[int, control(step=1, ge=1, le=8)] = 2
    delay: Annotated[float, control(step=0.5, unit="steps", soft=(0.5, 32), gt=0, le=256)] = 3.0
    fade: Annotated[float, control(step=0.05, gt=0, le=1)] = 0.6
    shift: Annotated[int, control(step=1, soft=(-12, 12), ge=-24, le=24)] = 0

    def apply(self, e: Events, m: BitStream) -> Events:
        return Events.joined([e] + [
            e.but(
                onset=e.onset + k * self.delay,
                velocity_scale=e.velocity_scale * self.fade**k,
                shift=e.shift + k * self.shift,
            )
            for k in range(1, self.count + 1)
        ])  # fmt: skip

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + self.count * self.delay)

    def follow(self, f: Follower) -> None:
        ks = range(1, self.count + 1)
        onsets = list(f.onsets)
        stride = f.levels("echoes", [self.fade**n for n in ks], [n * self.shift for n in ks])
        for n in ks:
            f.onsets += [None if o is None else o + n * self.delay for o in onsets]
        f.add(Step("ECHOES", a=self.count, b=stride, c=q16(self.delay)))
        f.copies = [
            replace(c, delay=c.delay + n * self.delay)
            for n in range(self.count + 1)
            for c in f.copies
        ]
        f.order, f.moved, f.chord = "echoes", True, None

    def copies(self) -> int:
        return self.count + 1

    def shifts(self, shifts: set[int]) -> set[int]:
        return {s + k * self.shift for s in shifts for k in range(self.count + 1)}


class Layered(Rule, frozen=True, tag="layered"):
    """Each note becomes a chord: others join it, some degrees above or below.

    Attributes
    ----------
    shifts_by : Above
        How many scale degrees above it each added note lies, such as 2, 4.
    velocity_scale : Loudness
        How loud the added notes are compared with the first.
    """

    near: ClassVar[bool] = True

    shifts_by: Annotated[
        tuple[Annotated[int, msgspec.Meta(ge=-24, le=24)], ...], control(min_length=1, max_length=8)
    ] = msgspec.field(name="shifts", default=(2, 4))
    velocity_scale: Annotated[float, control(step=0.05, gt=0, le=1)] = 0.85

    def apply(self, e: Events, m: BitStream) -> Events:
        scale = e.velocity_scale * self.velocity_scale
        return Events.joined(
            [e, *(e.but(shift=e.shift + s, velocity_scale=scale) for s in self.shifts_by)]
        )

    def follow(self, f: Follower) -> None:
        count = len(self.shifts_by)
        onsets = list(f.onsets)
        stride = f.levels("layered", [self.velocity_scale] * count, self.shifts_by)
        f.onsets += onsets * count
        f.add(Step("ECHOES", a=count, b=stride))
        f.copies = [copy for copy in f.copies for _ in range(count + 1)]
        f.twice |= f.order == "layered"
        if f.twice or f.after == "row-end-chords":
            f.mixed = "layered"
        together, levels = f.chord or (1, stride)
        f.chord = together * (count + 1), levels
        f.order = f.order or "layered"

    def copies(self) -> int:
        return 1 + len(self.shifts_by)

    def shifts(self, shifts: set[int]) -> set[int]:
        return {s + k for s in shifts for k in (0, *self.shifts_by)}


class Repeat(Rule, frozen=True, tag="repeat"):
    """Each note is struck several times within its length.

    Attributes
    ----------
    times
        How often each note is struck.
    fade
        How loud each is compared with the one before.
    """

    needs_end: ClassVar[bool] = True
    reorders: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    times: Annotated[int, control(step=1, ge=1, le=16)] = 2
    fade: Annotated[float, control(step=0.05, gt=0, le=2)] = 0.85

    def apply(self, e: Events, m: BitStream) -> Events:
        length = e.length / self.times
        return Events.joined([
            e.but(
                onset=e.onset + k * length,
                length=length,
                velocity_scale=e.velocity_scale * self.fade**k,
            )
            for k in range(self.times)
        ])  # fmt: skip

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + before.length)

    def follow(self, f: Follower) -> None:
        f.need_length("repeat")
        ks = range(1, self.times)
        stride = f.levels("repeat", [self.fade**n for n in ks], [0 for _ in ks])
        f.add(Step("REPEAT", a=self.times, b=stride))
        f.copies = [
            replace(c, delay=c.delay + n * c.length / self.times, length=c.length / self.times)
            for n in range(self.times)
            for c in f.copies
        ]
        f.shortest /= self.times
        f.onsets = f.onsets + [None] * (len(f.shifts) - len(f.onsets))
        f.order, f.moved, f.chord = "repeat", True, None

    def copies(self) -> int:
        return self.times


class Ghosts(Rule, frozen=True, tag="ghosts"):
    """The zeros sound too, softly.

    Attributes
    ----------
    velocity_scale : Loudness
        How loud the zeros are compared with the ones.
    """

    velocity_scale: Annotated[float, control(step=0.05, gt=0, le=1)] = 0.35

    def apply(self, e: Events, m: BitStream) -> Events:
        zeros = np.flatnonzero(m.bits == 0)
        zeros = zeros[~np.isin(zeros, e.index)]
        soft = Events.at(zeros, m).but(velocity_scale=np.full(len(zeros), self.velocity_scale))
        return Events.joined([e, soft])

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(length=max(before.length, 1.0))

    def follow(self, f: Follower) -> None:
        if f.after == "row-changes":
            raise Refusal(
                "'ghosts' after row-changes: whether a row's last zero sounds for itself depends "
                "on whether another row follows (leave ghosts out)"
            )
        f.add(Step("GHOSTS", b=f.add_level("ghosts", self.velocity_scale)))
        f.ghosts = True
        if f.copies[0].delay >= 1:
            f.order = f.order or "ghosts"
            f.mixed = "ghosts"
        if f.shaken:
            f.mixed = "ghosts"
        f.room = min(f.room, 0.0)
        f.when_over = False
        f.copies.append(Copy(0.0, 1.0))
        f.shortest = min(f.shortest, 1.0)
        f.chord = None
