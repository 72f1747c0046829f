"""A voice's rules as steps of a machine's core, and the notes that it keeps in mind.

`Follower` goes through a voice's rules. It keeps track of what the machine knows after each:
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
    """Bits along a lead: where a voice may sound."""

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
    """A kind of note: its beginning after its place and its length, in positions, at most.

    Attributes
    ----------
    delay, length : float
        Where the next note ends it (`open`), `length` is the share of the time until then.
    open : bool
    spacing : int
        Positions from one place that sounds, or one lot of them, to the next, at least.
    lot : int
        How many places there are in a lot.
    together : bool
        Whether a lot begins at one time: of one tone only one note is kept then.
    """

    delay: float
    length: float
    open: bool = False
    spacing: int = 1
    lot: int = 1
    together: bool = False

    def notes(self, positions: int, tones: int) -> int:
        """The most of them that are due or sounding at once."""
        lot = min(self.lot, tones) if self.together else self.lot
        if not self.open:
            return lot * math.ceil((self.delay + self.length) / self.spacing + 1e-9)
        ends = 1
        if self.length > 1:
            # one that rings on sounds as long as those after it are together shorter than
            # its rest: so many fit into four rows, each the longest that can be
            ends += math.ceil(math.log(4 * positions) / math.log(self.length / (self.length - 1)))
        return lot * (math.ceil(self.delay / self.spacing + 1e-9) + min(ends, 4 * positions))


@dataclass
class Follower:
    """A voice's rules as the core takes them, and what the machine knows of its notes by then.

    Attributes
    ----------
    machine : Machine
    steps : list of Step
    shifts : list of int
        Degrees by which each level is moved.
    loud : list of Lead
        Up to three, through the velocities.
    velocities : ndarray of float64, shape (levels, ...)
        Not rounded. One axis a level, then an axis for each lead, the last lead first.
    by_chance : list of bool
        Whether chance makes the notes of each level softer or louder.
    copies : list of Copy
        Each kind of note that one place makes.
    room : float
        Positions from a note's place to its beginning, at least.
    when_over : bool
        Whether they begin when the row is over.
    mixed : str
        The rule that may bring notes into another order than their places have.
    shortest : float
        Positions from a note's place to its end, at least.
    near : float
        Positions from one note to the next, at least.
    open : str
        The rule after which lengths are not known at the beginning.
    order : str
        The rule after which notes no longer come in the order of their places.
    after : str
        The source whose notes come when the row is over.
    chord : tuple of int or None
        Notes that begin together, and levels between them.
    doubled : int
        How many rules make notes of notes.
    moved, shaken, fixed, ghosts, twice : bool
        Whether a rule moved notes, chance moved them, a rule gave all of them a length, zeros sound
        too, and notes are layered twice (the core makes their notes in turns).
    onsets : list of ndarray or None
        For each level, when a note begins, in positions, by the step of its row; None if that is
        not known.
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
        """The beginnings of notes at their own positions."""
        return np.arange(self.machine.positions, dtype=np.float64)

    def velocity_table(self, human: bool) -> NDArray[np.int64]:
        """The velocities as the core takes them: rounded, or `human`, * 2^20 before chance."""
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
            Of a row.
        tones : int
            How many different ones there are.
        """
        return 1 + sum(c.notes(positions, tones) for c in self.copies)

    def need_order(self, name: str, chords: bool = False) -> None:
        """Refuse notes that come between; `chords` where several at one place do no harm."""
        if self.order and not (chords and self.order == "layered" and not self.twice):
            if self.order == "humanise":
                raise Refusal(
                    f"'{name}' after 'humanise': the core takes notes in the order of their "
                    "places (put humanise last)"
                )
            raise Refusal(
                f"'{name}' after '{self.order}': the core takes its rules when a place is read, "
                f"and others come between later (put '{name}' before '{self.order}')"
            )

    def need_length(self, name: str) -> None:
        """Refuse notes whose length is not known when they begin."""
        if self.open:
            raise Refusal(
                f"'{name}' after '{self.open}': how long a note lasts is known only at its end"
            )

    def need_straight(self, name: str) -> None:
        """Refuse notes that chance has moved."""
        if self.shaken:
            raise Refusal(
                f"'{name}' after 'humanise': the core moves notes by chance last (put humanise "
                "last)"
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
        """Notes begin up to so many positions later."""
        self.change_copies(delay=lambda c: c.delay + steps)

    def opened(self, rule: str) -> None:
        """From here on the next note ends each one."""
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
        """Add a copy of all levels for each fade and shift; how far apart two copies are."""
        self.doubled += 1
        if self.doubled > 2:
            raise Refusal("more than two rules that make notes of notes: RAM holds no more of them")
        have = len(self.shifts)
        if have * (len(fades) + 1) > MOST_LEVELS:
            raise Refusal(f"'{name}' makes more than {MOST_LEVELS} kinds of echo")
        old, factors = list(self.shifts), [list(f) for f in self.factors]
        for fade, shift in zip(fades, shifts, strict=True):
            self.shifts += [s + shift for s in old]
            self.by_chance += self.by_chance[:have]
            self.factors += [[*f, (NOTHING, np.array([fade]))] for f in factors]
        return have

    def add_level(self, name: str, scale: float) -> int:
        """Add one level of notes at their own positions; its number."""
        level = len(self.shifts)
        if level >= MOST_LEVELS:
            raise Refusal(f"'{name}' makes too many kinds of note")
        self.shifts.append(0)
        self.by_chance.append(False)
        self.factors.append([(NOTHING, np.array([scale]))])
        self.onsets.append(self.own_onsets())
        return level

    def multiply(self, lead: Lead, values: Reals) -> None:
        """Multiply the velocities of all levels by values along a lead."""
        self.factors = [[*f, (lead, values)] for f in self.factors]
