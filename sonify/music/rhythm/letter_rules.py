"""Rhythm rules that follow the letters."""

from __future__ import annotations

from typing import ClassVar, Literal

import numpy as np

from sonify.music.bit_stream import BitStream, Events
from sonify.music.machine import Refusal
from sonify.music.rhythm.following import Follower, Mask, Step
from sonify.music.rhythm.rule import Rule
from sonify.music.theory.motifs import RHYTHMS, rhythm_of

__all__ = ["Motif"]


class Motif(Rule, frozen=True, tag="motif"):
    """Each letter has a rhythm of its own; goes with the pitch scheme of that name.

    Attributes
    ----------
    of
        What has a motif.

        - letter: each letter
        - word: each word
        - row: each row
    late : One letter late
        Whether a motif sounds when its letter has been read, as on a machine, and not while it is
        being read.
    """

    stays: ClassVar[bool] = True
    skips: ClassVar[bool] = True

    of: Literal["letter", "word", "row"] = "letter"
    late: bool = False

    def apply(self, e: Events, m: BitStream) -> Events:
        value = m.motif_value(e.index, self.of, int(self.late))
        return e.keep(rhythm_of(value, m.in_character(e.index)))

    def waits_for_character(self) -> bool:
        return not self.late

    def follow(self, f: Follower) -> None:
        if self.of != "letter":
            raise Refusal(f"the rhythm rule 'motif' of each {self.of}: the core knows letters only")
        if not self.late:
            raise Refusal(
                "the rhythm rule 'motif': which notes sound is known only when the letter has been "
                "read (set late = true)"
            )
        if not f.machine.straight:
            raise Refusal(
                "the rhythm rule 'motif', late, where rows begin anywhere: some of the letter "
                "before is read only at the turn's end"
            )
        place = np.arange(f.machine.unit_bits)
        for k in range(len(RHYTHMS)):
            mine = tuple(n == k for n in range(len(RHYTHMS)))
            struck = tuple(rhythm_of(np.full_like(place, k), place).tolist())
            f.add(Step("WHEN", mask=Mask("LAST_UNIT", mine)))
            f.add(Step("MASK", mask=Mask("PLACE", struck)))
