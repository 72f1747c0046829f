"""What a rhythm rule is, and what rules share."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from sonify.music.bit_stream import BitStream, Events
from sonify.settings import Settings

__all__ = ["Rule", "chance", "row_end"]


class Rule(Settings, frozen=True, tag_field="rule", tag="none"):
    """What all rhythm rules are: settings, and a method from events to events.

    `causal` tells whether a machine that reads bit by bit can follow the rule; `why_not` says
    what keeps it from that. A rule that is not `written` shapes how notes are played and not how
    they are meant: a score leaves it out.
    """

    causal: ClassVar[bool] = True
    why_not: ClassVar[str] = ""
    written: ClassVar[bool] = True

    def apply(self, e: Events, m: BitStream) -> Events:
        """The events after this rule."""
        raise NotImplementedError

    def follows(self) -> tuple[bool, str]:
        """Whether a machine can follow these very settings as it reads, and if not, why."""
        return self.causal, self.why_not


def row_end(e: Events, m: BitStream) -> NDArray[np.float64]:
    """The slot at which each event's row ends."""
    out: NDArray[np.float64] = m.timeline.row_slot[m.line(e.index)] + np.float64(m.positions)
    return out


def row_start(e: Events, m: BitStream) -> NDArray[np.int64]:
    """The slot at which each event's row starts."""
    out: NDArray[np.int64] = m.timeline.row_slot[m.line(e.index)]
    return out


def rank_in(group: NDArray[np.int64]) -> NDArray[np.int64]:
    """The how manieth of its group each event is, from 0; groups lie together."""
    n = len(group)
    new = np.ones(n, bool)
    new[1:] = group[1:] != group[:-1]
    at = np.arange(n)
    out: NDArray[np.int64] = at - np.maximum.accumulate(np.where(new, at, 0))
    return out


def chance(seed: int, index: NDArray[np.int64], lot: int = 0) -> NDArray[np.float64]:
    """A number from 0 up to 1 for each index, the same for the same seed on every machine.

    The mixing function is that of SplitMix64 (Steele, Lea and Flood, "Fast splittable
    pseudorandom number generators", OOPSLA 2014).
    """
    with np.errstate(over="ignore"):
        x = index.astype(np.uint64) + np.uint64((seed * 0x9E3779B9 + lot * 0x85EBCA6B) % 2**64)
        x = (x + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        x ^= x >> np.uint64(31)
    out: NDArray[np.float64] = (x >> np.uint64(11)).astype(np.float64) * 2.0**-53
    return out
