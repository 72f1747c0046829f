"""Rhythm rules that choose which notes stay."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Annotated, ClassVar, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.errors import InputError
from sonify.music.bit_stream import BitStream, Events, rank_in
from sonify.music.form.plan import Plan
from sonify.music.machine import Lead
from sonify.music.rhythm.even import even_pattern
from sonify.music.rhythm.following import Follower, Mask, Step
from sonify.music.rhythm.note_lengths import value_positions
from sonify.music.rhythm.rule import Rule, Seed, chance

__all__ = ["Breath", "Changes", "Each", "Even", "Numbered", "Pattern", "Sparse", "Thinned", "Turns"]


class Each(Rule, frozen=True, tag="each"):
    """A note of one step for each place."""

    tells = "always"
    stays: ClassVar[bool] = True

    def apply(self, e: Events, m: BitStream) -> Events:
        return e

    def follow(self, f: Follower) -> None:
        pass


class _Choosing(Rule, frozen=True, tag="none"):
    """Drops notes and leaves the others as they are."""

    stays: ClassVar[bool] = True
    skips: ClassVar[bool] = True


class Changes(_Choosing, frozen=True, tag="changes"):
    """Notes only where the bit differs from the one read before it."""

    def apply(self, e: Events, m: BitStream) -> Events:
        before = m.bits[np.maximum(e.index - 1, 0)]
        return e.keep((e.index % m.positions == 0) | (m.bits[e.index] != before))

    def follow(self, f: Follower) -> None:
        f.add(Step("CHANGES"))


class Thinned(_Choosing, frozen=True, tag="thinned"):
    """Only every second note of each row stays, or every third, and so on.

    Attributes
    ----------
    every : One in
        One note stays out of this many.
    first
        Which of them stays, counted from 0.
    """

    near: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    every: Annotated[int, control(step=1, soft=(1, 16), ge=1, le=64)] = 2
    first: Annotated[int, control(step=1, soft=(0, 15), ge=0, le=63)] = 0

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.keep(rank_in(m.line(e.index)) % self.every == self.first % self.every)

    def follow(self, f: Follower) -> None:
        f.need_order("thinned", chords=True)
        f.chord = None
        f.add(Step("THINNED", b=self.every, c=self.first % self.every))
        far = f.machine.gap + 1  # each row is counted anew
        f.change_copies(
            lot=lambda c: -(-c.lot // self.every),
            spacing=lambda c: max(c.spacing, min(c.spacing * self.every, far) if c.lot == 1 else 1),
        )


class Sparse(_Choosing, frozen=True, tag="sparse"):
    """Each note stays or goes by chance; the same seed keeps the same notes.

    Attributes
    ----------
    keep
        What share of the notes stays.
    """

    keep: Annotated[float, control(step=0.05, ge=0, le=1)] = 0.5
    seed: Seed = 1

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.keep(chance(self.seed, m.nth(e.index), 1) < self.keep)

    def follow(self, f: Follower) -> None:
        share = math.ceil(self.keep * 2**32)
        if share < 2**32:
            f.add(Step("SPARSE", c=share, d=self.seed))


class Numbered(_Choosing, frozen=True, tag="numbered"):
    """Notes only where the bits before it, read as a number, are one of some numbers.

    Attributes
    ----------
    numbers
        The numbers, such as 0, 3, 5.
    bits
        How many bits make the number.
    """

    numbers: tuple[Annotated[int, msgspec.Meta(ge=0, le=4095)], ...] = (0,)
    bits: Annotated[int, control(step=1, ge=1, le=12)] = 3

    def _mask(self) -> Mask:
        # the core's number has the bit itself as its lowest
        wanted = np.isin(np.arange(1 << self.bits), self.numbers)
        return Mask("NUMBER", tuple(np.repeat(wanted, 2).tolist()), (2 << self.bits) - 1)

    def apply(self, e: Events, m: BitStream) -> Events:
        mask = self._mask()
        number = Lead(mask.by, len(mask.bits), up=mask.back).at(m, e.index)
        return e.keep(np.array(mask.bits)[number])

    def follow(self, f: Follower) -> None:
        f.add(Step("MASK", mask=self._mask()))


class _Cycle(_Choosing, frozen=True, tag="none"):
    """Keeps notes by a cycle over the positions of a row."""

    tells = "always"

    def cycle(self) -> NDArray[np.bool_]:
        """Which steps of the cycle may sound."""
        raise NotImplementedError

    def of_row(self, positions: int, plan: Plan | None) -> NDArray[np.bool_]:
        """Which steps of a row may sound, or as many as come before they repeat."""
        return self.cycle()

    def apply(self, e: Events, m: BitStream) -> Events:
        cycle = self.of_row(m.positions, m.plan)
        return e.keep(cycle[(e.index % m.positions) % len(cycle)])

    def follow(self, f: Follower) -> None:
        cycle = self.of_row(f.machine.positions, f.machine.plan)
        f.add(Step("MASK", mask=Mask("STEP", tuple(cycle.tolist()))))
        there = np.flatnonzero(cycle)
        if f.copies and not f.after and len(there):
            # at least as far apart as the marks of the cycle are, round its end too
            m = f.machine
            again = m.stride if len(cycle) >= m.positions else len(cycle)
            apart = int(np.diff(there, append=there[0] + again).min())
            f.change_copies(spacing=lambda c: max(c.spacing, apart))


def _marks(pattern: str) -> NDArray[np.bool_]:
    """Which places of a pattern have an x."""
    beats = pattern.replace(" ", "").replace("|", "")
    if not beats or set(beats) - set("xX."):
        raise InputError(
            f"'{pattern}' is not a pattern; write x for a note and . for none, such as "
            '"x..x..x."',
            place="pattern",
        )
    return np.array([c in "xX" for c in beats])


class Pattern(_Cycle, frozen=True, tag="pattern"):
    """Notes only where a pattern such as "x..x..x." has an x, over the positions of each row.

    Attributes
    ----------
    pattern
        An x sounds and a dot rests; the pattern repeats.
    value : Each mark lasts
        A note value, such as 1/8. Empty: one position.
    per : Begins with
        Where the pattern begins again.

        - row: with each row
        - bar: with each bar, so that it fits every metre
        - piece: with the piece only; it goes on through the stage's moves, as a talea does
    """

    pattern: str = ""
    value: str = ""
    per: Literal["row", "bar", "piece"] = "row"

    def apply(self, e: Events, m: BitStream) -> Events:
        if self.per != "piece":
            return super().apply(e, m)
        cycle, at = self.of_piece(m.plan), m.since_start(m.slot(e.index))
        return e.keep(cycle[at % len(cycle)] & ((at > 0) | self.cycle()[0]))

    def follow(self, f: Follower) -> None:
        if self.per != "piece":
            super().follow(f)
            return
        cycle = tuple(self.of_piece(f.machine.plan).tolist())
        mask = Mask("SLOT", cycle)
        if cycle[0] and not self.cycle()[0]:
            mask = Mask("SLOT", (False, *cycle[1:], *cycle), back=len(cycle))
        f.add(Step("MASK", mask=mask))

    def of_piece(self, plan: Plan | None) -> NDArray[np.bool_]:
        """Which positions have a mark, until they repeat. At the start of the piece, the first has
        none that is due before it."""
        marks = self.cycle()
        each = value_positions(self.value, plan, "value") if self.value else Fraction(1)
        rounds = (each * len(marks)).denominator
        out = np.zeros(int(each * len(marks) * rounds), bool)
        # the first position at or after a mark has it
        for mark in np.flatnonzero(np.tile(marks, rounds)).tolist():
            out[math.ceil(mark * each) % len(out)] = True
        return out

    def of_row(self, positions: int, plan: Plan | None) -> NDArray[np.bool_]:
        if not self.value and self.per == "row":
            return self.cycle()
        marks = self.cycle()
        each = value_positions(self.value, plan, "value") if self.value else Fraction(1)
        bar = Fraction(16) if plan is None else plan.bar
        # exact, in units of which a position, a mark and a bar are whole numbers
        unit = math.lcm(each.denominator, bar.denominator)
        step, mark = unit, int(each * unit)
        at = np.arange(positions) * step
        if self.per == "bar":
            at %= int(bar * unit)
        # where positions are coarser than marks, the first position at or after a mark has it
        first = np.where(at >= step, (at - step) // mark + 1, 0)
        before = np.append(0, np.cumsum(marks))  # how many of the first marks have an x

        def some(n: NDArray[np.int64]) -> NDArray[np.int64]:
            rounds, rest = np.divmod(n, len(marks))
            return np.asarray(rounds * before[-1] + before[rest])

        out: NDArray[np.bool_] = (some(at // mark + 1) > some(first)) & (at % mark < step)
        return out

    def cycle(self) -> NDArray[np.bool_]:
        return _marks(self.pattern)


class Turns(_Cycle, frozen=True, tag="turns"):
    """Voices take turns by whole bars or rows, as in call and response.

    A voice with "x." calls; one with ".x", or with "x." and then an entry a bar later, responds.

    Attributes
    ----------
    pattern
        An x plays and a dot rests, by bars or rows; the pattern repeats.
    each : By
        How long a turn lasts.

        - bar: each mark is a bar; every row begins again
        - row: each mark is a row
    """

    pattern: str = "x."
    each: Literal["bar", "row"] = "bar"

    def apply(self, e: Events, m: BitStream) -> Events:
        if self.each == "bar":
            return super().apply(e, m)
        marks = self.cycle()
        return e.keep(marks[m.row(e.index) % len(marks)])

    def follow(self, f: Follower) -> None:
        if self.each == "bar":
            super().follow(f)
        else:
            f.add(Step("MASK", mask=Mask("ROW", tuple(self.cycle().tolist()))))

    def of_row(self, positions: int, plan: Plan | None) -> NDArray[np.bool_]:
        bar = Fraction(16) if plan is None else plan.bar
        marks = self.cycle()
        bars = np.arange(positions) * bar.denominator // bar.numerator
        out: NDArray[np.bool_] = marks[bars % len(marks)]
        return out

    def cycle(self) -> NDArray[np.bool_]:
        return _marks(self.pattern)


class Even(_Cycle, frozen=True, tag="even"):
    """Notes on some steps of a cycle, spread as evenly as possible (Bjorklund).

    Attributes
    ----------
    notes
        How many steps of the cycle may sound.
    steps
        How many steps the cycle has.
    turn : Rotated by
        How many steps into the cycle a row begins.
    """

    notes: Annotated[int, control(step=1, soft=(0, 16), ge=0, le=256)] = 3
    steps: Annotated[int, control(step=1, soft=(1, 32), ge=1, le=256)] = 8
    turn: Annotated[int, control(step=1, soft=(0, 31), ge=0, le=255)] = 0

    def cycle(self) -> NDArray[np.bool_]:
        if self.notes > self.steps:
            raise InputError(
                f"{self.notes} notes don't go into {self.steps} steps; give at most as many",
                place="notes",
            )
        return np.roll(even_pattern(self.notes, self.steps), -self.turn)


class Breath(Rule, frozen=True, tag="breath"):
    """A rest at the end of each character: its last steps are silent.

    Attributes
    ----------
    rest
        How many steps are silent.
    """

    near: ClassVar[bool] = True
    tells = "apart"

    rest: Annotated[int, control(step=1, soft=(1, 8), ge=1, le=64)] = 1

    def apply(self, e: Events, m: BitStream) -> Events:
        stays = e.keep(m.in_character(e.index) < m.unit_bits - self.rest)
        room = m.unit_bits - self.rest - m.in_character(stays.index)
        stop = m.slot(stays.index) + room
        return stays.but(length=np.maximum(np.minimum(stays.end, stop) - stays.onset, 1e-3))

    def follow(self, f: Follower) -> None:
        if self.rest >= f.machine.unit_bits:
            f.silence()
            return
        f.add(Step("BREATH", b=self.rest))
        f.shortest = min(f.shortest, 0.001 if f.moved else 1.0)
