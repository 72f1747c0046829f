"""Rhythm rules that follow the letters."""

from __future__ import annotations

from typing import ClassVar, Literal

import numpy as np

from sonify.music.bit_stream import BitStream, Events
from sonify.music.machine import Refusal
from sonify.music.rhythm.following import Follower, Mask, Step
from sonify.music.rhythm.rule import UNKNOWN, Reach, Rule
from sonify.music.theory.motifs import RHYTHMS, Speed, Way, motif_of

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
    way
        Which way round the motif goes.

        - forward: as it is
        - inverted: what rises falls; the rhythm stays
        - backward: from its end to its start
        - both: backward and inverted
    speed
        2 plays it twice as fast and twice, 0.5 its first half at half speed.
    """

    stays: ClassVar[bool] = True
    skips: ClassVar[bool] = True

    of: Literal["letter", "word", "row"] = "letter"
    late: bool = False
    way: Way = "forward"
    speed: Speed = 1.0

    def apply(self, e: Events, m: BitStream) -> Events:
        value = m.motif_value(e.index, self.of, int(self.late))
        place = m.in_character(e.index)
        return e.keep(motif_of(value, place, m.unit_bits, self.way, self.speed)[0])

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return UNKNOWN if self.of == "word" else before

    def waits_for_character(self) -> bool:
        return not self.late

    def follow(self, f: Follower) -> None:
        if self.of != "letter":
            raise Refusal(
                f"the rhythm rule 'motif' of each {self.of}: the core knows letters only (use "
                'of = "letter")'
            )
        if not self.late:
            raise Refusal(
                "the rhythm rule 'motif': which notes sound is known only when the letter has been "
                "read (set late = true)"
            )
        if not f.machine.straight:
            raise Refusal(
                "the rhythm rule 'motif', late, where rows begin anywhere: some of the letter "
                'before is read only at the turn\'s end (use player.row-start = "index")'
            )
        place = np.arange(f.machine.unit_bits)
        for k in range(len(RHYTHMS)):
            mine = tuple(n == k for n in range(len(RHYTHMS)))
            value = np.full_like(place, k)
            there, _ = motif_of(value, place, len(place), self.way, self.speed)
            struck = tuple(there.tolist())
            f.add(Step("WHEN", mask=Mask("LAST_UNIT", mine)))
            f.add(Step("MASK", mask=Mask("PLACE", struck)))
