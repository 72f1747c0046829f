"""Metre and beats: note values, ticks, bars, and rows moved to bar lines."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from sonify.errors import InputError
from sonify.music.settings import Music
from sonify.player.profile import Player
from sonify.player.timeline import Timeline

__all__ = ["TICKS_PER_QUARTER", "Grid", "grid_of", "rows_to_bars"]

TICKS_PER_QUARTER = 480
_MAX_TICKS = 32767

# the order in which `auto` tries metres: the ones a listener counts most easily first
_METRES = (
    (4, 4), (3, 4), (6, 8), (2, 4), (5, 4), (12, 8), (9, 8), (7, 4), (7, 8), (5, 8), (11, 8),
    (13, 8), (3, 8), (5, 16), (7, 16), (9, 16), (11, 16), (13, 16), (3, 16),
)  # fmt: skip
_LONGEST_BAR = 64


@dataclass(frozen=True)
class Grid:
    """How slots, beats, bars and ticks relate.

    Attributes
    ----------
    step : Fraction
        The note value of one position, in whole notes.
    metre : tuple of int
        Beats per bar, and the note value of a beat (4 for a quarter).
    ticks_per_quarter : int
        Of the MIDI file.
    row_is_bars : bool
        Whether a row is a whole number of bars.
    """

    step: Fraction
    metre: tuple[int, int]
    ticks_per_quarter: int
    row_is_bars: bool

    @property
    def step_beats(self) -> float:
        """The length of a position in quarter notes."""
        return float(self.step * 4)

    @property
    def step_ticks(self) -> int:
        """The length of a position in ticks."""
        return int(self.step * 4 * self.ticks_per_quarter)

    @property
    def bar(self) -> Fraction:
        """The note value of a bar, in whole notes."""
        return Fraction(*self.metre)

    @property
    def bar_ticks(self) -> int:
        """The length of a bar in ticks."""
        return int(self.bar * 4 * self.ticks_per_quarter)

    def tick_s(self, position_s: float) -> float:
        """The length of a tick in s, for positions of `position_s`."""
        return position_s / self.step_ticks


def parse_step(text: str) -> Fraction:
    """A note value such as 1/16 in whole notes."""
    found = re.fullmatch(r"\s*(\d{1,4})\s*/\s*(\d{1,4})\s*", text)
    if not found or not int(found.group(1)) or not int(found.group(2)):
        raise InputError(
            f"'{text}' is not a note value; write one such as 1/16 or 1/12", place="music.step"
        )
    step = Fraction(int(found.group(1)), int(found.group(2)))
    if not Fraction(1, 256) <= step <= 4:
        raise InputError(
            f"{text} of a whole note is out of range; give 1/256 to 4/1", place="music.step"
        )
    return step


def _parse_metre(text: str) -> tuple[int, int]:
    found = re.fullmatch(r"\s*(\d{1,3})\s*/\s*(\d{1,2})\s*", text)
    if not found:
        raise InputError(
            f"'{text}' is not a metre; write auto, or one such as 4/4 or 7/8", place="music.metre"
        )
    beats, value = int(found.group(1)), int(found.group(2))
    if not 1 <= beats <= 255 or value not in (1, 2, 4, 8, 16, 32, 64):
        raise InputError(
            f"{text} is not a metre; give 1 to 255 beats of 1, 2, 4, 8, 16, 32 or 64",
            place="music.metre",
        )
    return beats, value


def _auto_metre(row: Fraction) -> tuple[int, int]:
    """The most usual metre in which a row is whole bars; 4/4 where there is none.

    A row of 53 sixteenths is one bar of 53/16: such a row has no shorter bars.
    """
    for metre in _METRES:
        if (row / Fraction(*metre)).denominator == 1:
            return metre
    for value in (4, 8, 16, 32, 64):
        beats = row * value
        if beats.denominator == 1:
            whole = int(beats)
            fitting = [b for b in range(2, _LONGEST_BAR + 1) if whole % b == 0]
            return (fitting[0], value) if fitting else (4, 4)
    return (4, 4)


def grid_of(music: Music, positions: int) -> Grid:
    """The grid of beats and ticks for rows of `positions`.

    Raises
    ------
    InputError
        A step or metre that is not possible.
    """
    step = parse_step(music.step)
    row = step * positions
    if music.metre == "auto":
        metre = _auto_metre(row)
    else:
        metre = _parse_metre(music.metre)
    ticks = math.lcm(TICKS_PER_QUARTER, (step * 4).denominator, (Fraction(*metre) * 4).denominator)
    if ticks > _MAX_TICKS:
        ticks = math.lcm((step * 4).denominator, (Fraction(*metre) * 4).denominator)
        ticks *= max(1, TICKS_PER_QUARTER // ticks)
    return Grid(step, metre, ticks, (row / Fraction(*metre)).denominator == 1)


def rows_to_bars(timeline: Timeline, grid: Grid, player: Player) -> Timeline:
    """The reading with its row changes as whole beats of rest.

    A rest is the fewest whole beats that cover the stage's move and settling and bring the next
    row to a bar line; where no whole beats can do that, the fewest that cover the move.
    """
    beat = Fraction(1, grid.metre[1])
    unit = _lcm(beat, grid.step) / grid.step  # slots in the shortest rest of whole beats
    move = math.ceil((player.stage + player.settle) / timeline.position_s - 1e-9)
    fewest = math.ceil(move / unit) * int(unit)
    rest = fewest
    for extra in range(grid.metre[0] * 64):
        gap = fewest + extra * int(unit)
        if ((timeline.positions + gap) * grid.step / grid.bar).denominator == 1:
            rest = gap
            break
    on = timeline.positions + rest
    return timeline.with_rows_at(np.arange(timeline.rows, dtype=np.int64) * on)


def _lcm(a: Fraction, b: Fraction) -> Fraction:
    return Fraction(
        math.lcm(a.numerator * b.denominator, b.numerator * a.denominator),
        a.denominator * b.denominator,
    )
