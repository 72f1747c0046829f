"""Bits from notes: the disc whose music, made with the same presets, is what was heard.

The mapping itself makes the notes of a trial disc; where they differ from what was heard, bits are
turned until they agree. A bit that may be either without any note changing is lost by the mapping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.music.material import Material
from sonify.music.metre import Grid
from sonify.music.notes import events_of, make_parts, rules_of
from sonify.music.settings import Music
from sonify.music.sources import find_source
from sonify.player.reading import Timeline

__all__ = ["Heard", "Inverted", "invert", "lost_by"]

Bits = NDArray[np.int8]
Floats = NDArray[np.float64]

APART = 24  # positions between bits that are turned at once: their notes don't touch
SWEEPS = 6
BEAMS = 8
FURTHEST = 14  # positions over which bits are exchanged to see what is lost
NOTHING = 0.05


@dataclass(frozen=True, eq=False)
class Heard:
    """Recorded notes on the timeline.

    Attributes
    ----------
    slot : ndarray of float64
    length : ndarray of float64
    pitch, velocity, channel : ndarray of int
    """

    slot: Floats
    length: Floats
    pitch: NDArray[np.int64]
    velocity: NDArray[np.int64]
    channel: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Inverted:
    """Bits in the order of reading, what each is worth, and what the music still differs by.

    Attributes
    ----------
    bits : ndarray of int8, shape (n,)
    worth : ndarray of float64, shape (n,)
        By how much the notes would differ if the bit were the other; 0 where it is lost.
    left : float
        Differences that remain, a note.
    """

    bits: Bits
    worth: Floats
    left: float


class _Image:
    """Notes as sums a slot and channel, so that two sets of them can be compared by place."""

    def __init__(self, slots: int, channels: list[int]) -> None:
        self.slots = slots
        self.row = np.full(16, -1)
        self.row[channels] = np.arange(len(channels))
        self.shape = (len(channels), slots)

    def of(
        self, slot: Floats, length: Floats, pitch: Floats, velocity: Floats, channel: Floats
    ) -> Floats:
        """Count, length, pitch and loudness, shape (4, channels, slots)."""
        row = self.row[channel.astype(int)]
        at = np.rint(slot - 1e-6).astype(int)
        use = (row >= 0) & (at >= 0) & (at < self.slots)
        flat = row[use] * self.slots + at[use]
        size = self.shape[0] * self.shape[1]
        sums = [
            np.bincount(flat, w, size).reshape(self.shape)
            for w in (np.ones(int(use.sum())), length[use], pitch[use], velocity[use])
        ]
        return np.stack(sums)

    def differ(self, a: Floats, b: Floats, pitches: bool) -> Floats:
        """How far two images differ, a slot, shape (slots,)."""
        out: Floats = np.minimum(np.abs(a[0] - b[0]), 3.0).sum(axis=0)
        both = (a[0] > 0) & (b[0] > 0)
        out += (np.minimum(np.abs(a[1] - b[1]) * 0.3, 1.8) * both).sum(axis=0)
        out += (np.minimum(np.abs(a[3] - b[3]) / 40, 0.8) * both).sum(axis=0)
        if pitches:
            out += (np.minimum(np.abs(a[2] - b[2]), 1.0) * 0.5 * both).sum(axis=0)
        return out


class _Trial:
    """The music of trial discs."""

    def __init__(
        self, heard: Heard, music: Music, timeline: Timeline, grid: Grid, unit_bits: int,
        pitches: bool,
    ) -> None:  # fmt: skip
        self.music, self.timeline, self.grid = music, timeline, grid
        self.unit_bits, self.pitches = unit_bits, pitches
        self.n = timeline.rows * timeline.positions
        self.slot_of = timeline.slots()
        channels = sorted({int(c) for c in heard.channel})
        self.image = _Image(int(self.slot_of[-1]) + 40, channels)
        self.target = self.image.of(
            heard.slot, heard.length, heard.pitch.astype(float), heard.velocity.astype(float),
            heard.channel.astype(float),
        )  # fmt: skip

    def cost(self, bits: Bits) -> Floats:
        """How far the notes of these bits differ from what was heard, a slot."""
        material = Material(bits, self.timeline, self.unit_bits)
        parts = make_parts(self.music, material, self.grid)
        ticks = self.grid.step_ticks
        join = [
            np.concatenate([np.asarray(x, float) for x in column])
            for column in zip(
                *(
                    (p.on / ticks, (p.off - p.on) / ticks, p.pitch, p.velocity,
                     np.full(len(p), p.channel))
                    for p in parts
                ),
                strict=True,
            )
        ]  # fmt: skip
        made = self.image.of(*join)
        return self.image.differ(made, self.target, self.pitches)

    def near(self, cost: Floats) -> Floats:
        """The cost about each position, shape (n,)."""
        reach = APART // 2 - 1
        total = np.concatenate([[0.0], np.cumsum(cost)])
        low = np.maximum(self.slot_of - 3, 0)
        high = np.minimum(self.slot_of + reach, len(cost))
        out: Floats = total[high] - total[low]
        return out


def invert(
    heard: Heard,
    music: Music,
    timeline: Timeline,
    grid: Grid,
    unit_bits: int,
    pitches: bool = False,
    start: Bits | None = None,
    thorough: bool = False,
    final: bool = False,
) -> Inverted:
    """The bits whose notes are those that were heard.

    `thorough` builds the rows up position by position first, for mappings in which a bit counts
    for all that follow it in its row; `final` looks for bits that may change places unheard.
    """
    trial = _Trial(heard, music, timeline, grid, unit_bits, pitches)
    bits = _first_guess(trial) if start is None else start.copy()
    if thorough:
        built = _built_up(trial)
        if trial.cost(built).sum() < trial.cost(bits).sum():
            bits = built
    bits, now, gains = _turned_over(trial, bits)
    worth = np.maximum(gains, 0.0)
    if final:
        worth = np.minimum(worth, _exchange(trial, bits, now))
    return Inverted(bits, worth, float(now.sum()) / max(1, len(heard.slot)))


def _turned_over(trial: _Trial, bits: Bits) -> tuple[Bits, Floats, Floats]:
    """Bits turned, or changed with the next one, as long as that brings the notes nearer."""
    n = trial.n
    now = trial.cost(bits)
    gains = np.zeros(n)
    for sweep in range(SWEEPS):
        turned = 0
        for k in range(APART):
            which = np.arange(k, n, APART)
            flipped = bits.copy()
            flipped[which] = 1 - flipped[which]
            then = trial.cost(flipped)
            gain = (trial.near(now) - trial.near(then))[which]
            gains[which] = -gain
            better = which[gain > NOTHING]
            if len(better):
                bits[better] = 1 - bits[better]
                now = trial.cost(bits)
                turned += len(better)
        if not turned or sweep == SWEEPS - 1:
            break
    return bits, now, gains


def _built_up(trial: _Trial) -> Bits:
    """Rows built up position by position, all rows at once, the best few beginnings kept."""
    timeline = trial.timeline
    rows, count = timeline.rows, timeline.positions
    start = timeline.row_slot
    beams = np.zeros((1, rows, count), np.int8)
    edges = np.minimum(start + count, trial.image.slots)
    for p in range(count):
        both = np.repeat(beams, 2, axis=0)
        both[1::2, :, p] = 1
        costs = np.empty((len(both), rows))
        for k, one in enumerate(both):
            total = np.concatenate([[0.0], np.cumsum(trial.cost(one.reshape(-1)))])
            costs[k] = total[np.minimum(start + p + 1, edges)] - total[start]
        keep = min(BEAMS, len(both))
        best = np.argsort(costs, axis=0, kind="stable")[:keep]
        beams = np.stack([both[best[:, r], r] for r in range(rows)], axis=1)
    return np.ascontiguousarray(beams[0].reshape(-1))


def _first_guess(trial: _Trial) -> Bits:
    """A one where a note begins, or where one of the alternatives that fits better says so."""
    any_note = trial.target[0].sum(axis=0) > 0
    on = any_note[trial.slot_of].astype(np.int8)
    guesses = [on, (1 - on).astype(np.int8)]
    for channel in range(trial.target.shape[1]):
        one = (trial.target[0, channel] > 0)[trial.slot_of].astype(np.int8)
        guesses += [one, (1 - one).astype(np.int8)]
    costs = [float(trial.cost(g).sum()) for g in guesses]
    best: Bits = guesses[int(np.argmin(costs))]
    return best


def _exchange(trial: _Trial, bits: Bits, now: Floats) -> Floats:
    """What each bit is worth against changing places with an unlike one near it in its row."""
    n = trial.n
    count = trial.timeline.positions
    out = np.full(n, np.inf)
    base = trial.near(now)
    for far in range(1, min(FURTHEST, count - 1) + 1):
        first = np.arange(n - far)
        unlike = first[(bits[:-far] != bits[far:]) & (first // count == (first + far) // count)]
        apart = APART + far
        for k in range(apart):
            which = unlike[unlike % apart == k]
            if not len(which):
                continue
            swapped = bits.copy()
            swapped[which], swapped[which + far] = bits[which + far], bits[which]
            worse = (trial.near(trial.cost(swapped)) - base)[which]
            np.minimum.at(out, which, np.maximum(worse, 0))
            np.minimum.at(out, which + far, np.maximum(worse, 0))
    return out


def lost_by(music: Music, timeline: Timeline, bits: Bits, lost: int, unit_bits: int) -> str:
    """Which part of the mapping does not let a bit through, in words."""
    other = bits.copy()
    other[lost] = 1 - other[lost]
    a = Material(bits, timeline, unit_bits)
    b = Material(other, timeline, unit_bits)
    reasons = []
    for n, voice in enumerate(music.voice):
        name = voice.name or f"voice {n + 1}"
        place = f"music.voice[{n}]"
        e = find_source(voice.source, place).events(a)
        f = find_source(voice.source, place).events(b)
        if len(e) == len(f) and np.array_equal(e.index, f.index):
            reasons.append(f"{name} sounds its source '{voice.source}' whatever the bit is")
            continue
        for rule in rules_of(voice, place):
            e, f = rule.apply(e, a), rule.apply(f, b)
            same = len(e) == len(f) and np.array_equal(e.onset, f.onset)
            if same and np.allclose(e.length, f.length) and np.allclose(e.force, f.force):
                reasons.append(f"{name} loses it by the rule '{rule.__struct_config__.tag}'")
                break
        else:
            if len(events_of(voice, place, a)) == len(events_of(voice, place, b)):
                reasons.append(f"{name} is kept to other rows or places")
            else:
                reasons.append(f"{name} can't tell it from the bit beside it")
    return "; ".join(reasons)
