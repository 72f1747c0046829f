"""Rhythm rules for the time in which the stage moves to the next row."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Annotated, ClassVar

import numpy as np

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events
from sonify.music.form.plan import Plan
from sonify.music.machine import NOTHING, Refusal
from sonify.music.rhythm.following import Copy, Follower, Step, q16
from sonify.music.rhythm.note_lengths import value_positions
from sonify.music.rhythm.rule import UNKNOWN, Reach, Rule

__all__ = ["PickUp", "Roll", "Vamp"]


_MOST_AGAIN = 255


class Vamp(Rule, frozen=True, tag="vamp"):
    """While the stage moves, the voice repeats what it last played, until the next row begins.

    Attributes
    ----------
    bars
        How many of the row's last bars are repeated; 0 for as many as the move takes, heard once.
    fade
        How loud each repetition is compared with the one before.
    shift
        How many scale degrees each repetition moves.
    """

    tells = "always"
    reorders: ClassVar[bool] = True

    bars: Annotated[int, control(step=1, soft=(0, 4), ge=0, le=64)] = 1
    fade: Annotated[float, control(step=0.05, gt=0, le=1)] = 1.0
    shift: Annotated[int, control(step=1, soft=(-12, 12), ge=-24, le=24)] = 0

    def unit(self, positions: int, gap: int, plan: Plan | None) -> int:
        """How many positions are repeated: whole bars, or whole beats of a row that has no bar."""
        bar = Fraction(16) if plan is None else plan.bar
        beat = Fraction(4) if plan is None else plan.beat
        bars = self.bars or max(1, -(-Fraction(gap) // bar))
        for unit in (bars * bar, bar, positions // beat * beat):
            if 0 < unit <= positions and unit.denominator == 1:
                return int(unit)
        return positions

    def apply(self, e: Events, m: BitStream) -> Events:
        gaps = m.moves
        most = int(gaps.max(initial=0))
        if not len(e):
            return e
        unit = self.unit(m.positions, m.widest_gap, m.plan)
        step = e.index % m.positions
        tail = step >= m.positions - unit
        e = e.but(length=np.where(tail, np.minimum(e.length, unit), e.length))
        room = np.where(tail, m.positions + gaps[m.line(e.index)] - step, 0)
        parts = [e]
        for k in range(1, -(-most // unit) + 1):
            again = e.keep(room > k * unit)
            parts.append(
                again.but(
                    onset=again.onset + k * unit,
                    velocity_scale=again.velocity_scale * self.fade**k,
                    shift=again.shift + k * self.shift,
                )
            )
        return Events.joined(parts)

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + m.widest_gap)

    def follow(self, f: Follower) -> None:
        m = f.machine
        if not m.gap:
            return
        if self.fade != 1.0 or self.shift:
            raise Refusal(
                "'vamp' that fades or moves: the core repeats notes as they were (use fade = 1 and "
                "shift = 0)"
            )
        if f.open == "drone" or (f.steps and any(s.op == "HELD" and s.a for s in f.steps)):
            raise Refusal(
                f"'vamp' of a note held across rows ('{f.open}'): it sounds on already (leave "
                "vamp out)"
            )
        if f.after:
            raise Refusal(
                f"'vamp' after '{f.after}': it sounds while the stage moves already (leave vamp "
                "out)"
            )
        unit = self.unit(m.positions, m.gap, m.plan)
        if m.gap // unit > _MOST_AGAIN:
            raise Refusal(
                f"'vamp' of {unit} positions: the core repeats up to {_MOST_AGAIN} times "
                "(use a longer value)"
            )
        f.add(Step("VAMP", c=unit, d=m.positions - unit))
        kept = [s.mask.bits for s in f.steps if s.mask is not None and s.mask.by == "STEP"]
        tail = np.arange(m.positions - unit, m.positions)
        places = min([unit, *(int(np.array(b)[tail % len(b)].sum()) for b in kept[:1])])
        for c in list(f.copies):
            waiting = min(places, -(-unit // c.spacing)) * c.lot
            f.copies.append(Copy(0.0, 0.5, lot=waiting))
        f.onsets = [None for _ in f.onsets]
        f.order = f.order or "vamp"

    def copies(self) -> int:
        return 2

    def shifts(self, shifts: set[int]) -> set[int]:
        most = 8 if self.shift else 0
        return {s + k * self.shift for s in shifts for k in range(most + 1)}


class PickUp(Rule, frozen=True, tag="pick-up"):
    """Each note comes at the end of its time: a pick-up to what follows.

    Attributes
    ----------
    value : Lasts
        A note value, such as 1/4.
    """

    needs_end: ClassVar[bool] = True

    value: str = "1/4"

    def apply(self, e: Events, m: BitStream) -> Events:
        lasts = float(value_positions(self.value, m.plan, "value"))
        length = np.minimum(e.length, lasts)
        return e.but(onset=e.onset + e.length - length, length=length)

    def reach(self, before: Reach, m: BitStream) -> Reach:
        # notes that end in another order than they begin must do so before the next row
        if before.late > m.positions or before.length > m.widest_gap:
            return UNKNOWN
        return before._replace(late=before.late + before.length)

    def follow(self, f: Follower) -> None:
        if f.after != "row-changes":
            raise Refusal(
                "'pick-up' of notes other than row-changes: when they end is not known (use "
                'source = "row-changes")'
            )
        lasts = min(float(value_positions(self.value, f.machine.plan, "value")), f.shortest)
        wait = f.shortest - lasts
        f.add(Step("ENTRY", c=q16(wait)))
        f.add(Step("LENGTH", c=q16(lasts)))
        f.move(lambda onset: onset + wait)
        f.later(wait)
        f.open, f.fixed, f.shortest = "", True, lasts
        f.change_copies(length=lambda c: lasts, open=lambda c: False)


class Roll(Rule, frozen=True, tag="roll"):
    """Each note is struck as often as whole strokes go into it: a roll, a fill or a run.

    Attributes
    ----------
    value : Strokes
        The note value from one stroke to the next, such as 1/16.
    first : First stroke
        How loud the first stroke is compared with the last; the others lie between.
    shift
        How many scale degrees each stroke moves.
    """

    needs_end: ClassVar[bool] = True
    reorders: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    value: str = "1/16"
    first: Annotated[float, control(step=0.05, gt=0, le=1)] = 0.6
    shift: Annotated[int, control(step=1, soft=(-4, 4), ge=-12, le=12)] = 0

    def _fades(self, count: int) -> list[float]:
        return [self.first + (1 - self.first) * k / max(count - 1, 1) for k in range(count)]

    def apply(self, e: Events, m: BitStream) -> Events:
        every = float(value_positions(self.value, m.plan, "value"))
        count = np.maximum(1, np.floor(e.length / every + 1e-9)).astype(np.int64)
        parts = []
        for strokes in np.unique(count).tolist():
            mine = e.keep(count == strokes)
            length = np.minimum(mine.length, every)
            parts += [
                mine.but(
                    onset=mine.onset + k * every,
                    length=length,
                    velocity_scale=mine.velocity_scale * fade,
                    shift=mine.shift + k * self.shift,
                )
                for k, fade in enumerate(self._fades(strokes))
            ]
        return Events.joined(parts) if parts else e

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + before.length)

    def follow(self, f: Follower) -> None:
        f.need_length("roll")
        if f.after == "row-end-chords" and not f.fixed:
            raise Refusal(
                "'roll' of row-end-chords: how long the last row's rings is not known (give "
                "them a length first)"
            )
        if any(c.length != f.copies[0].length for c in f.copies):
            raise Refusal(
                "'roll' of notes of different lengths: each would have its own strokes "
                "(give them a length first)"
            )
        every = float(value_positions(self.value, f.machine.plan, "value"))
        long = f.copies[0].length
        count = max(1, int(long / every + 1e-9))
        every = min(every, long)
        fades = self._fades(count)
        stride = f.levels("roll", fades[1:], [k * self.shift for k in range(1, count)])
        first = (NOTHING, np.array([fades[0]]))
        f.factors[:stride] = [[*levels, first] for levels in f.factors[:stride]]
        f.add(Step("LENGTH", c=q16(count * every)))
        f.add(Step("REPEAT", a=count, b=stride))
        f.copies = [
            replace(c, delay=c.delay + k * every, length=every)
            for k in range(count)
            for c in f.copies
        ]
        f.shortest, f.fixed, f.open = every, True, ""
        f.onsets = f.onsets + [None] * (len(f.shifts) - len(f.onsets))
        f.order, f.moved, f.chord = "roll", True, None

    def copies(self) -> int:
        return 16

    def shifts(self, shifts: set[int]) -> set[int]:
        most = 64 if self.shift else 0
        return {s + k * self.shift for s in shifts for k in range(most + 1)}
