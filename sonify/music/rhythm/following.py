"""A voice's rhythm rules as steps of the firmware's core.

Each rule adds its steps to a `Follower`, which tracks what the machine knows after each rule:
whether a note's length is known yet, whether notes still come in the order of their positions, and
how loud each level (a note, its echoes, ghosts) may be.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.music.machine import NOTHING, Lead, Machine, Refusal

__all__ = ["ONE", "Copy", "Follower", "Mask", "Step", "q16"]

ONE = 65536
"""A position in the core's fixed-point times: it counts in 65536ths (16 fraction bits)."""
MOST_LEVELS = 32
_LOUDEST = 4095

Reals = NDArray[np.float64]


def q16(value: float) -> int:
    """Positions in the core's fixed-point times."""
    return round(value * ONE)


@dataclass(frozen=True)
class Mask:
    """Bits along a lead: where a voice may sound. `back` is the bit that follows the last one, a
    table of the plan, or the bits of a number."""

    by: str
    bits: tuple[bool, ...]
    back: int = 0


@dataclass(frozen=True)
class Step:
    """One rule of the core: `op` as in the names `PLAYER_RULE_...`, and its numbers."""

    op: str
    a: int = 0
    b: int = 0
    c: int = 0
    d: int = 0
    mask: Mask | None = None


@dataclass(frozen=True)
class Copy:
    """A kind of note that a place makes.

    Attributes
    ----------
    delay, length : float
        The most positions from its place to its beginning, and from there to its end. If it is
        `open`, `length` is a share of the time to the next note instead.
    open : bool
        Whether the next note ends it.
    spacing : int
        The fewest positions from one place that sounds, or one lot of them, to the next.
    lot : int
        How many places there are in a lot.
    together : bool
        Whether a lot begins at one time: then only one note of each tone is kept.
    """

    delay: float
    length: float
    open: bool = False
    spacing: int = 1
    lot: int = 1
    together: bool = False

    def notes(self, positions: int, tones: int) -> int:
        """The most of these notes that are due or sounding at once."""
        lot = min(self.lot, tones) if self.together else self.lot
        if not self.open:
            return lot * math.ceil((self.delay + self.length) / self.spacing + 1e-9)
        ends = 1
        if self.length > 1:
            # a note rings on while those after it last less than the rest of it together; this
            # many fit into four rows if each is as long as it can be; swing leaves 0.4 of the
            # shortest
            ends += math.ceil(math.log(10 * positions) / math.log(self.length / (self.length - 1)))
        return lot * (math.ceil(self.delay / self.spacing + 1e-9) + min(ends, 4 * positions))


