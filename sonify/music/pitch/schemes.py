"""Pitch schemes: which scale degree a place sounds. One class a scheme; `SCHEMES` is the table."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, ClassVar, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.music.bit_stream import BitStream
from sonify.music.pitch.scheme import Frame, Pitches, Scheme, reflect, shifted
from sonify.music.theory.scales import fold, note_number

__all__ = ["SCHEMES", "Scheme"]

Index = NDArray[np.int64]
Span = Annotated[int, msgspec.Meta(ge=1, le=64)]
Degree = Annotated[int, msgspec.Meta(ge=-64, le=64)]

WHOLE_CHARACTER = "a character's value is known only when its last bit has been read"


class RowLadder(Scheme, frozen=True, tag="row-ladder"):
    """Each row has a degree of its own: up, down, or from the middle out."""

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


class PlaceLadder(Scheme, frozen=True, tag="place"):
    """A bit's place within its character gives the degree: the same letter, the same tune."""

    spread: Annotated[int, msgspec.Meta(ge=1, le=12)] = 1
    way: Literal["up", "down"] = "up"
    row_step: Degree = 0

    def degrees(self, m: BitStream, index: Index) -> Index:
        place = m.in_character(index)
        if self.way == "down":
            place = m.unit_bits - 1 - place
        if self.row_step:
            return place * self.spread + m.row(index) * self.row_step
        return place * self.spread


