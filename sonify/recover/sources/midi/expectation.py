"""Which notes a mapping makes, and how often: what recorded notes are compared with before the bits
are known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline
from sonify.music.metre import Grid
from sonify.music.settings import Music
from sonify.music.trials import Trials
from sonify.recover.sources.midi.matcher import Tolerance
from sonify.recover.sources.midi.trial_notes import (
    Lanes,
    NoteEvents,
    TrialNotes,
    code_of,
    lane_of,
    nearest,
    notes_of_trials,
)

__all__ = ["EXACT", "Expectation", "random_discs"]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

NOTES = 8000  # of random discs: more show rarer notes, and take longer
DISCS = 16, 256  # random discs, at least and at most
CHANCE = 0.001  # of a note that none of the discs has: one in a hundred is added, anywhere
SURE = 0.99  # the chance of a note that all of them have: one in a hundred is missing
EXACT = 2.0  # ticks by which notes of an unedited file may be off: rounding of both ends
# Tolerances are 2.9 standard deviations of normal deviations (4 in 1,000 lie beyond), told from
# those that so large a share of notes keep to: of onsets nearly all, as only near ones are
# compared; of lengths and velocities fewer, as those of last notes are like no others
ONSETS, SHAPES = (0.95, 1.5), (0.75, 2.5)
_ENDS = (np.minimum, np.maximum)
NEAR = 0.4  # how far a note may be moved, in steps: 10 ms at 40 positions a second


def random_discs(
    music: Music, timeline: Timeline, grid: Grid, unit_bits: int, rows: int, like: int
) -> TrialNotes:
    """The notes of the first rows of random discs, so many that about `NOTES` come out if each
    disc has as many as `like`."""
    count = int(np.clip(NOTES // like, *DISCS))
    bits = np.random.default_rng(11).integers(0, 2, (count, rows * timeline.positions), np.int8)
    return notes_of_trials(music, Trials.side_by_side(bits, timeline, unit_bits), grid)


@dataclass(frozen=True, eq=False)
class Expectation:
    """The notes of random discs, and in how many of the discs each occurs.

    Attributes
    ----------
    notes : TrialNotes
        Sorted by code.
    first : ndarray of int64, shape (different notes,)
        Where each begins in `notes`.
    code, tick : ndarray of int64
    chance : ndarray of float64
        Of each different note.
    unseen : float
        The share of the mapping's notes that the discs are too few to show, by the notes that only
        one of them has (Good 1953, The population frequencies of species, Biometrika 40).
    step : int
        Ticks of a position.
    lanes : Lanes
    """

    notes: TrialNotes
    first: Ints
    code: Ints
    tick: Ints
    chance: Reals
    unseen: float
    step: int
    lanes: Lanes

    @classmethod
    def of(cls, notes: TrialNotes, step: int, lanes: Lanes) -> Expectation:
        """What random discs let expect."""
        code = code_of(lane_of(notes.channel, lanes), notes.tone, notes.on)
        order = np.lexsort((notes.trial, code))
        notes, code = notes.take(order), code[order]
        new = np.append(True, np.diff(code) != 0)
        first = np.flatnonzero(new)
        count = np.add.reduceat(new | np.append(True, np.diff(notes.trial) != 0), first)
        chance = np.minimum(count / (notes.trial.max() + 1), SURE)
        code = code[first]
        apart = np.diff(code, prepend=code[0] - (1 << 40), append=code[-1] + (1 << 40))
        alone = (count == 1) & (np.minimum(apart[1:], apart[:-1]) > NEAR * step)
        unseen = float(alone.sum() / count.sum())
        return cls(notes, first, code, notes.on[first], chance, unseen, step, lanes)

    def _near(self, recorded: NoteEvents) -> Ints:
        on = np.rint(recorded.on).astype(np.int64)
        code = code_of(lane_of(recorded.channel, self.lanes), recorded.tone, on)
        return nearest(self.code, code, NEAR * self.step)

    def likelihood(self, recorded: NoteEvents) -> tuple[float, float]:
        """The logarithm of the likelihood of recorded notes, as if notes did not depend on each
        other, and the share of those that no disc has, beyond what is `unseen`."""
        near = self._near(recorded)
        hit = np.unique(near[near >= 0])
        strange = len(near) - len(hit)
        chance = self.chance[hit]
        silent = self.chance[self.tick < recorded.on.max() + self.step]
        log = np.log(chance / (1 - chance)).sum() + np.log(1 - silent).sum()
        beyond = max(0.0, strange / len(near) - self.unseen)
        return float(log + strange * np.log(CHANCE)), beyond

    def misfit(self, recorded: NoteEvents) -> float:
        """By how much the velocities of the recorded notes that fit lie outside those that the
        mapping gives them, on average."""
        near = self._near(recorded)
        seen, of = recorded.velocity[near >= 0], near[near >= 0]
        low, high = (f.reduceat(self.notes.velocity, self.first)[of] for f in _ENDS)
        return float(np.maximum(0, np.maximum(low - seen, seen - high)).mean()) if len(of) else 0.0

    def tolerance(self, recorded: NoteEvents) -> Tolerance:
        """How far the recorded notes that fit differ from those that the mapping makes."""
        near = self._near(recorded)
        here = near >= 0
        if not here.any():
            return Tolerance(EXACT, EXACT, 0.0)
        apart = np.abs(recorded.on[here] - self.tick[near[here]])
        on = max(EXACT, min(ONSETS[1] * float(np.quantile(apart, ONSETS[0])), NEAR * self.step))
        # of rare notes the discs do not show all lengths
        here[here] = self.chance[near[here]] >= np.median(self.chance[near[here]])
        of = near[here]

        def beyond(seen: Reals | Ints, made: Ints) -> float:
            low, high = (f.reduceat(made, self.first)[of] for f in _ENDS)
            return float(np.quantile(np.maximum(low - seen, seen - high), SHAPES[0]))

        length = beyond((recorded.off - recorded.on)[here], self.notes.length)
        velocity = beyond(recorded.velocity[here], self.notes.velocity)
        return Tolerance(on, max(on, SHAPES[1] * length), max(0.0, SHAPES[1] * velocity))
