"""Recorded notes, and the notes that a mapping makes of trial discs, in the same terms."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sonify.midi.tuning_output import bend_as_read
from sonify.music.metre import Grid
from sonify.music.mixing import GOLDEN, mixed
from sonify.music.notes import DRUM_CHANNEL, needs_bends, untuned_parts
from sonify.music.settings import Music
from sonify.music.trials import Trials
from sonify.music.voices import assign_channels
from sonify.progress import report
from sonify.recover.sources.midi.quantising import Quantised

__all__ = [
    "BEND_STEPS",
    "Budget",
    "Lanes",
    "NoteEvents",
    "TrialNotes",
    "code_of",
    "lane_of",
    "lanes_for",
    "nearest",
    "notes_of_trials",
    "signatures",
]

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]

# Values of a pitch bend, of 14 bits (MIDI 1.0)
BEND_STEPS = 16384

# Bits of a note's code that hold its tick; key and bend take 21 more, the lane the rest
TICK_BITS = 34

# What notes that are the same must share: the channel; or only whether they are drums, where bends
# move notes between channels or a program gave them others; or nothing, where all were merged
Lanes = Literal["channel", "drums", "one"]


@dataclass
class Budget:
    """How many notes of trial discs may still be compared.

    A count and not a time, so that a slow machine gives the same answer.

    Attributes
    ----------
    left : int
    stop : int
        What one search must leave to the next.
    """

    left: int
    stop: int = 0

    def __post_init__(self) -> None:
        self._whole = self.left

    def spend(self, notes: int) -> None:
        """Take so many notes away, and report the share that is spent."""
        self.left -= notes
        report(1 - max(self.left, 0) / self._whole)

    @property
    def spent(self) -> bool:
        """Whether nothing is left."""
        return self.left <= self.stop


@dataclass(frozen=True, eq=False)
class NoteEvents:
    """Recorded notes on the tick grid of a reading; arrays of shape (notes,), by onset.

    Attributes
    ----------
    on, off : ndarray of float64
        Ticks from the start of the reading.
    tone : ndarray of int64
        Key * BEND_STEPS + bend.
    velocity, channel : ndarray of int64
    """

    on: Reals
    off: Reals
    tone: Ints
    velocity: Ints
    channel: Ints

    def __len__(self) -> int:
        return len(self.on)


@dataclass(frozen=True, eq=False)
class TrialNotes:
    """The notes of trial discs, voice after voice; arrays of shape (notes,).

    Attributes
    ----------
    trial : ndarray of int64
        Which disc a note belongs to.
    on, length : ndarray of int64
        In ticks, `on` from the start of its disc's reading.
    tone : ndarray of int64
        Key * BEND_STEPS + bend.
    velocity, channel, voice : ndarray of int64
    nth : ndarray of int64
        The position that a note belongs to, in the order of reading.
    """

    trial: Ints
    on: Ints
    length: Ints
    tone: Ints
    velocity: Ints
    channel: Ints
    voice: Ints
    nth: Ints

    def __len__(self) -> int:
        return len(self.on)

    def take(self, which: Ints) -> TrialNotes:
        """Some of the notes."""
        return TrialNotes(*(getattr(self, f.name)[which] for f in fields(self)))

    def moved(self, grid: Quantised | None) -> TrialNotes:
        """The notes as a program moved them to a grid."""
        return self if grid is None else replace(self, on=grid.moved(self.on))

    @property
    def key(self) -> Ints:
        """The keys: MIDI note numbers."""
        return (self.tone + BEND_STEPS // 2) // BEND_STEPS


def notes_of_trials(music: Music, trials: Trials, grid: Grid) -> TrialNotes:
    """The notes that a mapping makes of each trial disc."""
    parts = untuned_parts(music, trials, grid)
    count = [len(p) for p in parts]
    columns = zip(*((p.on, p.off, p.index, p.pitch, p.velocity) for p in parts), strict=True)
    on, off, index, pitch, velocity = map(np.concatenate, columns)
    trial = index // trials.span
    key, bend = bend_as_read(music.tuning_output, pitch)
    return TrialNotes(
        trial,
        on - trial * (trials.apart * grid.step_ticks),
        off - on,
        key.astype(np.int64) * BEND_STEPS + bend,
        velocity.astype(np.int64),
        np.repeat(np.array([p.channel for p in parts], np.int64), count),
        np.repeat(np.arange(len(parts)), count),
        trials.nth(index),
    )


def lanes_for(music: Music, channels: Ints | None = None) -> list[Lanes]:
    """How notes may have to be told apart, the strictest way first, given the channels of recorded
    notes."""
    own = set(assign_channels(music.voice))
    seen = own if channels is None else set(channels.tolist())
    ways: list[Lanes] = ["drums"] if (DRUM_CHANNEL in own) == (DRUM_CHANNEL in seen) else []
    if not needs_bends(music) and seen <= own:
        ways.insert(0, "channel")
    # a program that keeps all channels has not merged the voices
    if seen == own and channels is not None:
        return ways[:1]
    # without drums there is nothing more to merge
    return ways if DRUM_CHANNEL not in own | seen else [*ways, "one"]


def lane_of(channel: Ints, lanes: Lanes) -> Ints:
    """The lanes of notes."""
    if lanes == "channel":
        return channel
    return np.where(channel == DRUM_CHANNEL, 1, 0) if lanes == "drums" else 0 * channel


def code_of(lane: Ints, tone: Ints, tick: Ints) -> Ints:
    """Numbers for notes that are near for notes that differ in their ticks only."""
    return ((lane << 21) + tone << TICK_BITS) + tick


def nearest(among: Ints, code: Ints, within: float) -> Ints:
    """Which of some sorted codes is the nearest one to each code, -1 if none is near."""
    if not len(among):
        return np.full(len(code), -1)
    right = np.clip(np.searchsorted(among, code), 0, len(among) - 1)
    left = np.maximum(right - 1, 0)
    found = np.where(np.abs(among[left] - code) < np.abs(among[right] - code), left, right)
    return np.where(np.abs(among[found] - code) <= within, found, -1)


def signatures(
    notes: TrialNotes, lane: Ints, which: NDArray[np.bool_], trials: int, ways: int
) -> NDArray[np.uint64]:
    """Numbers that are equal for beginnings whose notes are equal however they go on.

    Parameters
    ----------
    notes : TrialNotes
        Of `ways` discs for each beginning.
    lane : ndarray of int64, shape (notes,)
        Notes of different lanes differ.
    which : ndarray of bool, shape (notes,)
        The notes that count.
    trials, ways : int
    """
    trial, way = np.divmod(notes.trial[which], ways)
    tone = ((lane << 21) + notes.tone)[which]
    sign = np.zeros(len(trial), np.uint64)
    with np.errstate(over="ignore"):
        for part in (tone, notes.on[which], notes.length[which], notes.velocity[which], way):
            sign = mixed(sign + part.astype(np.uint64) + np.uint64(GOLDEN))
        out = np.zeros(trials, np.uint64)
        np.add.at(out, trial, sign)
    return out
