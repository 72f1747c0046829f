"""Rhythm rules that set how long notes last and how loud they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import msgspec
import numpy as np

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events, rank_in
from sonify.music.form.plan import Plan
from sonify.music.machine import Lead, Refusal
from sonify.music.rhythm.following import Follower, Step, q16
from sonify.music.rhythm.note_lengths import value_positions
from sonify.music.rhythm.rule import Reach, Rule

__all__ = ["Accents", "Gate", "Held", "Joined", "Length"]

_LONGEST_HELD = 2**31 - 1
"""The longest note of the core, in its fixed-point times."""


class Joined(Rule, frozen=True, tag="joined"):
    """Neighbouring places of a row become one long note."""

    tells = "first"
    skips: ClassVar[bool] = True
    joins: ClassVar[bool] = True
    ends_later: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        new = np.ones(len(e), bool)
        new[1:] = (np.diff(e.index) != 1) | (e.index[1:] % m.positions == 0)
        first = np.flatnonzero(new)
        last = np.append(first[1:], len(e)) - 1
        run = e.keep(first)
        return run.but(length=e.end[last] - run.onset)

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(length=m.positions + before.late + before.length)

    def follow(self, f: Follower) -> None:
        f.need_order("joined")
        if f.after:
            # notes that begin together: the first of each run stays as it is
            f.add(Step("JOINED", a=1))
            return
        f.need_length("joined")
        if f.shortest < 1 or (f.moved and f.copies[0].delay >= 1):
            raise Refusal(
                "'joined' after notes shorter than a position: each has ended before the next is "
                "read (put joined first)"
            )
        f.add(Step("JOINED"))
        f.opened("joined")
        if f.machine.gap and not f.moved:
            # something lies between two runs
            f.change_copies(spacing=lambda c: max(c.spacing, 2))


class Held(Rule, frozen=True, tag="held"):
    """Each note lasts until the next one or the end of its row (with `across`: of the disc).

    Attributes
    ----------
    longest
        The most steps that a note may last.
    across : Across rows
        Whether a note may last into the next row.
    """

    tells = "apart"
    ends_later: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    longest: Annotated[float, control(step=1, unit="steps", soft=(1, 64), gt=0, le=4096)] = 4096.0
    across: bool = False

    def apply(self, e: Events, m: BitStream) -> Events:
        if not len(e):
            return e
        until = (m.line_start(e.index) + m.positions).astype(np.float64)
        if self.across:
            over = until.copy()
            trial = e.index // m.span
            ends = np.append(trial[1:], -1) != trial
            until[:-1] = e.onset[1:]
            until[ends] = (e.onset - m.since_start(e.onset))[ends] + m.end_slot
            if m.plan is not None and m.plan.closed:
                # the last note of the form ends with its last row
                row = m.row(e.index)
                last = (row == m.plan.rows - 1) & (np.append(row[1:], -1) != row)
                until[last] = over[last]
        else:
            until[:-1] = np.minimum(until[:-1], np.maximum(e.onset[1:], e.onset[:-1]))
        length = np.minimum(until - e.onset, self.longest)
        return e.but(length=np.where(length > 0, length, e.length))

    def reach(self, before: Reach, m: BitStream) -> Reach:
        until = self.longest if self.across else m.positions + 1
        return before._replace(length=max(before.length, until))

    def follow(self, f: Follower) -> None:
        f.need_order("held")
        if f.after:
            if self.across:
                raise Refusal(
                    f"'held' across rows after '{f.after}': the core can't hold a note that comes "
                    "when its row is over (use length)"
                )
            return  # nothing is left of the row to be held in
        if f.open and f.copies[0].delay >= 1:
            raise Refusal(
                f"'held' after '{f.open}' notes that come late: one that comes after its row keeps "
                f"its own length, which is known only later (put entry last)"
            )
        # from here on, each note lasts until the next one, whatever ended it before
        f.steps = [
            Step("JOINED", a=1) if s.op == "JOINED" else s for s in f.steps if s.op != "HELD"
        ]
        f.add(Step("HELD", a=int(self.across), c=min(q16(self.longest), _LONGEST_HELD)))
        f.opened("held")


class Gate(Rule, frozen=True, tag="gate"):
    """Notes last this share of their length: under 1 is crisp, over 1 overlaps.

    Attributes
    ----------
    amount : Length
        Share of its own length: under 1 is crisp, over 1 rings on.
    """

    stays: ClassVar[bool] = True

    amount: Annotated[float, control(step=0.05, soft=(0.05, 8), gt=0, le=256)] = 0.5

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(length=e.length * self.amount)

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(length=before.length * self.amount)

    def follow(self, f: Follower) -> None:
        if self.amount < 1:
            f.need_length("gate below 1")
        f.add(Step("GATE", c=q16(self.amount)))
        f.lengths(lambda n: n * self.amount)

    def loses(self, before: Sequence[Rule]) -> str | None:
        if self.amount < 1 and before and before[0].joins:
            return f"'gate' after '{before[0].name}' hides how long runs are"
        return None

    def written(self) -> bool:
        # over 1 tells how long notes are meant to be, under 1 how they are played
        return self.amount > 1

    def mark(self) -> str:
        return "staccato" if self.amount <= 0.6 else ""


class Length(Rule, frozen=True, tag="length"):
    """Every note lasts a fixed number of steps, or a note value.

    Attributes
    ----------
    steps
        How many steps every note lasts.
    value : Or note value
        Such as 1/4, in place of steps.
    """

    tells = "apart"
    stays: ClassVar[bool] = True

    steps: Annotated[float, control(step=0.25, soft=(0.25, 32), gt=0, le=4096)] = 1.0
    value: str = ""

    def _steps(self, plan: Plan | None) -> float:
        return float(value_positions(self.value, plan, "value")) if self.value else self.steps

    def apply(self, e: Events, m: BitStream) -> Events:
        return e.but(length=np.broadcast_to(np.float64(self._steps(m.plan)), len(e)))

    def reach(self, before: Reach, m: BitStream) -> Reach:
        return before._replace(length=self._steps(m.plan))

    def follow(self, f: Follower) -> None:
        steps = self._steps(f.machine.plan)
        f.add(Step("LENGTH", c=q16(steps)))
        f.open, f.fixed = "", True
        f.shortest = steps
        f.change_copies(length=lambda c: steps, open=lambda c: False)


class Accents(Rule, frozen=True, tag="accents"):
    """Loudness by a pattern over positions, places, characters, rows or notes; 1 is unchanged.

    Attributes
    ----------
    pattern
        How loud each position is, repeated: 1 as set, 0.5 half as loud.
    by : Counted by
        What moves the pattern on.

        - position: the position in the row
        - place: the place in the character
        - character: each character
        - row: each row
        - note: each note of the row
    """

    near: ClassVar[bool] = True
    tells = "always"
    stays: ClassVar[bool] = True
    by_neighbours: ClassVar[bool] = True

    pattern: tuple[Annotated[float, msgspec.Meta(ge=0, le=2)], ...] = (1.0, 0.6, 0.8, 0.6)
    by: Literal["position", "place", "character", "row", "note"] = "position"

    def _lead(self, count: int) -> Lead:
        return Lead("STEP" if self.by == "position" else self.by.upper(), count)

    def apply(self, e: Events, m: BitStream) -> Events:
        cycle = np.asarray(self.pattern or (1.0,))
        if self.by == "note":
            at = rank_in(m.line(e.index)) % len(cycle)
        else:
            at = self._lead(len(cycle)).at(m, e.index)
        return e.but(velocity_scale=e.velocity_scale * cycle[at])

    def follow(self, f: Follower) -> None:
        cycle = np.asarray(self.pattern or (1.0,))
        lead = self._lead(len(cycle))
        if self.by == "note":
            f.need_order("accents by note", chords=True)
            # the rule's number is filled in when the voice's rules are laid out
            lead = replace(lead, up=len(f.steps))
            f.add(Step("COUNT"))
        f.multiply(lead, cycle)
