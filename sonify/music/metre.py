"""Metre and beats: note values, ticks, bars, and rows moved to bar lines."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

import msgspec
import numpy as np

from sonify.disc_player.profile import Player
from sonify.disc_player.timeline import Pace, Timeline, read_times
from sonify.errors import InputError
from sonify.midi.tempo import MAX_TEMPO, TempoMap
from sonify.music.form.plan import Plan, plan_for
from sonify.music.settings import Music
from sonify.music.theory.note_values import note_value, two_numbers
from sonify.music.theory.scales import find_scale

__all__ = [
    "TICKS_PER_QUARTER",
    "Grid",
    "grid_of",
    "in_best_metre",
    "paced_tempo",
    "rows_to_bars",
]

TICKS_PER_QUARTER = 480
_MAX_TICKS = 32767
_SIXTEENTH = Fraction(1, 16)

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
    plan : Plan
        The form, laid over the rows.
    """

    step: Fraction
    metre: tuple[int, int]
    ticks_per_quarter: int
    row_is_bars: bool
    plan: Plan

    @property
    def step_beats(self) -> float:
        """The length of a position in quarter notes."""
        return float(self.step * 4)

    @cached_property
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


def _parse_metre(text: str) -> tuple[int, int]:
    beats, value = two_numbers(text)
    if not value:
        what = f"'{text}' is not a metre; write auto, or one such as 4/4 or 7/8"
    elif not 1 <= beats <= 255 or value not in (1, 2, 4, 8, 16, 32, 64):
        what = f"{text} is not a metre; give 1 to 255 beats of 1, 2, 4, 8, 16, 32 or 64"
    else:
        return beats, value
    raise InputError(what, place="music.metre")


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
            fitting = (b for b in range(2, _LONGEST_BAR + 1) if beats % b == 0)
            return next(((b, value) for b in fitting), (4, 4))
    return (4, 4)


def _metres(music: Music, row: Fraction) -> list[tuple[int, int]]:
    """The metres that a piece may have, the first one preferred."""
    if music.metre == "auto":
        return [_auto_metre(row)]
    return [_parse_metre(text.strip()) for text in music.metre.split(",")]


def in_best_metre(music: Music, player: Player, positions: int) -> Music:
    """The music in the one of its metres that brings the next row to a bar line soonest; of
    several that do, in the first.

    Raises
    ------
    InputError
        A step or metre that is not possible.
    """
    if "," not in music.metre:
        return music
    step = note_value(music.step, "music.step")
    line = read_times(2, positions, player)

    def apart(metre: tuple[int, int]) -> Fraction:
        """From one row to a bar line at which the next row begins, or could, in slots."""
        beat, bar = Fraction(1, metre[1]) / step, Fraction(*metre) / step
        if music.timing == "bars":
            return Fraction(positions + _rest(line, beat, bar, player))
        return -(-int(line.row_slot[1]) // bar) * bar

    beats, value = min(_metres(music, step * positions), key=apart)
    return msgspec.structs.replace(music, metre=f"{beats}/{value}")


def grid_of(music: Music, positions: int, rows: int = 1) -> Grid:
    """The grid of beats and ticks for rows of `positions`, and the form of so many rows.

    Raises
    ------
    InputError
        A step or metre that is not possible.
    """
    step = _SIXTEENTH if music.step == "auto" else note_value(music.step, "music.step")
    row = step * positions
    metre = _metres(music, row)[0]
    least = math.lcm((step * 4).denominator, (Fraction(*metre) * 4).denominator)
    # short steps have as many ticks as sixteenths, so notes are placed as finely in any notation
    ticks = math.lcm(TICKS_PER_QUARTER * max(1, math.ceil(_SIXTEENTH / step)), least)
    if ticks > _MAX_TICKS:
        ticks = least * max(1, TICKS_PER_QUARTER // least)
    bar = Fraction(*metre)
    plan = plan_for(
        music.form, music.harmony, find_scale(music.scale).minor, rows, positions, step, bar,
        Fraction(1, metre[1]),
    )  # fmt: skip
    return Grid(step, metre, ticks, (row / bar).denominator == 1, plan)


def _rest(timeline: Timeline, beat: Fraction, bar: Fraction, player: Player) -> int:
    """The rest between rows, in slots."""
    unit = beat.numerator  # slots in the shortest rest of whole beats
    move = math.ceil((player.stage + player.settle) / timeline.position_s - 1e-9)
    fewest = math.ceil(move / unit) * unit
    beats = (fewest + extra * unit for extra in range(math.ceil(bar / beat) * 64))
    part, whole_bars, positions = bar.denominator, bar.numerator, timeline.positions
    gaps = itertools.chain(beats, range(move, move + whole_bars))
    whole = (g for g in gaps if not (positions + g) * part % whole_bars)
    return next(whole, fewest)


def rows_to_bars(timeline: Timeline, grid: Grid, player: Player) -> Timeline:
    """The reading with its row changes as whole beats of rest.

    A rest is the fewest whole beats that cover the stage's move and settling and bring the next
    row to a bar line; where no whole beats can do that, the fewest positions that do; where those
    can't either, the fewest beats that cover the move. The form may change the speed from beat to
    beat.
    """
    beat, bar = Fraction(1, grid.metre[1]) / grid.step, grid.bar / grid.step  # in slots
    on = timeline.positions + _rest(timeline, beat, bar, player)
    line = replace(timeline, row_slot=np.arange(timeline.rows, dtype=np.int64) * on)
    if grid.plan.pace is None:
        return line
    pace = grid.plan.pace[np.arange(line.rows) % grid.plan.rows]
    beats = np.rint(np.arange(pace.shape[1]) * float(beat * grid.step_ticks))
    tick = (line.row_slot[:, None] * grid.step_ticks + beats).reshape(-1)
    # whole microseconds a quarter, so that the MIDI file has the same times to the last digit
    quarter = 1e6 * line.position_s / grid.step_beats / pace.reshape(-1)
    tempo = np.rint(quarter).clip(1, MAX_TEMPO)
    new = np.diff(tempo, prepend=0) != 0
    changes = Pace(tick[new] / grid.step_ticks, tempo[new] * 1e-6 * grid.step_beats)
    return replace(line, pace=changes)


def paced_tempo(pace: Pace, grid: Grid) -> TempoMap:
    """A changing speed as the tempo map of a MIDI file."""
    tick = np.rint(pace.slot * grid.step_ticks).astype(np.int64)
    tempo = np.rint(pace.position_s * 1e6 / grid.step_beats)
    return TempoMap(tick, tempo, grid.ticks_per_quarter)