class Sweep(Scheme, frozen=True, tag="sweep"):
    """Where on the turn a position lies gives the degree: each row is a slow rise or arch."""

    span: Span = 15
    way: Literal["up", "down", "arch"] = "arch"

    def degrees(self, m: BitStream, index: Index) -> Index:
        at = m.position(index)
        if self.way == "arch":
            return reflect(at * (2 * self.span - 1) // m.positions, self.span)
        up = at * self.span // m.positions
        return up if self.way == "up" else self.span - 1 - up


class CharacterValue(Scheme, frozen=True, tag="character"):
    """The character's value gives the degree: a word is a chain of tones."""

    causal: ClassVar[bool] = False
    why_not: ClassVar[str] = WHOLE_CHARACTER

    span: Span = 15

    def degrees(self, m: BitStream, index: Index) -> Index:
        return m.value(index) % self.span


class LastCharacter(Scheme, frozen=True, tag="last-character"):
    """The value of the character before gives the degree; the first one sounds the root."""

    span: Span = 15

    def degrees(self, m: BitStream, index: Index) -> Index:
        return m.value(index, back=1) % self.span


class BitsNumber(Scheme, frozen=True, tag="number"):
    """A bit and the ones before it, read as a number, give the degree."""

    bits: Annotated[int, msgspec.Meta(ge=1, le=12)] = 3
    span: Span = 12

    def degrees(self, m: BitStream, index: Index) -> Index:
        value = np.zeros(len(index), np.int64)
        for back in range(self.bits):
            value += m.one_at(index, back).astype(np.int64) << back
        return value % self.span


class Walk(Scheme, frozen=True, tag="walk"):
    """Ones step up, zeros step down; the walk turns back at the ends of its span."""

    span: Span = 15
    up: Annotated[int, msgspec.Meta(ge=0, le=12)] = 1
    down: Annotated[int, msgspec.Meta(ge=0, le=12)] = 1
    start: Degree = 7

    def degrees(self, m: BitStream, index: Index) -> Index:
        return reflect(m.steps_until(index, self.up, self.down) + self.start, self.span)


class RunLength(Scheme, frozen=True, tag="run-length"):
    """How long its run of equal bits is so far gives the degree: long runs climb."""

    span: Span = 8
    row_step: Degree = 0

    def degrees(self, m: BitStream, index: Index) -> Index:
        return reflect(m.run_until(index), self.span) + m.row(index) * self.row_step


class Gap(Scheme, frozen=True, tag="gap"):
    """How far back the last one lies gives the degree: a wide gap makes a wide leap."""

    span: Span = 9
    step: Annotated[int, msgspec.Meta(ge=1, le=12)] = 2

    def degrees(self, m: BitStream, index: Index) -> Index:
        return reflect(m.gap_until(index) * self.step, self.span)


class Count(Scheme, frozen=True, tag="count"):
    """Every one moves on to the next tone of a ladder, a step or more at a time."""

    span: Span = 8
    step: Annotated[int, msgspec.Meta(ge=1, le=12)] = 1
    turn: bool = True

    def degrees(self, m: BitStream, index: Index) -> Index:
        count = np.maximum(m.ones_until(index) - 1, 0) * self.step
        return reflect(count, self.span) if self.turn else count % self.span


class Density(Scheme, frozen=True, tag="density"):
    """How thick the ones lie just now gives the degree: a contour that rises where they crowd."""

    window: Annotated[int, msgspec.Meta(ge=2, le=4096)] = 14
    span: Span = 15

    def degrees(self, m: BitStream, index: Index) -> Index:
        ones, seen = m.recent(index, self.window)
        share = ones * (self.span - 1)
        # half up, in whole numbers, so that a machine without fractions gets the same
        return (2 * share + seen) // (2 * seen)


class OneTone(Scheme, frozen=True, tag="one-tone"):
    """Always the same degree."""

    degree: Degree = 0

    def degrees(self, m: BitStream, index: Index) -> Index:
        return np.full(len(index), self.degree, np.int64)


class ToneTable(Scheme, frozen=True, tag="table"):
    """A list of degrees or note names, walked by position, place, row, note or value."""

    degrees_of: tuple[Degree, ...] = msgspec.field(name="degrees", default=())
    notes: tuple[str, ...] = ()
    by: Literal["position", "place", "row", "character", "one", "value"] = "position"

    def follows(self) -> tuple[bool, str]:
        return (False, WHOLE_CHARACTER) if self.by == "value" else (True, "")

    def _entry(self, m: BitStream, index: Index) -> Index:
        out: Index = _ENTRIES[self.by](m, index) % len(self.degrees_of or self.notes)
        return out

    def degrees(self, m: BitStream, index: Index) -> Index:
        # of a kit's drums, a table of notes names the first, the second ...
        table = self.degrees_of or tuple(range(len(self.notes)))
        if not table:
            raise InputError(
                'give a list of degrees, such as [0, 2, 4], or of notes, such as ["D4", "A4"]',
                place="degrees",
            )
        return np.asarray(table, np.int64)[self._entry(m, index)]

    def pitches(self, m: BitStream, index: Index, shift: Index, frame: Frame) -> Pitches:
        if bool(self.notes) == bool(self.degrees_of):
            raise InputError(
                "give a list of degrees, such as [0, 2, 4], or of notes, such as "
                '["D4", "A4"]; one of the two',
                place=frame.place,
            )
        if self.degrees_of:
            return super().pitches(m, index, shift, frame)
        return self.named(self._entry(m, index), shift, frame)

    def named(self, entry: Index, shift: Index, frame: Frame) -> Pitches:
        """The pitches of entries of a table of notes, before its range."""
        named = [
            float(note_number(note, f"{frame.place}.notes[{n}]"))
            for n, note in enumerate(self.notes)
        ]
        pitch: Pitches = np.asarray(named)[entry]
        pitch = pitch + shifted(np.zeros_like(entry), shift)
        return fold(pitch, 12.0)


_ENTRIES: dict[str, Callable[[BitStream, Index], Index]] = {
    "position": lambda m, i: m.position(i),
    "place": lambda m, i: m.in_character(i),
    "row": lambda m, i: m.row(i),
    "character": lambda m, i: m.character(i),
    "one": lambda m, i: np.maximum(m.ones_until(i) - 1, 0),
    "value": lambda m, i: m.value(i),
}


def _table() -> dict[str, type[Scheme]]:
    from sonify.music.pitch.chords import Arpeggio, Progression

    kinds: tuple[type[Scheme], ...] = (
        RowLadder, PlaceLadder, Sweep, CharacterValue, LastCharacter, BitsNumber, Walk,
        RunLength, Gap, Count, Density, Progression, Arpeggio, ToneTable, OneTone,
    )  # fmt: skip
    return {str(c.__struct_config__.tag): c for c in kinds}


SCHEMES: dict[str, type[Scheme]] = _table()
