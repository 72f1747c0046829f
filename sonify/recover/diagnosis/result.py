"""The result of a comparison."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sonify.hooks as hooks
from sonify.disc.code.decoding import Decoding
from sonify.disc.disc import Disc
from sonify.errors import plural
from sonify.performance import Performance
from sonify.recover.diagnosis.causes import Finding
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.motion import Motion
from sonify.recover.diagnosis.observed import Levels, Observed
from sonify.recover.diagnosis.recount import Miscount
from sonify.recover.signal.slicer import best_threshold

__all__ = ["ERRORS", "Comparison", "Margins", "character_at", "margins_of"]

ERRORS = np.dtype([("row", "i4"), ("position", "i4"), ("kind", "U6"), ("time_s", "f8")])
"""One wrong bit: row and position from 0, kind missed, added or wrong."""


HIDDEN = {"notes": 0.003, "threshold": 0.002, "comparator": 0.012, "levels": 0.027}
"""How many faulty recordings show nothing though the machine misread bits that they seem to give,
by what tells its bits: notes that it played, levels with its own threshold, a comparator's output,
or levels alone (0, 0, 2 and 5 of 157, 227, 205 and 202 takes of generators a, b, d and e of
`tests.benchmarks.world`, and half a take more of each: H. Jeffreys' rule)."""


HARMED = 0.24
"""The same of recordings that show a harm but no wrong bit (24 of 101)."""


CUT = 0.5
"""The same of recordings without their first row or their last one: either the recorder or the
stage was a row off, and nothing tells which (own estimate)."""


@dataclass(frozen=True, eq=False)
class Margins:
    """How well holes and solid material can be told apart, in the log's units.

    Attributes
    ----------
    ones, zeros : ndarray
        Levels at holes and at solid material.
    threshold, best : float
        The threshold used, and the one with the fewest errors.
    error_rate : float
        To be expected with the best one.
    eye_opening : float
        The share of the swing that is clear of all but one in 200 levels.
    """

    ones: NDArray[np.float64]
    zeros: NDArray[np.float64]
    threshold: float
    best: float
    error_rate: float
    eye_opening: float


def margins_of(v: Levels) -> Margins | None:
    """The margins of a log; None for fewer than two bits of either kind."""
    ones, zeros = (x[np.isfinite(x)] for x in (v.level[v.truth == 1], v.level[v.truth == 0]))
    if len(ones) < 2 or len(zeros) < 2:
        return None
    best, rate = best_threshold(ones, zeros)
    swing = abs(float(np.mean(ones) - np.mean(zeros)))
    lower, upper = (ones, zeros) if v.low else (zeros, ones)
    clear = float(np.percentile(upper, 0.5) - np.percentile(lower, 99.5))
    return Margins(ones, zeros, v.threshold, best, rate, clear / max(swing, 1e-12))


@dataclass(frozen=True, eq=False)
class Comparison:
    """A recording compared with what should have happened.

    Attributes
    ----------
    show : Performance
    path : Path
    truth, bits : ndarray of int8, shape (rows, positions)
        What the disc says and what the machine read; -1 for unknown.
    errors : ndarray of ERRORS
    motion : Motion
    causes : list of Finding
    margins : Margins or None
        From a log.
    seen : Observed
    miscount : Miscount or None
    listening : Listening or None
        What was listened to in a MIDI file.
    cautions : tuple of str
    fit : float
        How much of the disc's information the recording holds, from 0 to 1.
    fits : bool
        Whether the recording tells bits of this disc.
    tells : str
        What tells the machine's bits: a key of `HIDDEN`.
    """

    show: Performance
    path: Path
    truth: NDArray[np.int8]
    bits: NDArray[np.int8]
    errors: NDArray[np.void]
    motion: Motion
    causes: list[Finding]
    margins: Margins | None
    seen: Observed
    miscount: Miscount | None
    listening: Listening | None
    cautions: tuple[str, ...]
    fit: float
    fits: bool
    tells: str

    def __repr__(self) -> str:
        errors = plural(len(self.errors), "wrong bit")
        names = [f"{f.cause.name} {f.probability:.2f}" for f in self.causes[:2]]
        told = ", ".join([errors, *names])
        return f"<Comparison of '{self.show.disc.name}' with {self.path.name}: {told}>"

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return hooks.shown(self)

    @property
    def kind(self) -> str:
        """log or midi."""
        return self.seen.kind

    @property
    def agreement(self) -> float:
        """Share of the bits that fit."""
        return self.seen.alignment.agreement

    @property
    def right(self) -> float | None:
        """The share of the bits in the recording that the machine read correctly."""
        told = int(np.count_nonzero((self.truth >= 0) & (self.seen.bits >= 0)))
        vague = self.listening is not None and self.listening.vague
        return None if vague or not told or not self.fits else 1.0 - len(self.errors) / told

    @property
    def sure(self) -> float:
        """How likely it is that the machine read the bits as they are given here, by what its
        causes may have done to them and by what a recording may hide."""
        harm = sum(c.probability for c in self.causes if c.cause.harms)
        hidden = (1.0 - HIDDEN[self.tells]) * (1.0 - HARMED * min(harm, 1.0))
        # bits that are all of other rows look like a recording without a row at its end
        cut = (self.seen.bits[[0, -1]] < 0).all(axis=1).any()
        return hidden * (1.0 - CUT * cut) * self.fits

    @property
    def message(self) -> str | None:
        """The message as designed."""
        return self.show.disc.message

    @property
    def message_read(self) -> str | None:
        """The message that the machine's bits give, whether its check holds or not."""
        if self.show.disc.code is None:
            return None
        disc = Disc.from_bits(self.bits, code=self.show.disc.code, layout=self.show.disc.layout)
        assert disc.decoding is not None
        return disc.decoding.as_read

    @property
    def delay_s(self) -> float | None:
        """How much later the data detector sees a hole, in s; None from a MIDI file."""
        return None if self.seen.levels is None else self.seen.levels.delay_s

    @cached_property
    def jitter(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """The positions of the clock pulses, and how late each comes against a smooth motion
        through the eight around it, in positions."""
        slot, time = self.seen.beat_slot, self.seen.beat_s
        if len(slot) < 9:
            return np.zeros(0, np.int64), np.zeros(0)
        away = np.r_[-4:0, 1:5]
        fit = np.linalg.pinv(np.vander(away, 3))[-1]
        times = np.convolve(time, np.insert(fit, 4, 0), "valid")
        at = slice(4, len(slot) - 4)
        steady = slot[8:] - slot[:-8] == 8
        late = (time[at] - times) / ((time[8:] - time[:-8]) / 8)
        # the smooth motion has a share of the jitter of those eight
        late /= np.sqrt(1 + fit @ fit)
        n = self.truth.shape[1]
        return (slot[at][steady] + self.seen.alignment.phase) % n, late[steady]

    @property
    def clock_jitter(self) -> float | None:
        """Its standard deviation, whatever a few odd pulses say; None from a MIDI file, whose notes
        are too few."""
        off = self.jitter[1]
        told = self.kind == "log" and len(off)
        return 1.4826 * float(np.median(np.abs(off))) if told else None

    @property
    def row_change_s(self) -> NDArray[np.float64]:
        """From the last position of each row to the first of the next, in s, where known."""
        change = self.motion.change_s
        return change[np.isfinite(change)]

    def character_at(self, row: int, position: int) -> int | None:
        """Which character of the message a place belongs to, from 0; None for none."""
        decoding = self.show.disc.decoding
        at = row * self.truth.shape[1] + position
        return None if decoding is None else character_at(decoding, at)


def character_at(decoding: Decoding, bit: int) -> int | None:
    """Which character holds a bit of the grid, both from 0; None for none."""
    first, last = decoding.characters["first_bit"], decoding.characters["last_bit"]
    k = int(np.searchsorted(first, bit, "right")) - 1
    return None if k < 0 or bit > int(last[k]) else k