@dataclass
class Follower:
    """The steps of a voice so far, and what the machine knows of its notes after them.

    Attributes
    ----------
    machine : Machine
    steps : list of Step
    shifts : list of int
        Degrees by which each level is moved.
    loud : list of Lead
        Up to three counts that the velocities depend on.
    velocities : ndarray of float64, shape (levels, ...)
        Not rounded. The first axis is the level; the others are the leads, the last one first.
    by_chance : list of bool
        Whether the velocities of each level vary at random.
    copies : list of Copy
        Each kind of note that one place makes.
    room : float
        The fewest positions from a note's place to its beginning.
    when_over : bool
        Whether notes begin when the row is over.
    mixed : str
        The rule that may put notes into another order than that of their places.
    shortest : float
        The fewest positions from a note's place to its end.
    near : float
        The fewest positions from one note to the next.
    open : str
        The rule after which a note's length is not known when it begins.
    order : str
        The rule after which notes no longer come in the order of their places.
    after : str
        The source whose notes come when the row is over.
    chord : tuple of int or None
        How many notes begin together, and how many levels lie between them.
    doubled : int
        How many rules copy notes.
    moved, shaken, fixed, ghosts, twice : bool
        Whether a rule moved notes; a rule moved them at random; a rule gave all of them a length;
        zeros sound too; notes are layered twice (the core makes their notes in turns).
    onsets : list of ndarray or None
        For each level, when notes begin, in positions, by the step of the row; None if unknown.
    factors : list of list
        For each level, factors as (lead, values) in the order in which they are multiplied.
    """

    machine: Machine
    steps: list[Step] = field(default_factory=list)
    shifts: list[int] = field(default_factory=lambda: [0])
    loud: list[Lead] = field(default_factory=list)
    velocities: Reals = field(default_factory=lambda: np.zeros(0))
    by_chance: list[bool] = field(default_factory=lambda: [False])
    copies: list[Copy] = field(default_factory=lambda: [Copy(0.0, 1.0)])
    room: float = 0.0
    when_over: bool = False
    mixed: str = ""
    shortest: float = 1.0
    near: float = 1.0
    open: str = ""
    order: str = ""
    after: str = ""
    chord: tuple[int, int] | None = None
    doubled: int = 0
    moved: bool = False
    shaken: bool = False
    fixed: bool = False
    ghosts: bool = False
    twice: bool = False
    onsets: list[Reals | None] = field(init=False)
    factors: list[list[tuple[Lead, Reals]]] = field(default_factory=lambda: [[]])

    def __post_init__(self) -> None:
        self.onsets = [self.own_onsets()]

    def own_onsets(self) -> Reals:
        """When notes at their own positions begin."""
        return np.arange(self.machine.positions, dtype=np.float64)

    def velocity_table(self, human: bool) -> NDArray[np.int64]:
        """The velocities for the core: rounded; if `human`, times 2^20, before chance."""
        rounded = np.clip(np.rint(self.velocities), 1, 127)
        if not human:
            return rounded.astype(np.int64)
        chance = np.reshape(self.by_chance, (-1, *[1] * (self.velocities.ndim - 1)))
        exact = np.minimum(self.velocities, _LOUDEST)
        out: NDArray[np.int64] = np.rint(np.where(chance, exact, rounded) * 2**20).astype(np.int64)
        return out

    def notes(self, positions: int, tones: int) -> int:
        """The most notes that are due or sounding at once.

        Parameters
        ----------
        positions : int
            Positions per row.
        tones : int
            How many different tones there are.
        """
        return 1 + sum(c.notes(positions, tones) for c in self.copies)

    def need_order(self, name: str, chords: bool = False) -> None:
        """Refuse notes out of order; `chords` allows several notes at one place."""
        if self.order and not (chords and self.order == "layered" and not self.twice):
            if self.order == "humanise":
                raise Refusal(
                    f"'{name}' after 'humanise': the core takes notes in the order of their "
                    "places (put humanise last)"
                )
            raise Refusal(
                f"'{name}' after '{self.order}': the core applies its rules when a place is read, "
                f"and other notes come in between later (put '{name}' before '{self.order}')"
            )

    def need_length(self, name: str) -> None:
        """Refuse notes whose length is not known when they begin."""
        if self.open:
            raise Refusal(
                f"'{name}' after '{self.open}': how long a note lasts is known only at its end "
                f"(put '{name}' first, or a length between them)"
            )

    def need_straight(self, name: str) -> None:
        """Refuse notes that were moved at random."""
        if self.shaken:
            raise Refusal(
                f"'{name}' after 'humanise': the core moves notes at random only at the end (put "
                "humanise last)"
            )

    def add(self, step: Step) -> None:
        """Add a step of the core."""
        self.steps.append(step)

    def change_copies(self, **change: Callable[[Copy], Any]) -> None:
        """Change attributes of each kind of note that one place makes."""
        self.copies = [
            replace(c, **{k: value(c) for k, value in change.items()}) for c in self.copies
        ]

    def lengths(self, change: Callable[[float], float]) -> None:
        """Change the lengths of all notes."""
        self.shortest = change(self.shortest)
        self.change_copies(length=lambda c: change(c.length))

    def later(self, steps: float) -> None:
        """Let notes begin up to `steps` positions later."""
        self.change_copies(delay=lambda c: c.delay + steps)

    def opened(self, rule: str) -> None:
        """Let the next note end each one from here on."""
        self.open = rule
        self.change_copies(length=lambda c: 1.0, open=lambda c: True)

    def silence(self) -> None:
        """Let no note sound."""
        self.add(Step("MASK", mask=Mask("NOTHING", (False,))))

    def move(self, change: Callable[[Reals], Reals]) -> None:
        """Change when notes begin."""
        self.moved = True
        self.onsets = [None if o is None else change(o) for o in self.onsets]

    def levels(self, name: str, fades: Sequence[float], shifts: Sequence[int]) -> int:
        """Add a copy of all levels for each fade and shift, and return how far apart copies are."""
        self.doubled += 1
        if self.doubled > 2:
            raise Refusal("more than two rules that copy notes: RAM has no room for more (use two)")
        have = len(self.shifts)
        if have * (len(fades) + 1) > MOST_LEVELS:
            raise Refusal(f"'{name}' makes more than {MOST_LEVELS} kinds of echo (use fewer)")
        old, factors = list(self.shifts), [list(f) for f in self.factors]
        for fade, shift in zip(fades, shifts, strict=True):
            self.shifts += [s + shift for s in old]
            self.by_chance += self.by_chance[:have]
            self.factors += [[*f, (NOTHING, np.array([fade]))] for f in factors]
        return have

    def add_level(self, name: str, scale: float) -> int:
        """Add one level of notes at their own positions, and return its number."""
        level = len(self.shifts)
        if level >= MOST_LEVELS:
            raise Refusal(f"'{name}' makes too many kinds of note (use fewer)")
        self.shifts.append(0)
        self.by_chance.append(False)
        self.factors.append([(NOTHING, np.array([scale]))])
        self.onsets.append(self.own_onsets())
        return level

    def multiply(self, lead: Lead, values: Reals) -> None:
        """Multiply the velocities of all levels by values along a lead."""
        self.factors = [[*f, (lead, values)] for f in self.factors]
