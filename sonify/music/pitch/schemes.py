"""Pitch schemes: which scale degree a place sounds.

One class for each; `SCHEMES` is filled at the end. To add one, write its class (see
`sonify.music.pitch.scheme`) and name it there.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
import numpy as np

from sonify.controls import control
from sonify.errors import InputError
from sonify.music.bit_stream import BitStream
from sonify.music.machine import NOTHING, Degrees, Index, Lead, Machine, Refusal, along
from sonify.music.pitch.chords import Arpeggio, Progression, Triad
from sonify.music.pitch.motif import Isorhythm, LetterMotif
from sonify.music.pitch.scheme import (
    SCHEMES,
    Counted,
    Degree,
    Frame,
    Pitches,
    Scheme,
    Span,
    reflect,
    shifted,
    turn_of,
)
from sonify.music.theory.scales import fold, note_number

__all__ = ["SCHEMES", "Scheme"]

RowStep = Annotated[
    int,
    control("Row step", "How many scale degrees each new row moves up or down.", 1,
            soft=(-7, 7), ge=-64, le=64),
]  # fmt: skip


class RowLadder(Counted, frozen=True, tag="row-ladder"):
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

    def table(self, positions: int, unit_bits: int) -> Degrees:
        row = np.arange(self.span)
        if self.way == "middle":
            half = (row + 1) // 2
            row = (self.span - 1) // 2 + np.where(row % 2, half, -half)
        return along(Lead("ROW", self.span), row[::-1] if self.way == "down" else row)


class PlaceLadder(Counted, frozen=True, tag="place"):
    """A bit's place within its character gives the degree: the same letter, the same tune.

    Attributes
    ----------
    spread
        Scale degrees between neighbouring places: 1 steps, 2 leaps by thirds.
    way
        Which way the notes go.

        - up: low to high
        - down: high to low
    """

    spread: Annotated[int, control(step=1, ge=1, le=12)] = 1
    way: Literal["up", "down"] = "up"
    row_step: RowStep = 0

    def table(self, positions: int, unit_bits: int) -> Degrees:
        up = np.arange(unit_bits) * self.spread
        return along(Lead("PLACE", unit_bits), up if self.way == "up" else up[::-1], self.row_step)


class Sweep(Counted, frozen=True, tag="sweep"):
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

    def table(self, positions: int, unit_bits: int) -> Degrees:
        steps = 2 * self.span - 1 if self.way == "arch" else self.span
        degree = reflect(np.arange(positions) * steps // positions, self.span)
        down = self.way == "down"
        return along(Lead("POSITION", positions), self.span - 1 - degree if down else degree)

    def degree_set(self, unit_bits: int) -> Index:
        return np.arange(self.span)


class CharacterValue(Counted, frozen=True, tag="character"):
    """The character's value gives the degree: a word is a chain of notes."""

    span: Span = 15

    def table(self, positions: int, unit_bits: int) -> Degrees:
        return along(Lead("VALUE", self.span), np.arange(self.span))


class LastCharacter(Counted, frozen=True, tag="last-character"):
    """The value of the character before gives the degree; the first one sounds the root."""

    span: Span = 15

    def table(self, positions: int, unit_bits: int) -> Degrees:
        return along(Lead("LAST_UNIT", self.span), np.arange(self.span))

    def lead(self, machine: Machine) -> Degrees:
        if not machine.straight:
            raise Refusal(
                "the pitch scheme 'last-character' where rows begin anywhere: some of the "
                'character before is read only at the turn\'s end (use player.row-start = "index")'
            )
        return super().lead(machine)


class BitsNumber(Counted, frozen=True, tag="number"):
    """A bit and the ones before it, read as a number, give the degree.

    Attributes
    ----------
    bits
        How many bits make the number.
    """

    bits: Annotated[int, control(step=1, ge=1, le=12)] = 3
    span: Span = 12

    def table(self, positions: int, unit_bits: int) -> Degrees:
        # a number of few bits may not reach all of its span
        count = min(self.span, 1 << self.bits)
        return along(Lead("NUMBER", count, up=(1 << self.bits) - 1), np.arange(count))


class Walk(Counted, frozen=True, tag="walk"):
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

    def table(self, positions: int, unit_bits: int) -> Degrees:
        turn = turn_of(self.span)
        lead = Lead("WALK", turn, up=self.up % turn, down=-self.down % turn)
        return along(lead, reflect(np.arange(turn) + self.start, self.span))


class RunLength(Counted, frozen=True, tag="run-length"):
    """The length of the run of equal bits so far gives the degree: long runs climb."""

    span: Span = 8
    row_step: RowStep = 0

    def table(self, positions: int, unit_bits: int) -> Degrees:
        turn = turn_of(self.span)
        return along(Lead("RUN", turn), reflect(np.arange(turn), self.span), self.row_step)


