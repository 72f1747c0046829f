"""Pitch schemes of lines: a motif for each letter, and the color of an isorhythm."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import msgspec
import numpy as np

from sonify.controls import control
from sonify.music.bit_stream import BitStream
from sonify.music.form.plan import Plan
from sonify.music.machine import Degrees, Index, Lead, Machine, Refusal, along
from sonify.music.pitch.scheme import Counted, Degree, Scheme
from sonify.music.rhythm.choosing_rules import Pattern
from sonify.music.theory.motifs import Speed, Way, motif_of

__all__ = ["Isorhythm", "LetterMotif"]


class LetterMotif(Counted, frozen=True, tag="motif"):
    """Each letter has a line of its own, so that one that comes again can be heard.

    Attributes
    ----------
    of
        What has a motif.

        - letter: each letter
        - word: each word; its letters all sound the motif of the first one
        - row: each row; it sounds the motif of the letter in which it begins
    late : One letter late
        Whether a motif sounds when its letter has been read, as on a machine, and not while it is
        being read.
    size
        How wide the intervals are: 1 moves by steps of the scale, 2 by thirds.
    way
        Which way round the motif goes; the same as that of the rhythm rule.

        - forward: as it is
        - inverted: what rises falls
        - backward: from its end to its start
        - both: backward and inverted
    speed
        2 plays it twice as fast and twice, 0.5 its first half at half speed; the same as that of
        the rhythm rule.
    transpose
        How many scale degrees it is moved.
    """

    of: Literal["letter", "word", "row"] = "letter"
    late: bool = False
    size: Annotated[int, control(step=1, soft=(1, 3), ge=1, le=7)] = 1
    way: Way = "forward"
    speed: Speed = 1.0
    transpose: Annotated[int, control(step=1, soft=(-7, 7), ge=-24, le=24)] = 0

    def _line(self, value: Index, place: Index, unit_bits: int) -> Index:
        _, line = motif_of(value, place, unit_bits, self.way, self.speed)
        return self.transpose + self.size * line

    def table(self, positions: int, unit_bits: int) -> Degrees:
        value, place = np.arange(1 << unit_bits), np.arange(unit_bits)
        lead = Lead("LAST_UNIT" if self.late else "VALUE", len(value))
        return Degrees(lead, Lead("PLACE", unit_bits), self._line(value, place[:, None], unit_bits))

    def degrees(self, m: BitStream, index: Index) -> Index:
        value = m.motif_value(index, self.of, int(self.late))
        return self._line(value, m.in_character(index), m.unit_bits)

    def waits_for_character(self) -> bool:
        return not self.late

    def by_position(self) -> bool:
        return False

    def looks_back(self) -> float:
        return math.inf if self.of == "word" else 0.0

    def lead(self, machine: Machine) -> Degrees:
        if self.of != "letter":
            raise Refusal(
                f"the pitch scheme 'motif' of each {self.of}: the core knows letters only (use "
                'of = "letter")'
            )
        if self.late and not machine.straight:
            raise Refusal(
                "the pitch scheme 'motif', late, where rows begin anywhere: some of the letter "
                'before is read only at the turn\'s end (use player.row-start = "index")'
            )
        return super().lead(machine)


class Isorhythm(Scheme, frozen=True, tag="isorhythm"):
    """A line of degrees (the color) over a rhythm (the talea), each repeated at its own length.

    The line moves on with each mark of the talea, whether a note sounds there or not. To sound it,
    the voice plays at the clock with the rule `pattern` of the same pattern, per piece.

    Attributes
    ----------
    color
        Scale degrees, counted from the root at 0.
    talea
        An x is a note and a dot a rest; the pattern repeats from the start of the piece.
    value : Each mark lasts
        A note value, such as 1/8. Empty: one position.
    """

    color: Annotated[tuple[Degree, ...], msgspec.Meta(min_length=1, max_length=256)] = (0, 2, 4)
    talea: str = "x.x.xx.."
    value: str = ""

    def _table(self, plan: Plan | None) -> Degrees:
        marks = Pattern(pattern=self.talea, value=self.value, per="piece").of_piece(plan)
        rounds = len(self.color) // math.gcd(len(self.color), max(1, int(marks.sum())))
        # until a talea's first mark, the last tone of the time before goes on
        mark = np.cumsum(np.tile(marks, rounds)) - 1
        return along(Lead("SLOT", len(mark)), np.asarray(self.color)[mark % len(self.color)])

    def degrees(self, m: BitStream, index: Index) -> Index:
        table = self._table(m.plan)
        out: Index = table.values[0][table.first.at(m, index)]
        return out

    def looks_back(self) -> float:
        return 0.0

    def lead(self, machine: Machine) -> Degrees:
        return self._table(machine.plan)

    def degree_set(self, unit_bits: int) -> Index:
        return np.unique(self.color)
