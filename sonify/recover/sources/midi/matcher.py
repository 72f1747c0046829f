"""How far the music of trial discs is from what was heard, row by row as they are built up.

A trial disc is a beginning of bits, of which the mapping makes notes, with what follows filled in
several ways. A note counts against the trial when no bit that is still open can change it and it
was not heard; a note that was heard counts against it when no bit that is still open can bring it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.midi.bends import BEND_RANGE
from sonify.music.certainty import certainty_of, tells_position
from sonify.music.metre import Grid
from sonify.music.notes import (
    DRUM_CHANNEL,
    needs_bends,
    untuned_parts,
)
from sonify.music.settings import Music
from sonify.music.trials import Before, Trials
from sonify.player.timeline import Timeline

__all__ = ["NOBODY", "Ear", "Heard", "Tolerance", "Verdict"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]
Mask = NDArray[np.bool_]

WAYS = 10
"""How many ways there are to fill in what follows a beginning."""
MOST_AHEAD = 4
"""How many rows ahead is looked at most, for voices that sound in some rows alone."""
SOFTER = 0.5
"""What a wrong length or force costs; a note that is missing or too many costs 1."""
NOBODY = 0.6
"""What a bit that nobody could read costs, so that it is taken only where it explains notes."""
_RANK = ("own", "unit", "row", "both")
_BEND = 16384
_TICK_BITS = 34
_LONGEST = 1 << 20


@dataclass(frozen=True, eq=False)
class Heard:
    """Recorded notes on a reading's grid of ticks, by onset; all of shape (notes,).

    Attributes
    ----------
    on, off : ndarray of float64
        Ticks from the start of the reading.
    tone : ndarray of int64
        Key * 16384 + bend.
    velocity, channel : ndarray of int64
    """

    on: Reals
    off: Reals
    tone: Ints
    velocity: Ints
    channel: Ints

    def __len__(self) -> int:
        return len(self.on)


@dataclass(frozen=True)
class Tolerance:
    """How far a note may lie from what was heard: onset and end in ticks, force in velocity."""

    on: float
    off: float
    velocity: float


@dataclass(frozen=True, eq=False)
class Verdict:
    """What trials cost, shape (trials,).

    Attributes
    ----------
    before : ndarray of float64
        In the row before the one that is being built up.
    here : ndarray of float64
        In that row.
    sign : ndarray of uint64
        Equal for trials whose notes are the same whatever follows.
    """

    before: Reals
    here: Reals
    sign: NDArray[np.uint64]


class Ear:
    """What was heard, laid on a reading, and the mapping to hold against it."""

    def __init__(
        self, heard: Heard, music: Music, timeline: Timeline, grid: Grid, unit_bits: int,
        tolerance: Tolerance,
    ) -> None:  # fmt: skip
        self.music, self.timeline, self.grid = music, timeline, grid
        self.unit_bits, self.tolerance, self.heard = unit_bits, tolerance, heard
        self.positions = timeline.positions
        self.total = timeline.rows * timeline.positions
        self.bends = needs_bends(music)
        self.kinds = [certainty_of(v, n) for n, v in enumerate(music.voice)]
        certain = self._certain()
        self.certain = [certain[k.key] for k in self.kinds]
        rng = np.random.default_rng(20_031)
        self.ways = _ways(rng, min(self.total, (1 + MOST_AHEAD) * self.positions))
        self._listen(heard, certain)
        self.reach, self.ahead = self._reach(rng)

    def _certain(self) -> dict[str, Ints]:
        """For each position the number of bits after which a note of it is certain."""
        own = np.arange(1, self.total + 1)
        row = (own + self.positions - 1) // self.positions * self.positions
        if self.timeline.straight:
            unit = -(-own // self.unit_bits) * self.unit_bits
            unit = np.minimum(unit, self.total)
        else:
            # a character may go on in the row after
            unit = np.minimum(row + self.positions, self.total)
        return {"own": own, "unit": unit, "row": row, "both": unit[row - 1]}

    def _listen(self, heard: Heard, certain: dict[str, Ints]) -> None:
        lane = self._lanes(heard.channel)
        tick = np.rint(heard.on).astype(np.int64)
        code = self._code(lane, heard.tone, tick)
        order = np.argsort(code, kind="stable")
        # of notes that can't be told apart the loudest counts
        group = np.cumsum(np.append(0, np.diff(code[order]) > self.tolerance.on))
        best = np.lexsort((heard.off[order], heard.velocity[order], group))
        order = order[np.sort(best[np.append(np.diff(group) != 0, True)])]
        self.code, self.on, self.off = code[order], heard.on[order], heard.off[order]
        self.velocity = heard.velocity[order]
        # the bits after which a note can't be explained any more
        slots = self.timeline.slots()
        step = self.grid.step_ticks
        due = np.empty(len(order), np.int64)
        lanes = np.array(self._lanes_of_voices())
        for one in np.unique(lane):
            mine = lane[order] == one
            voices = np.flatnonzero(lanes == one).tolist()
            kinds = [self.kinds[v] for v in voices]
            worst = max((k.heard for k in kinds), key=_RANK.index, default="own")
            early = max((k.early for k in kinds), default=0.0)
            slot = (self.on[mine] + self.tolerance.on) / step + early
            last = np.searchsorted(slots, slot + 1e-6, "right") - 1
            last = np.clip(last, 0, self.total - 1)
            due[mine] = certain[worst][last]
            if len(voices) == 1 and tells_position(self.music.voice[voices[0]], voices[0]):
                due[mine] = self._last_of_tone(voices[0], heard.tone[order][mine], last)
        self.due = due
        self.row = (due - 1) // self.positions

    def _last_of_tone(self, voice: int, tone: Ints, last: Ints) -> Ints:
        """The bits after which tones of a row's chord can't come any more: the last position of
        the row that has each tone."""
        plain = msgspec.structs.replace(self.music.voice[voice], source="clock", rhythm=())
        alone = msgspec.structs.replace(self.music, voice=(plain,))
        ones = np.ones((1, self.total), np.int8)
        notes = self._notes(Trials.side_by_side(ones, self.timeline, self.unit_bits), alone)
        row = notes.nth // self.positions
        key = (row << 22) + notes.tone
        order = np.lexsort((notes.nth, key))
        key, nth = key[order], notes.nth[order]
        want = (last // self.positions << 22) + tone
        at = np.searchsorted(key, want, "right") - 1
        found = (at >= 0) & (key[np.maximum(at, 0)] == want)
        row_end = (last // self.positions + 1) * self.positions
        return np.where(found, nth[np.maximum(at, 0)] + 1, row_end)

    def _lanes(self, channel: Ints) -> Ints:
        """What notes must share to be the same: the channel, or only whether they are drums."""
        if self.bends:
            return np.where(channel == DRUM_CHANNEL, 1, 0)
        return channel

    def _lanes_of_voices(self) -> list[int]:
        from sonify.music.notes import assign_channels

        channels = np.array(assign_channels(self.music.voice))
        return [int(x) for x in self._lanes(channels)]

    @staticmethod
    def _code(lane: Ints, tone: Ints, tick: Ints) -> Ints:
        out: Ints = ((lane << 21) + tone << _TICK_BITS) + tick
        return out

    def _reach(self, rng: Any) -> tuple[int, int]:
        """How many rows further the notes of a position may begin, and how many rows on every
        voice has sounded that sounds at all."""
        rows = min(8, self.timeline.rows)
        bits = rng.integers(0, 2, (2, rows * self.positions), np.int8)
        notes = self._notes(Trials.side_by_side(bits, self.timeline, self.unit_bits))
        if not len(notes.on) or self.timeline.rows < 2:
            return 0, 1
        slots = self.timeline.slots()[notes.nth]
        late = (notes.on / self.grid.step_ticks - slots).max()
        stride = int(np.diff(self.timeline.row_slot).min())
        pause = 1
        for voice in np.unique(notes.voice):
            row = np.unique(notes.nth[notes.voice == voice] // self.positions)
            pause = max(pause, int(np.diff(np.concatenate([[-1], row])).max()))
        return int(np.ceil(max(0.0, float(late)) / stride)), min(pause, MOST_AHEAD)

    def _notes(self, trials: Trials, music: Music | None = None) -> _Notes:
        parts = untuned_parts(music or self.music, trials, self.grid)
        on = np.concatenate([p.on for p in parts])
        off = np.concatenate([p.off for p in parts])
        index = np.concatenate([p.index for p in parts])
        pitch = np.concatenate([p.pitch for p in parts])
        velocity = np.concatenate([p.velocity for p in parts])
        voice = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
        lanes = np.repeat(
            self._lanes(np.array([p.channel for p in parts])), [len(p) for p in parts]
        )
        ticks = trials.apart * self.grid.step_ticks
        key = np.clip(np.rint(pitch), 0, 127)
        bend = np.rint((pitch - key) * (8192 / BEND_RANGE)).astype(np.int64)
        tone = key.astype(np.int64) * _BEND + bend
        trial = index // trials.span
        return _Notes(
            trial, on - trial * ticks, off - on, tone, velocity.astype(np.int64), lanes, voice,
            trials.nth(index),
        )  # fmt: skip

    def _matched(self, notes: _Notes) -> Ints:
        """Which heard note each made one is, -1 for none."""
        code = self._code(notes.lane, notes.tone, notes.on)
        if not len(self.code):
            return np.full(len(code), -1)
        right = np.clip(np.searchsorted(self.code, code), 0, len(self.code) - 1)
        left = np.maximum(right - 1, 0)
        nearer = np.where(np.abs(self.code[left] - code) < np.abs(self.code[right] - code),
                          left, right)  # fmt: skip
        return np.where(np.abs(self.code[nearer] - code) <= self.tolerance.on, nearer, -1)

    def judge(
        self, beginnings: Bits, before: Before, known: int, row: int, ways: int = WAYS
    ) -> Verdict:
        """What beginnings cost.

        Parameters
        ----------
        beginnings : ndarray of int8, shape (trials, positions of the reading)
            Only the first `known` bits count.
        before : Before
            What was read before `first_row(row)`.
        known, row : int
            `row` is the row that is being built up.
        ways : int
            In how many ways to fill in what follows. One is enough to count notes; what they
            are like, and whether trials will ever differ, takes all.
        """
        first = self.first_row(row)
        last = self.last_row(row)
        low, high = first * self.positions, last * self.positions
        lots = len(beginnings)
        bits = np.repeat(beginnings[:, None, low:high], ways, axis=1)
        bits[:, :, known - low :] = self.ways[-ways:, : high - known]
        trials = Trials.side_by_side(
            bits.reshape(lots * ways, -1), self.timeline, self.unit_bits, first,
            before.repeated(ways),
        )  # fmt: skip
        notes = self._notes(trials)
        match = self._matched(notes)
        judged_from = max(0, row - 1)
        fresh = notes.nth >= judged_from * self.positions
        earlier, here = self._too_many(notes, match, fresh, known, row, lots, ways)
        self._missing(notes, match, known, row, (lots, ways), earlier, here)
        nobody = beginnings[:, judged_from * self.positions : known] < 0
        if nobody.any():
            cut = (row - judged_from) * self.positions
            earlier += NOBODY * nobody[:, :cut].sum(axis=1)
            here += NOBODY * nobody[:, cut:].sum(axis=1)
        return Verdict(earlier, here, _signs(notes, fresh, lots, ways))

    def _now(self, known: int) -> float:
        """The tick from which on nothing is certain, after so many bits."""
        if known >= self.total:
            return float("inf")
        row, step = divmod(known, self.positions)
        slot = int(self.timeline.row_slot[row]) + step
        return (slot - 0.5) * self.grid.step_ticks

    def ending(self, rows: int) -> Ear:
        """The same with a reading of so many rows."""
        short = self.timeline.first_rows(rows)
        return Ear(self.heard, self.music, short, self.grid, self.unit_bits, self.tolerance)

    def first_row(self, row: int) -> int:
        """The first row that is made to judge a row."""
        return max(0, row - 2 - self.reach)

    def last_row(self, row: int) -> int:
        """The row after the last one that is made to judge a row."""
        return min(row + 1 + self.ahead, self.timeline.rows)

    def _too_many(
        self, notes: _Notes, match: Ints, fresh: Mask, known: int, row: int, lots: int, ways: int
    ) -> tuple[Reals, Reals]:
        """Notes that are certain and were not heard; each counted in the first way alone."""
        which = fresh & (match < 0) & (notes.trial % ways == 0)
        lot = notes.trial[which] // ways
        nth, voice = notes.nth[which], notes.voice[which]
        sure = np.zeros(len(lot), bool)
        for v, certain in enumerate(self.certain):
            mine = voice == v
            sure[mine] = certain[nth[mine]] <= known
        here = nth >= row * self.positions
        out = [
            np.bincount(lot[sure & part], minlength=lots).astype(np.float64)
            for part in (~here, here)
        ]
        return out[0], out[1]

    def _missing(
        self, notes: _Notes, match: Ints, known: int, row: int, lots: tuple[int, int],
        before: Reals, here: Reals,
    ) -> None:  # fmt: skip
        """Adds heard notes that nothing can bring any more, and wrong lengths and forces."""
        cols = np.flatnonzero((self.row == row) | (self.row == row - 1))
        if not len(cols):
            return
        column = np.full(len(self.code), -1)
        column[cols] = np.arange(len(cols))
        use = np.flatnonzero((match >= 0) & (column[match] >= 0))
        if self.bends:
            # voices that share a lane: the loudest note comes last, and stays
            use = use[np.lexsort((notes.length[use], notes.velocity[use]))]
        lot, way = np.divmod(notes.trial[use], lots[1])
        at = (lot, way, column[match[use]])
        shape = (*lots, len(cols))
        length = np.full(shape, -1, np.int64)
        length[at] = np.minimum(notes.length[use], _LONGEST)
        force = np.zeros(shape, np.int16)
        force[at] = notes.velocity[use]
        there = length >= 0
        due = self.due[cols] <= known
        gone = ~there.any(axis=1) & due
        cost = gone.astype(np.float64)
        mine = self.row[cols] == row
        if lots[1] < WAYS:
            here += cost[:, mine].sum(axis=1)
            before += cost[:, ~mine].sum(axis=1)
            return
        # later notes may cut it short, or take its place, until its time has passed
        now = self._now(known)
        past = due & (self.on[cols] + self.tolerance.on < now)
        least, most = length.min(axis=1), length.max(axis=1)
        fixed = there.all(axis=1) & (least == most) & (most < _LONGEST)
        fixed &= due & (self.on[cols] + least <= now)
        off = np.abs(least - (self.off - self.on)[cols])
        cost += SOFTER * (fixed & (off > self.tolerance.off))
        soft, loud = force.min(axis=1), force.max(axis=1)
        settled = there.all(axis=1) & (soft == loud) & past
        cost += SOFTER * (settled & (np.abs(soft - self.velocity[cols]) > self.tolerance.velocity))
        here += cost[:, mine].sum(axis=1)
        before += cost[:, ~mine].sum(axis=1)

    def whole(self, bits: Bits) -> tuple[Reals, list[Ints]]:
        """What whole discs cost, and at which slots they are off.

        Parameters
        ----------
        bits : ndarray of int8, shape (trials, positions of the reading)
        """
        notes = self._notes(Trials.side_by_side(bits, self.timeline, self.unit_bits))
        if self.bends:
            notes = notes.keep(np.lexsort((notes.length, notes.velocity)))
        match = self._matched(notes)
        costs, places = np.zeros(len(bits)), []
        step = self.grid.step_ticks
        for k in range(len(bits)):
            mine = notes.trial == k
            m = match[mine]
            missed = np.ones(len(self.code), bool)
            missed[m[m >= 0]] = False
            # of notes that share a lane the loudest one, which comes last
            which = np.full(len(self.code), -1)
            which[m[m >= 0]] = np.flatnonzero(mine)[m >= 0]
            got = np.flatnonzero(which >= 0)
            wrong = np.abs(notes.length[which[got]] - (self.off - self.on)[got])
            bad = wrong > self.tolerance.off
            loud = np.abs(notes.velocity[which[got]] - self.velocity[got])
            bad_force = loud > self.tolerance.velocity
            costs[k] = (
                missed.sum() + (m < 0).sum() + SOFTER * (bad.sum() + bad_force.sum())
                + NOBODY * (bits[k] < 0).sum()
            )  # fmt: skip
            ends = self.off[got[bad]], (self.on[got] + notes.length[which[got]])[bad]
            off = [self.on[missed], notes.on[mine][m < 0], self.on[got[bad | bad_force]], *ends]
            places.append(np.floor(np.concatenate(off) / step).astype(np.int64))
        return costs, places


@dataclass(frozen=True, eq=False)
class _Notes:
    """The notes of trials, shape (notes,): ticks from their trial's start, and whose they are."""

    trial: Ints
    on: Ints
    length: Ints
    tone: Ints
    velocity: Ints
    lane: Ints
    voice: Ints
    nth: Ints

    def keep(self, which: Ints) -> _Notes:
        return _Notes(
            self.trial[which], self.on[which], self.length[which], self.tone[which],
            self.velocity[which], self.lane[which], self.voice[which], self.nth[which],
        )  # fmt: skip


