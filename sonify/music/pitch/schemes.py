"""Pitch schemes: which scale degree a place sounds.

One class a scheme; the table `SCHEMES` is filled at the end. To add one, write its class (see
`sonify.music.pitch.scheme.Scheme`) and name it there.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

import msgspec
import numpy as np

from sonify.controls import control
from sonify.errors import InputError
from sonify.music.bit_stream import BitStream
from sonify.music.machine import NOTHING, Degrees, Index, Lead, Machine, Refusal, along, counting
from sonify.music.pitch.chords import Arpeggio, Progression
from sonify.music.pitch.scheme import (
    SCHEMES,
    Degree,
    Frame,
    Pitches,
    Scheme,
    Span,
    by_rows,
    reflect,
    shifted,
    turn_of,
)
from sonify.music.theory.scales import fold, note_number

__all__ = ["SCHEMES", "Scheme"]

Spread = Annotated[
    int,
    control(
        "Spread", "Scale degrees between neighbouring places: 1 steps, 2 leaps by thirds.", 1,
        ge=1, le=12,
    ),
]  # fmt: skip
RowStep = Annotated[
    int,
    control("Row step", "How many scale degrees each new row moves up or down.", 1,
            soft=(-7, 7), ge=-64, le=64),
]  # fmt: skip


class RowLadder(Scheme, frozen=True, tag="row-ladder"):
    """Each row has a degree of its own: up, down, or from the middle out.

    Attributes
    ----------
    way
        Which way the notes go.

        - up: low to high
        - down: high to low
        - middle: from the middle out
    """

    span: Span = 8
    way: Literal["up", "down", "middle"] = "up"

    def degrees(self, m: BitStream, index: Index) -> Index:
        row = m.row(index) % self.span
        if self.way == "up":
            return row
        if self.way == "down":
            return self.span - 1 - row
        half = (row + 1) // 2
        return self.span // 2 - 1 * (self.span % 2 == 0) + np.where(row % 2, half, -half)

    def by_position(self) -> bool:
        return True

    def lead(self, machine: Machine) -> Degrees:
        at = np.arange(self.span)
        return along(Lead("ROW", self.span), self.degrees(counting(row=at), at))


class PlaceLadder(Scheme, frozen=True, tag="place"):
    """A bit's place within its character gives the degree: the same letter, the same tune.

    Attributes
    ----------
    way
        Which way the notes go.

        - up: low to high
        - down: high to low
    """

    spread: Spread = 1
    way: Literal["up", "down"] = "up"
    row_step: RowStep = 0

    def degrees(self, m: BitStream, index: Index) -> Index:
        place = m.in_character(index)
        if self.way == "down":
            place = m.unit_bits - 1 - place
        if self.row_step:
            return place * self.spread + m.row(index) * self.row_step
        return place * self.spread

    def by_position(self) -> bool:
        return True

    def lead(self, machine: Machine) -> Degrees:
        at = np.arange(machine.unit_bits)
        stub = counting(in_character=at, row=np.zeros_like(at))
        stub.unit_bits = machine.unit_bits
        return along(Lead("PLACE", machine.unit_bits), self.degrees(stub, at), self.row_step)

    def degree_set(self, unit_bits: int) -> Index:
        return by_rows(np.arange(unit_bits) * self.spread, self.row_step)


class Sweep(Scheme, frozen=True, tag="sweep"):
    """The position within the turn gives the degree: each row is a slow rise or arch.

    Attributes
    ----------
    way
        Which way the notes go.

        - up: low to high
        - down: high to low
        - arch: up and down again
    """

    span: Span = 15
    way: Literal["up", "down", "arch"] = "arch"

    def degrees(self, m: BitStream, index: Index) -> Index:
        at = m.position(index)
        if self.way == "arch":
            return reflect(at * (2 * self.span - 1) // m.positions, self.span)
        up = at * self.span // m.positions
        return up if self.way == "up" else self.span - 1 - up

    def by_position(self) -> bool:
        return True

    def lead(self, machine: Machine) -> Degrees:
        at = np.arange(machine.positions)
        stub = counting(position=at)
        stub.positions = machine.positions
        return along(Lead("POSITION", machine.positions), self.degrees(stub, at))


class CharacterValue(Scheme, frozen=True, tag="character"):
    """The character's value gives the degree: a word is a chain of tones."""

    span: Span = 15

    def degrees(self, m: BitStream, index: Index) -> Index:
        return m.value(index) % self.span

    def waits_for_character(self) -> bool:
        return True

    def lead(self, machine: Machine) -> Degrees:
        return along(Lead("VALUE", self.span), np.arange(self.span))


