"""Rhythm rules that move notes: swing, even spreads, other speeds, later entries, chance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events, rank_in
from sonify.music.form.plan import Plan
from sonify.music.machine import Refusal
from sonify.music.rhythm.even import even_pattern
from sonify.music.rhythm.following import Follower, Step, q16
from sonify.music.rhythm.note_lengths import value_positions
from sonify.music.rhythm.rule import ROW, UNKNOWN, Reach, Rule, Seed, chance

__all__ = ["DoubleTime", "Entry", "HalfTime", "Humanise", "Spread", "Strum", "Swing"]

Reals = NDArray[np.float64]

_MOST_SWING = 0.68
"""A stronger swing brings a note nearer to its neighbour's position than to its own (measured)."""
_UNIT = 2**31
"""One, as the core counts chances."""


class Spread(Rule, frozen=True, tag="spread"):
    """The notes of each row are spread over it as evenly as possible (Bjorklund)."""

    near: ClassVar[bool] = True
    why_not: ClassVar[str] = "how many ones a row has is known only when it has been read"
    nearest: ClassVar[str] = "use even, which spreads a number of notes that you give"

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        row = m.line(e.index)
        rank = rank_in(row)
        count = np.bincount(row, minlength=m.lines)[row]
        place = np.empty(len(e), np.int64)
        for notes in np.unique(count).tolist():
            mine = count == notes
            spots = np.flatnonzero(even_pattern(min(notes, m.positions), m.positions))
            place[mine] = spots[rank[mine] % len(spots)]
        moved = e.but(onset=(m.timeline.row_slot[row] + place).astype(np.float64))
        return moved.sorted()

    def waits_for_row(self) -> bool:
        return True


class Swing(Rule, frozen=True, tag="swing"):
    """The second of every two steps comes late: 0.5 is straight, 0.67 a triplet swing.

    Attributes
    ----------
    amount : Swing
        0.5 is straight, 0.67 a triplet swing.
    """

    amount: Annotated[float, control(step=0.01, ge=0.5, le=0.8)] = 0.58

    def _lilt(self, slot: Reals, start: NDArray[np.int64] | int = 0) -> Reals:
        pair = np.floor((slot - start) / 2)
        within = slot - start - 2 * pair
        long = 2 * self.amount
        late = np.where(within < 1, within * long, long + (within - 1) * (2 - long))
        out: Reals = start + 2 * pair + late
        return out

    def apply(self, e: Events, m: BitStream) -> Events:
        start = m.line_start(e.index)
        onset = self._lilt(e.onset, start)
        return e.but(onset=onset, length=self._lilt(e.end, start) - onset)

    def reach(self, before: Reach, m: BitStream) -> Reach:
        if before.late > m.positions + m.widest_gap:
            # notes of two rows, each with its own pairs, may change places
            return UNKNOWN
        return before._replace(late=before.late + 1, length=before.length + 1)

    def follow(self, f: Follower) -> None:
        f.need_straight("swing")
        f.add(Step("SWING", c=round(2 * self.amount * 32768)))
        f.move(self._lilt)
        f.near = min(f.near, 2 - 2 * self.amount)
        # ends only ever come later
        f.later(2 * self.amount - 1)
        # a note that ends with the next one still does
        f.change_copies(length=lambda c: c.length if c.open and c.length <= 1 else c.length + 0.6)

    def loses(self, before: Sequence[Rule]) -> str | None:
        if self.amount > _MOST_SWING:
            return "a swing this strong hides which position a note belongs to"
        return None

    def swing(self) -> float:
        return self.amount

    def written(self) -> bool:
        return False

    def mark(self) -> str:
        return "swing" if self.amount > 0.5 else ""


class HalfTime(Rule, frozen=True, tag="half-time"):
    """The first half of each row at half speed, without its second half."""

    def apply(self, e: Events, m: BitStream) -> Events:
        first = e.keep(e.onset - m.line_start(e.index) < m.positions / 2)
        start = m.line_start(first.index)
        return first.but(onset=start + 2 * (first.onset - start), length=2 * first.length)

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(length=2 * before.length)

    def follow(self, f: Follower) -> None:
        f.need_straight("half-time")
        f.add(Step("HALF"))
        f.move(lambda onset: 2 * onset)
        # a note waits until the place that it moves to: at most a quarter of a row of notes
        f.later(f.machine.positions / 4)
        f.shortest *= 2
        f.change_copies(length=lambda c: 2 * c.length)


class DoubleTime(Rule, frozen=True, tag="double-time"):
    """Each row twice, at double speed."""

    why_not: ClassVar[str] = "at double speed it would sound bits that have not been read"
    nearest: ClassVar[str] = "use half-time"
    reorders: ClassVar[bool] = True

    def apply(self, e: Events, m: BitStream) -> Events:
        start = m.line_start(e.index)
        quick = e.but(onset=start + (e.onset - start) / 2, length=e.length / 2)
        return Events.joined([quick, quick.but(onset=quick.onset + m.positions / 2)])

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + m.positions)

    def early(self) -> float:
        return ROW

    def copies(self) -> int:
        return 2


class Entry(Rule, frozen=True, tag="entry"):
    """All notes enter some steps later, like the second voice of a canon.

    Attributes
    ----------
    steps
        How many steps later.
    value : Or note value
        Such as 1/1, in place of steps.
    """

    steps: Annotated[float, control(step=1, soft=(1, 64), gt=0, le=4096)] = 8.0
    value: str = ""

    def _steps(self, plan: Plan | None) -> float:
        return float(value_positions(self.value, plan, "value")) if self.value else self.steps

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(onset=e.onset + self._steps(m.plan))

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + self._steps(m.plan))

    def follow(self, f: Follower) -> None:
        steps = self._steps(f.machine.plan)
        f.add(Step("ENTRY", c=q16(steps)))
        f.move(lambda onset: onset + steps)
        f.later(steps)
        f.room += steps