class Gap(Counted, frozen=True, tag="gap"):
    """The distance to the last one gives the degree: a wide gap makes a wide leap.

    Attributes
    ----------
    step
        How many scale degrees each position of distance adds.
    """

    span: Span = 9
    step: Annotated[int, control(step=1, ge=1, le=12)] = 2

    def table(self, positions: int, unit_bits: int) -> Degrees:
        turn = turn_of(self.span)
        return along(Lead("GAP", turn), reflect(np.arange(turn) * self.step, self.span))


class Count(Counted, frozen=True, tag="count"):
    """Each one moves a step or more along a ladder of notes.

    Attributes
    ----------
    step
        How many scale degrees each one moves.
    turn : Turn back
        Whether it turns back at the top or starts again at the bottom.
    """

    span: Span = 8
    step: Annotated[int, control(step=1, ge=1, le=12)] = 1
    turn: bool = True

    def table(self, positions: int, unit_bits: int) -> Degrees:
        count = turn_of(self.span) if self.turn else self.span
        degree = np.arange(count) * self.step
        degree = reflect(degree, self.span) if self.turn else degree % self.span
        return along(Lead("ONES", count), degree)


class Density(Counted, frozen=True, tag="density"):
    """The density of recent ones gives the degree: the line rises where they crowd.

    Attributes
    ----------
    window
        Over how many positions it counts the ones.
    """

    window: Annotated[int, control(step=1, soft=(2, 112), ge=2, le=4096)] = 14
    span: Span = 15

    def table(self, positions: int, unit_bits: int) -> Degrees:
        lead = Lead("DENSITY", self.span, up=self.window, down=self.span)
        return along(lead, np.arange(self.span))


class OneTone(Counted, frozen=True, tag="one-tone"):
    """Always the same degree.

    Attributes
    ----------
    degree
        Which degree of the scale, counted from the root at 0.
    """

    degree: Annotated[int, control(step=1, soft=(-14, 14), ge=-64, le=64)] = 0

    def table(self, positions: int, unit_bits: int) -> Degrees:
        return along(NOTHING, np.array([self.degree]))


class ToneTable(Counted, frozen=True, tag="table"):
    """A list of degrees or note names, chosen by position, place, row, note, value or number.

    Attributes
    ----------
    degrees_of : Degrees
        A list of scale degrees, counted from the root at 0.
    notes
        Or a list of notes by name, such as D4, F4, A4.
    by : Chosen by
        What chooses the entry of the list.

        - position: the position in the row
        - place: the place in the character
        - row: each row
        - character: each character
        - one: each one
        - value: the character's value
        - number: the bits before it, as many as the list needs, read as a number
    """

    degrees_of: tuple[Degree, ...] = msgspec.field(name="degrees", default=())
    notes: tuple[str, ...] = ()
    by: Literal["position", "place", "row", "character", "one", "value", "number"] = "position"

    def table(self, positions: int, unit_bits: int) -> Degrees:
        # for a kit of drums, a table of notes stands for its first, second, ... drum
        entries = np.array(self.degrees_of or range(len(self.notes)), np.int64)
        if self.by == "number":
            # a number of the core has the bit itself as its lowest
            bits = 1 + (len(entries) - 1).bit_length()
            count = 1 << bits
            entries = entries[np.arange(count) // 2 % max(1, len(entries))]
            return along(Lead("NUMBER", count, up=count - 1), entries)
        return along(Lead("ONES" if self.by == "one" else self.by.upper(), len(entries)), entries)

    def degrees(self, m: BitStream, index: Index) -> Index:
        if not self.degrees_of and not self.notes:
            raise InputError(_GIVE, place="degrees")
        return super().degrees(m, index)

    def pitches(self, m: BitStream, index: Index, shift: Index, frame: Frame) -> Pitches:
        if bool(self.notes) == bool(self.degrees_of):
            raise InputError(f"{_GIVE}; one of the two", place=frame.place)
        return super().pitches(m, index, shift, frame)

    def sounding(
        self, degrees: Index, shift: Index, frame: Frame, chord: Index | None = None
    ) -> Pitches:
        if not self.notes:
            return super().sounding(degrees, shift, frame)
        place = f"{frame.place}.notes"
        named = [float(note_number(note, f"{place}[{n}]")) for n, note in enumerate(self.notes)]
        return fold(np.asarray(named)[degrees] + shifted(np.zeros_like(degrees), shift), 12.0)

    def pitch_set(self, shift: Index, unit_bits: int, frame: Frame) -> Pitches | None:
        if not self.notes:
            return super().pitch_set(shift, unit_bits, frame)
        at = np.arange(len(self.notes))
        return self.sounding(np.tile(at, len(shift)), np.repeat(shift, len(at)), frame)


_GIVE = 'give a list of degrees, such as [0, 2, 4], or of notes, such as ["D4", "A4"]'

_KINDS: tuple[type[Scheme], ...] = (
    RowLadder, PlaceLadder, Sweep, CharacterValue, LastCharacter, BitsNumber, Walk, RunLength, Gap,
    Count, Density, Progression, Triad, Arpeggio, ToneTable, OneTone, LetterMotif, Isorhythm,
)  # fmt: skip

SCHEMES.update((str(c.__struct_config__.tag), c) for c in _KINDS)
