"""What a rhythm rule is, and what rules share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, ClassVar, Literal, NamedTuple

from sonify.controls import control
from sonify.music.bit_stream import BitStream, Events
from sonify.music.chance import chance
from sonify.music.machine import Refusal
from sonify.music.rhythm.following import Follower
from sonify.settings import Settings

__all__ = ["ROW", "UNKNOWN", "Reach", "Rule", "Seed", "chance"]

ROW = math.inf
"""What `early` returns for a rule that may sound a bit before anything of its row is read."""

Seed = Annotated[
    int, control("Seed", "The same seed, the same choices.", 1, soft=(0, 99), ge=0, le=2**31)
]


class Reach(NamedTuple):
    """How far a voice's notes reach, in slots: from the start of its row to where a note begins at
    most, and from there to its end; and how many may begin at once."""

    late: float
    length: float
    together: float


UNKNOWN = Reach(math.inf, math.inf, math.inf)


class Rule(Settings, frozen=True, tag_field="rule", tag="none"):
    """A rhythm rule: its settings, what it does to events, and all else that is known about it.

    A rule must define `apply`. The other attributes and methods tell scores, recovery, the studio
    and the firmware what they need to know; the defaults suit a rule that treats each note by
    itself, at its own position.

    Attributes
    ----------
    why_not : str
        Why a machine can't follow it, where it defines no `follow`.
    nearest : str
        What comes nearest to it that a machine can follow.
    tells : str
        Whether its notes reveal the bits: "never", "always", "first" (as a voice's first rule), or
        "apart" (unless the voice's first rule joins notes).
    stays : bool
        Whether it leaves notes at their positions and pitches (it may drop some).
    skips : bool
        Whether it may drop notes.
    joins : bool
        Whether one note stands for a run of equal bits.
    ends_later : bool
        Whether later bits decide when a note ends.
    needs_end : bool
        Whether it must know when a note ends.
    reorders : bool
        Whether notes may come in another order than their positions.
    by_neighbours : bool
        Whether what it does to a note depends on the notes beside it.
    near : bool
        Whether notes reach no further after it than before.
    """

    why_not: ClassVar[str] = "the core does not know it"
    nearest: ClassVar[str] = "leave it out"
    tells: ClassVar[Literal["never", "always", "first", "apart"]] = "never"
    stays: ClassVar[bool] = False
    skips: ClassVar[bool] = False
    joins: ClassVar[bool] = False
    ends_later: ClassVar[bool] = False
    needs_end: ClassVar[bool] = False
    reorders: ClassVar[bool] = False
    by_neighbours: ClassVar[bool] = False
    near: ClassVar[bool] = False

    @property
    def name(self) -> str:
        """Its name in presets."""
        return str(type(self).__struct_config__.tag)

    def apply(self, e: Events, m: BitStream) -> Events:
        """The events after this rule."""
        raise NotImplementedError

    def follow(self, f: Follower) -> None:
        """Add the steps by which a machine's core follows it.

        Raises
        ------
        Refusal
            It can't be followed bit by bit, and why.
        """
        raise Refusal(f"the rhythm rule '{self.name}': {self.why_not} ({self.nearest})")

    def waits_for_character(self) -> bool:
        """Whether its notes are certain only when their character has been read."""
        return False

    def waits_for_row(self) -> bool:
        """Whether its notes are certain only when the row has been read."""
        return False

    def early(self) -> float:
        """How many positions before its own a note may begin at most; `ROW` for any number."""
        return 0.0

    def reach(self, before: Reach, m: BitStream) -> Reach:
        """How far notes reach after it, from how far they did before; `UNKNOWN` for any distance.

        What it does to a note must not depend on notes and bits further away than either, and notes
        of different rows must stay in the order of their onsets.
        """
        moved = self.ends_later or self.needs_end or self.reorders or self.by_neighbours
        return before if self.near or (self.stays and not moved) else UNKNOWN

    def loses(self, before: Sequence[Rule]) -> str | None:
        """Why its notes, after the rules before it, don't reveal the bits; None if they do."""
        joined = bool(before) and before[0].joins
        known = {"never": False, "always": True, "first": not before, "apart": not joined}
        return (
            None if known[self.tells] else f"the rule '{self.name}' leaves bits out or adds notes"
        )

    def swing(self) -> float:
        """The first position's share of two where the second comes late, or 0."""
        return 0.0

    def copies(self) -> int:
        """The most notes that it makes of one."""
        return 1

    def shifts(self, shifts: set[int]) -> set[int]:
        """The degrees by which notes may be moved after it, given those before it."""
        return shifts

    def written(self) -> bool:
        """Whether a score writes what it does; if not, it shapes only how notes are played."""
        return True

    def mark(self) -> str:
        """The word for it in a score, if it has one."""
        return ""