class LastCharacter(Scheme, frozen=True, tag="last-character"):
    """The value of the character before gives the degree; the first one sounds the root."""

    span: Span = 15

    def degrees(self, m: BitStream, index: Index) -> Index:
        return m.value(index, back=1) % self.span

    def lead(self, machine: Machine) -> Degrees:
        if not machine.straight:
            raise Refusal(
                "the pitch scheme 'last-character' where rows begin anywhere: some of the "
                "character before is read only at the turn's end"
            )
        return along(Lead("LAST_UNIT", self.span), np.arange(self.span))


class BitsNumber(Scheme, frozen=True, tag="number"):
    """A bit and the ones before it, read as a number, give the degree.

    Attributes
    ----------
    bits
        How many bits make the number.
    """

    bits: Annotated[int, control(step=1, ge=1, le=12)] = 3
    span: Span = 12

    def degrees(self, m: BitStream, index: Index) -> Index:
        value = np.zeros(len(index), np.int64)
        for back in range(self.bits):
            value += m.one_at(index, back).astype(np.int64) << back
        return value % self.span

    def lead(self, machine: Machine) -> Degrees:
        values = self.degree_set(machine.unit_bits)
        return along(Lead("NUMBER", len(values), up=(1 << self.bits) - 1), values)

    def degree_set(self, unit_bits: int) -> Index:
        # a number of few bits may not reach all of its span
        return np.arange(min(self.span, 1 << self.bits))


class Walk(Scheme, frozen=True, tag="walk"):
    """Ones step up, zeros step down; the walk turns back at the ends of its span.

    Attributes
    ----------
    up : A one climbs
        How many scale degrees a one goes up.
    down : A zero falls
        How many scale degrees a zero goes down.
    start
        The scale degree that the walk begins on.
    """

    span: Span = 15
    up: Annotated[int, control(step=1, ge=0, le=12)] = 1
    down: Annotated[int, control(step=1, ge=0, le=12)] = 1
    start: Annotated[int, control(step=1, soft=(-14, 14), ge=-64, le=64)] = 7

    def degrees(self, m: BitStream, index: Index) -> Index:
        return reflect(m.steps_until(index, self.up, self.down) + self.start, self.span)

    def lead(self, machine: Machine) -> Degrees:
        turn = turn_of(self.span)
        lead = Lead("WALK", turn, up=self.up % turn, down=-self.down % turn)
        return along(lead, reflect(np.arange(turn) + self.start, self.span))


class RunLength(Scheme, frozen=True, tag="run-length"):
    """The length of the run of equal bits so far gives the degree: long runs climb."""

    span: Span = 8
    row_step: RowStep = 0

    def degrees(self, m: BitStream, index: Index) -> Index:
        return reflect(m.run_until(index), self.span) + m.row(index) * self.row_step

    def lead(self, machine: Machine) -> Degrees:
        turn = turn_of(self.span)
        return along(Lead("RUN", turn), reflect(np.arange(turn), self.span), self.row_step)

    def degree_set(self, unit_bits: int) -> Index:
        return by_rows(np.arange(self.span), self.row_step)


class Gap(Scheme, frozen=True, tag="gap"):
    """The distance to the last one gives the degree: a wide gap makes a wide leap.

    Attributes
    ----------
    step
        How many scale degrees each position of distance adds.
    """

    span: Span = 9
    step: Annotated[int, control(step=1, ge=1, le=12)] = 2

    def degrees(self, m: BitStream, index: Index) -> Index:
        return reflect(m.gap_until(index) * self.step, self.span)

    def lead(self, machine: Machine) -> Degrees:
        return along(Lead("GAP", turn_of(self.span)), self.degree_set(machine.unit_bits))

    def degree_set(self, unit_bits: int) -> Index:
        return reflect(np.arange(turn_of(self.span)) * self.step, self.span)


class Count(Scheme, frozen=True, tag="count"):
    """Every one moves on along a ladder of tones, a step or more at a time.

    Attributes
    ----------
    step
        How many scale degrees each one moves on.
    turn : Turn back
        Whether it goes back down at the top, or begins again below.
    """

    span: Span = 8
    step: Annotated[int, control(step=1, ge=1, le=12)] = 1
    turn: bool = True

    def degrees(self, m: BitStream, index: Index) -> Index:
        return self._at(np.maximum(m.ones_until(index) - 1, 0))

    def _at(self, count: Index) -> Index:
        tone = count * self.step
        return reflect(tone, self.span) if self.turn else tone % self.span

    def lead(self, machine: Machine) -> Degrees:
        values = self.degree_set(machine.unit_bits)
        return along(Lead("ONES", len(values)), values)

    def degree_set(self, unit_bits: int) -> Index:
        return self._at(np.arange(turn_of(self.span) if self.turn else self.span))


