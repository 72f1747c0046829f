"""A pitch scheme that gives each letter a line of its own."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np

from sonify.controls import control
from sonify.music.bit_stream import BitStream
from sonify.music.machine import Degrees, Index, Lead, Machine, Refusal
from sonify.music.pitch.scheme import Counted
from sonify.music.theory.motifs import line_of

__all__ = ["LetterMotif"]


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
    """

    of: Literal["letter", "word", "row"] = "letter"
    late: bool = False
    size: Annotated[int, control(step=1, soft=(1, 3), ge=1, le=7)] = 1

    def table(self, positions: int, unit_bits: int) -> Degrees:
        value, place = np.arange(1 << unit_bits), np.arange(unit_bits)
        lead = Lead("LAST_UNIT" if self.late else "VALUE", len(value))
        lines = self.size * line_of(value, place[:, None], unit_bits)
        return Degrees(lead, Lead("PLACE", unit_bits), lines)

    def degrees(self, m: BitStream, index: Index) -> Index:
        value = m.motif_value(index, self.of, int(self.late))
        line = line_of(value, m.in_character(index), m.unit_bits)
        return self.size * line

    def waits_for_character(self) -> bool:
        return not self.late

    def by_position(self) -> bool:
        return False

    def lead(self, machine: Machine) -> Degrees:
        if self.of != "letter":
            raise Refusal(
                f"the pitch scheme 'motif' of each {self.of}: the core knows letters only"
            )
        if self.late and not machine.straight:
            raise Refusal(
                "the pitch scheme 'motif', late, where rows begin anywhere: some of the letter "
                "before is read only at the turn's end"
            )
        return super().lead(machine)