class Strum(Rule, frozen=True, tag="strum"):
    """Notes that would begin together follow each other quickly.

    Attributes
    ----------
    step : Apart
        How many steps from one to the next.
    way
        Which of them comes first.

        - up: the note itself, then those that join it, in the order of their list
        - down: the other way round
    """

    by_neighbours: ClassVar[bool] = True

    step: Annotated[float, control(step=0.05, soft=(0.05, 2), gt=0, le=16)] = 0.25
    way: Literal["up", "down"] = "up"

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        _, group = np.unique(e.onset, return_inverse=True)
        rank = rank_in(group)
        if self.way == "down":
            rank = np.bincount(group)[group] - 1 - rank
        late = rank * self.step
        length = np.where(e.length > late, e.length - late, e.length)
        return e.but(onset=e.onset + late, length=length).sorted()

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + self.step * before.together)

    def follow(self, f: Follower) -> None:
        if f.after == "row-end-chords" and not f.order:
            self._follow_row_chord(f)
            return
        if not f.order:
            return  # no two notes begin together
        if f.after == "row-end-chords":
            raise Refusal(
                f"'strum' after '{f.order}' of row-end-chords: the core counts a row's ones, not "
                f"their copies (put 'strum' before '{f.order}')"
            )
        if f.order != "layered" or f.chord is None:
            raise Refusal(
                "'strum' works only on chords that are all alike, as 'layered' makes them (put it "
                "right after layered)"
            )
        count, levels = f.chord
        down = self.way == "down"
        f.add(Step("STRUM", a=count - 1, b=levels, c=q16(self.step), d=int(down)))

        def late(level: int) -> float:
            n = level // levels % count
            return self.step * (count - 1 - n if down else n)

        f.onsets = [None if o is None else o + late(n) for n, o in enumerate(f.onsets)]
        f.later((count - 1) * self.step)
        f.moved, f.order, f.chord = True, "strum", None

    def _follow_row_chord(self, f: Follower) -> None:
        """A row's ones, which the core counts as they are read."""
        if not f.fixed:
            raise Refusal(
                "'strum' of row-end-chords that ring on to the next row: the core keeps one end "
                "for them all (give them a length first)"
            )
        if (f.machine.positions - 1) * self.step >= f.machine.stride:
            raise Refusal(
                "'strum' of row-end-chords that goes on into the next one (use a shorter step)"
            )
        f.add(Step("STRUM", c=q16(self.step), d=int(self.way == "down")))
        f.onsets = [None for _ in f.onsets]
        f.later((f.machine.positions - 1) * self.step)
        f.change_copies(together=lambda c: False)
        f.order = "strum"

    def waits_for_row(self) -> bool:
        return self.way == "down"

    def written(self) -> bool:
        return False

    def mark(self) -> str:
        return "strum"


class Humanise(Rule, frozen=True, tag="humanise"):
    """Small random differences in time and loudness, the same for the same seed.

    Attributes
    ----------
    time
        How far notes stray in time, in steps.
    velocity : Loudness
        How much their loudness strays.
    """

    why_not: ClassVar[str] = "some notes would come before their place is read"
    reorders: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    time: Annotated[float, control(step=0.01, ge=0, le=0.5)] = 0.08
    velocity: Annotated[float, control(step=0.01, ge=0, le=1)] = 0.12
    seed: Seed = 1

    def apply(self, e: Events, m: BitStream) -> Events:
        key = m.nth(e.index) * 64 + rank_in(e.index) % 64

        def around(lot: int) -> Reals:
            # the sum of two random numbers: small differences are likelier than large ones
            out: Reals = chance(self.seed, key, lot) + chance(self.seed, key, lot + 1) - 1
            return out

        first = e.onset - m.since_start(e.onset)
        onset = np.maximum(e.onset + self.time * around(2), first)
        scale = e.velocity_scale * (1 + self.velocity * around(4))
        return e.but(onset=onset, velocity_scale=scale).sorted()

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(late=before.late + self.time)

    def follow(self, f: Follower) -> None:
        if not self.time and not self.velocity:
            return
        f.need_order("humanise", chords=True)
        chord = f.order == "layered"
        if chord and (f.ghosts or f.chord is None or f.after == "row-end-chords"):
            raise Refusal(
                "'humanise' of chords that are not all alike: each note's random number depends "
                "on the notes that sound with it (put layered last)"
            )
        if self.time:
            self._shake(f, chord)
        if self.velocity:
            f.add(Step("VELOCITY", a=int(chord), c=round(self.velocity * _UNIT), d=self.seed))
            f.by_chance = [True for _ in f.by_chance]

    def _shake(self, f: Follower, chord: bool) -> None:
        if f.room < self.time - 1e-9:
            raise Refusal(
                f"the rhythm rule 'humanise': {self.why_not} (put "
                f'{{ rule = "entry", steps = {self.time:g} }} before it, or set time = 0)'
            )
        if (f.open and chord) or (f.after == "row-end-chords" and not f.fixed):
            raise Refusal(
                "'humanise' in time of chords whose end is known only later: the core keeps one "
                "difference for each voice (give them a length first, or set time = 0)"
            )
        f.add(Step("SHAKE", a=int(chord), c=round(self.time * _UNIT), d=self.seed))
        f.onsets = [None for _ in f.onsets]
        f.later(self.time)
        f.room -= self.time
        if chord or f.near < 2 * self.time:
            f.mixed = "humanise"
        f.moved, f.shaken, f.order, f.chord = True, True, "humanise", None
        f.change_copies(together=lambda c: False)

    def early(self) -> float:
        return self.time

    def written(self) -> bool:
        return False