class Density(Scheme, frozen=True, tag="density"):
    """The density of the last ones gives the degree: the line rises where they crowd.

    Attributes
    ----------
    window
        Over how many positions it counts the ones.
    """

    window: Annotated[int, control(step=1, soft=(2, 112), ge=2, le=4096)] = 14
    span: Span = 15

    def degrees(self, m: BitStream, index: Index) -> Index:
        ones, seen = m.recent(index, self.window)
        share = ones * (self.span - 1)
        # round half up in whole numbers, so that a machine without fractions gets the same
        return (2 * share + seen) // (2 * seen)

    def lead(self, machine: Machine) -> Degrees:
        lead = Lead("DENSITY", self.span, up=self.window, down=self.span)
        return along(lead, np.arange(self.span))


class OneTone(Scheme, frozen=True, tag="one-tone"):
    """Always the same degree.

    Attributes
    ----------
    degree
        Which degree of the scale, counted from the root at 0.
    """

    degree: Annotated[int, control(step=1, soft=(-14, 14), ge=-64, le=64)] = 0

    def degrees(self, m: BitStream, index: Index) -> Index:
        return np.full(len(index), self.degree, np.int64)

    def by_position(self) -> bool:
        return True

    def lead(self, machine: Machine) -> Degrees:
        return along(NOTHING, self.degree_set(machine.unit_bits))

    def degree_set(self, unit_bits: int) -> Index:
        return np.array([self.degree])


class ToneTable(Scheme, frozen=True, tag="table"):
    """A list of degrees or note names, chosen by position, place, row, note or value.

    Attributes
    ----------
    degrees_of : Degrees
        A list of scale degrees, counted from the root at 0.
    notes
        Or a list of notes by name, such as D4, F4, A4.
    by : Chosen by
        What moves on to the next of the list.

        - position: the position in the row
        - place: the place in the character
        - row: each row
        - character: each character
        - one: each one
        - value: the character's value
    """

    degrees_of: tuple[Degree, ...] = msgspec.field(name="degrees", default=())
    notes: tuple[str, ...] = ()
    by: Literal["position", "place", "row", "character", "one", "value"] = "position"

    def waits_for_character(self) -> bool:
        return self.by == "value"

    def by_position(self) -> bool:
        return self.by not in ("one", "value")

    def degree_set(self, unit_bits: int) -> Index:
        # for a kit of drums, a table of notes stands for its first, second, ... drum
        return np.array(self.degrees_of or range(len(self.notes)), np.int64)

    def degrees(self, m: BitStream, index: Index) -> Index:
        table = self.degree_set(m.unit_bits)
        if not len(table):
            raise InputError(_GIVE, place="degrees")
        return table[_ENTRIES[self.by](m, index) % len(table)]

    def lead(self, machine: Machine) -> Degrees:
        table = self.degree_set(machine.unit_bits)
        return along(Lead("ONES" if self.by == "one" else self.by.upper(), len(table)), table)

    def pitches(self, m: BitStream, index: Index, shift: Index, frame: Frame) -> Pitches:
        if bool(self.notes) == bool(self.degrees_of):
            raise InputError(f"{_GIVE}; one of the two", place=frame.place)
        return super().pitches(m, index, shift, frame)

    def sounding(
        self, degrees: Index, shift: Index, frame: Frame, chord: Index | None = None
    ) -> Pitches:
        if not self.notes:
            return super().sounding(degrees, shift, frame)
        named = [
            float(note_number(note, f"{frame.place}.notes[{n}]"))
            for n, note in enumerate(self.notes)
        ]
        return fold(np.asarray(named)[degrees] + shifted(np.zeros_like(degrees), shift), 12.0)

    def pitch_set(self, shift: Index, unit_bits: int, frame: Frame) -> Pitches | None:
        if not self.notes:
            return super().pitch_set(shift, unit_bits, frame)
        at = np.arange(len(self.notes))
        return self.sounding(np.tile(at, len(shift)), np.repeat(shift, len(at)), frame)


_GIVE = 'give a list of degrees, such as [0, 2, 4], or of notes, such as ["D4", "A4"]'

_ENTRIES: dict[str, Callable[[BitStream, Index], Index]] = {
    "position": lambda m, i: m.position(i),
    "place": lambda m, i: m.in_character(i),
    "row": lambda m, i: m.row(i),
    "character": lambda m, i: m.character(i),
    "one": lambda m, i: np.maximum(m.ones_until(i) - 1, 0),
    "value": lambda m, i: m.value(i),
}

_KINDS: tuple[type[Scheme], ...] = (
    RowLadder, PlaceLadder, Sweep, CharacterValue, LastCharacter, BitsNumber, Walk, RunLength, Gap,
    Count, Density, Progression, Arpeggio, ToneTable, OneTone,
)  # fmt: skip

SCHEMES.update((str(c.__struct_config__.tag), c) for c in _KINDS)