def _ways(rng: Any, most: int) -> Bits:
    """Ways to go on: steady ones, and chance ones that begin either way and lie thin or thick."""
    at = np.arange(most)
    steady = [0 * at, 0 * at + 1, at % 2, 1 - at % 2, at // 2 % 2, at == 0]
    chance = [rng.random(most) < share for share in (0.25, 0.75, 0.5, 0.5)]
    for n, way in enumerate(chance):
        way[:2] = [n % 2, n // 2]
    out: Bits = np.stack([*steady, *chance]).astype(np.int8)
    return out


def _mixed(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """SplitMix64's mixing (Steele, Lea and Flood, OOPSLA 2014)."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    out: NDArray[np.uint64] = x ^ (x >> np.uint64(31))
    return out


def _signs(notes: _Notes, fresh: Mask, lots: int, ways: int) -> NDArray[np.uint64]:
    """Numbers that are equal for trials whose fresh notes are equal in all ways."""
    with np.errstate(over="ignore"):
        x = (notes.lane[fresh] << 21) + notes.tone[fresh]
        sign = _mixed(x.astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15))
        sign = _mixed(sign ^ notes.on[fresh].astype(np.uint64))
        sign = _mixed(sign + notes.length[fresh].astype(np.uint64) * np.uint64(0x85EBCA6B))
        sign = _mixed(sign + notes.velocity[fresh].astype(np.uint64))
        way = (notes.trial[fresh] % ways).astype(np.uint64)
        sign = _mixed(sign + way * np.uint64(0x9E3779B97F4A7C15))
        out = np.zeros(lots, np.uint64)
        np.add.at(out, notes.trial[fresh] // ways, sign)
    return out
