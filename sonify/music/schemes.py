"""Pitch schemes: which scale degree a place sounds. One class a scheme; `SCHEMES` is the table."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.music.material import Material
from sonify.settings import Settings

__all__ = ["SCHEMES", "Scheme"]

Index = NDArray[np.int64]
Span = Annotated[int, msgspec.Meta(ge=1, le=64)]
Degree = Annotated[int, msgspec.Meta(ge=-64, le=64)]


class Scheme(Settings, frozen=True, tag_field="scheme", tag="none"):
    """What all pitch schemes are: settings, and a method that turns places into degrees."""

    def degrees(self, m: Material, index: Index) -> Index:
        """Scale degrees from 0 at the root, for positions by their index in the reading."""
        raise NotImplementedError


def reflect(value: Index, span: int) -> Index:
    """Fold whole numbers into 0 to span - 1, turning back at both ends."""
    if span == 1:
        return np.zeros_like(value)
    turn = 2 * (span - 1)
    inside = value % turn
    return np.minimum(inside, turn - inside)


class RowLadder(Scheme, frozen=True, tag="row-ladder"):
    """Each row has a degree of its own: up, down, or from the middle out."""

    span: Span = 8
    way: Literal["up", "down", "middle"] = "up"

    def degrees(self, m: Material, index: Index) -> Index:
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

    def degrees(self, m: Material, index: Index) -> Index:
        place = m.in_character(index)
        if self.way == "down":
            place = m.unit_bits - 1 - place
        return place * self.spread + m.row(index) * self.row_step


class CharacterValue(Scheme, frozen=True, tag="character"):
    """The character's value gives the degree: a word is a chain of tones."""

    span: Span = 15

    def degrees(self, m: Material, index: Index) -> Index:
        return m.unit_values[m.place(index) // m.unit_bits] % self.span


class BitsNumber(Scheme, frozen=True, tag="number"):
    """A bit and the ones before it, read as a number, give the degree."""

    bits: Annotated[int, msgspec.Meta(ge=1, le=12)] = 3
    span: Span = 12

    def degrees(self, m: Material, index: Index) -> Index:
        ones = m.bits > 0
        value = np.zeros(len(index), np.int64)
        for back in range(self.bits):
            at = index - back
            value += np.where(at >= 0, ones[np.maximum(at, 0)], False).astype(np.int64) << back
        return value % self.span


class Walk(Scheme, frozen=True, tag="walk"):
    """Ones step up, zeros step down; the walk turns back at the ends of its span."""

    span: Span = 15
    up: Annotated[int, msgspec.Meta(ge=0, le=12)] = 1
    down: Annotated[int, msgspec.Meta(ge=0, le=12)] = 1
    start: Degree = 7

    def degrees(self, m: Material, index: Index) -> Index:
        steps = np.where(m.bits > 0, self.up, np.where(m.bits == 0, -self.down, 0))
        return reflect(np.cumsum(steps)[index] + self.start, self.span)


class RunLength(Scheme, frozen=True, tag="run-length"):
    """How long its run of equal bits is so far gives the degree: long runs climb."""

    span: Span = 8
    row_step: Degree = 0

    def degrees(self, m: Material, index: Index) -> Index:
        new = np.ones(len(m.bits), bool)
        new[1:] = m.bits[1:] != m.bits[:-1]
        start = np.maximum.accumulate(np.where(new, np.arange(len(m.bits)), 0))
        return reflect(index - start[index], self.span) + m.row(index) * self.row_step


class OneTone(Scheme, frozen=True, tag="one-tone"):
    """Always the same degree."""

    degree: Degree = 0

    def degrees(self, m: Material, index: Index) -> Index:
        return np.full(len(index), self.degree, np.int64)


SCHEMES: dict[str, type[Scheme]] = {
    str(c.__struct_config__.tag): c
    for c in (RowLadder, PlaceLadder, CharacterValue, BitsNumber, Walk, RunLength, OneTone)
}
