"""How well trial discs explain a recording, row by row as they are built up.

A trial disc is a beginning of bits; the mapping makes notes of it, with the rest filled in several
ways. A note of the trial costs something if no open bit can change it and it was not recorded. A
recorded note costs something if no open bit can produce it any more.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.timeline import Timeline
from sonify.music.certainty import Certainty, certainty_of, tells_position
from sonify.music.metre import Grid
from sonify.music.settings import Music
from sonify.music.trials import Before, Trials
from sonify.music.voices import assign_channels
from sonify.recover.sources.midi.quantising import Quantised
from sonify.recover.sources.midi.trial_notes import (
    Budget,
    Lanes,
    NoteEvents,
    TrialNotes,
    code_of,
    lane_of,
    lanes_for,
    nearest,
    notes_of_trials,
    signatures,
)

__all__ = ["COSTS", "MOST_AHEAD", "UNREADABLE", "WAYS", "Matcher", "Tolerance"]

Bits = NDArray[np.int8]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]
Mask = NDArray[np.bool_]

# In how many ways the rest of a disc is filled in: those of `_ways`
WAYS = 10
# The most rows to look ahead, for voices that sound in some rows only: a bar of rows in 4/4
MOST_AHEAD = 4
# The cost of a wrong length or velocity; a missing or a surplus note costs 1
WRONG_SHAPE = 0.5
# The cost of an unreadable bit: more than a wrong length, so that it is used only where it
# explains a note
UNREADABLE = 0.6
# The cost of each kind of difference of a whole disc
COSTS = np.array([1.0, 1.0, WRONG_SHAPE, UNREADABLE])
_RANK = ("own", "unit", "row", "both")
# Ticks: the length of all notes that last longer, so that their lengths count as equal
_LONGEST = 1 << 20


@dataclass(frozen=True)
class Tolerance:
    """How far notes may differ: onset and end in ticks, and velocity."""

    on: float
    off: float
    velocity: float


class Matcher:
    """Compares trial discs with a recording, by way of the mapping.

    Parameters
    ----------
    recorded : NoteEvents
    music : Music
        The mapping.
    timeline : Timeline
        The reading on whose ticks the notes lie.
    grid : Grid
    unit_bits : int
        Bits of a code unit.
    tolerance : Tolerance
    budget : Budget
        Charged with the notes that trials make.
    lanes : Lanes, optional
        What tells notes apart; by default, channels as the mapping gives them.
    quantised : Quantised, optional
        How a program moved the onsets.
    """

    def __init__(
        self, recorded: NoteEvents, music: Music, timeline: Timeline, grid: Grid, unit_bits: int,
        tolerance: Tolerance, budget: Budget, lanes: Lanes | None = None,
        quantised: Quantised | None = None,
    ) -> None:  # fmt: skip
        self.recorded, self.music, self.timeline, self.grid = recorded, music, timeline, grid
        self.unit_bits, self.tolerance, self.budget = unit_bits, tolerance, budget
        self.positions = timeline.positions
        self.total = timeline.rows * timeline.positions
        self.lanes = lanes or lanes_for(music)[0]
        self.quantised = quantised
        # how far before or after its time a note may have been moved, in ticks
        self.moved = quantised.step / 2 if quantised else 0.0
        kinds = [certainty_of(v, n) for n, v in enumerate(music.voice)]
        certain = self._certain()
        self.certain = np.stack([certain[k.key] for k in kinds])
        rng = np.random.default_rng(20_031)
        self.ways = _ways(rng, min(self.total, (1 + MOST_AHEAD) * self.positions))
        self._sort(recorded)
        self.due = self._due(kinds, certain)
        self.row = (self.due - 1) // self.positions
        self.reach, self.ahead = self._reach(rng)

    def _certain(self) -> dict[str, Ints]:
        """For each position, the number of bits after which its notes are certain."""
        own = np.arange(1, self.total + 1)
        row = (own + self.positions - 1) // self.positions * self.positions
        if self.timeline.straight:
            unit = -(-own // self.unit_bits) * self.unit_bits
        else:
            # a character may go on in the next row
            unit = row + self.positions
        unit = np.minimum(unit, self.total)
        return {"own": own, "unit": unit, "row": row, "both": unit[row - 1]}

    def _sort(self, recorded: NoteEvents) -> None:
        """Sort the recorded notes by code; of those that can't be told apart the loudest counts."""
        lane = self._lanes(recorded.channel)
        code = code_of(lane, recorded.tone, np.rint(recorded.on).astype(np.int64))
        order = np.argsort(code, kind="stable")
        chain = self._chains((lane << 21) + recorded.tone, order)
        self.ends = np.sort(self._end_code(chain, recorded.off))
        group = np.cumsum(np.append(0, np.diff(code[order]) > self.tolerance.on))
        best = np.lexsort((recorded.off[order], recorded.velocity[order], group))
        order = order[np.sort(best[np.append(np.diff(group) != 0, True)])]
        self.code, self.on, self.off = code[order], recorded.on[order], recorded.off[order]
        self.chain = chain[order]
        self.lane, self.tone, self.velocity = (
            x[order] for x in (lane, recorded.tone, recorded.velocity)
        )

    def _chains(self, kin: Ints, order: Ints) -> Ints:
        """A number for each chain of notes of one tone that overlap: where voices share a lane,
        nothing tells which of the notes each of their note-offs ends."""
        _, of = np.unique(kin[order], return_inverse=True)
        on, off = self.recorded.on[order], self.recorded.off[order]
        apart = 2 * (float(np.abs(off).max(initial=0.0)) + 1.0) * of
        until = np.maximum.accumulate(off + apart) - apart
        new = np.append(True, (np.diff(of) != 0) | (on[1:] > until[:-1] + self.tolerance.off))
        out = np.empty(len(kin), np.int64)
        out[order] = np.cumsum(new) - 1
        return out

    @staticmethod
    def _end_code(chain: Ints, end: Reals) -> Ints:
        return code_of(0 * chain, chain, np.rint(end).astype(np.int64))

    def _due(self, kinds: list[Certainty], certain: dict[str, Ints]) -> Ints:
        """After how many bits each recorded note must be explained."""
        slots = self.timeline.slots()
        due = np.empty(len(self.on), np.int64)
        lanes = self._lanes(np.array(assign_channels(self.music.voice)))
        for one in np.unique(self.lane):
            mine = self.lane == one
            voices = np.flatnonzero(lanes == one).tolist()
            worst = max((kinds[v].heard for v in voices), key=_RANK.index, default="own")
            early = max((kinds[v].early for v in voices), default=0.0)
            slot = (self.on[mine] + self.tolerance.on + self.moved) / self.grid.step_ticks + early
            last = np.searchsorted(slots, slot + 1e-6, "right") - 1
            last = np.clip(last, 0, self.total - 1)
            due[mine] = certain[worst][last]
            if len(voices) == 1 and tells_position(self.music.voice[voices[0]], voices[0]):
                due[mine] = self._last_of_tone(voices[0], self.tone[mine], last)
        return due

    def _last_of_tone(self, voice: int, tone: Ints, last: Ints) -> Ints:
        """After how many bits the tones of a row's chord are out of reach: those up to the row's
        last position with that tone."""
        plain = msgspec.structs.replace(self.music.voice[voice], source="clock", rhythm=())
        alone = msgspec.structs.replace(self.music, voice=(plain,))
        ones = np.ones((1, self.total), np.int8)
        trials = Trials.side_by_side(ones, self.timeline, self.unit_bits)
        notes = notes_of_trials(alone, trials, self.grid)
        key = (notes.nth // self.positions << 22) + notes.tone
        order = np.lexsort((notes.nth, key))
        key, nth = key[order], notes.nth[order]
        row = last // self.positions
        want = (row << 22) + tone
        at = np.maximum(np.searchsorted(key, want, "right") - 1, 0)
        return np.where(key[at] == want, nth[at] + 1, (row + 1) * self.positions)

    def _lanes(self, channel: Ints) -> Ints:
        return lane_of(channel, self.lanes)

    def _reach(self, rng: np.random.Generator) -> tuple[int, int]:
        """How many rows later the notes of a position may begin, and within how many rows every
        voice that sounds at all has sounded."""
        rows = min(8, self.timeline.rows)
        bits = rng.integers(0, 2, (2, rows * self.positions), np.int8)
        notes = self._notes(Trials.side_by_side(bits, self.timeline, self.unit_bits))
        if not len(notes) or self.timeline.rows < 2:
            return 0, 1
        late = (notes.on / self.grid.step_ticks - self.timeline.slots()[notes.nth]).max()
        stride = int(np.diff(self.timeline.row_slot).min())
        pause = 1
        for voice in np.unique(notes.voice):
            row = np.unique(notes.nth[notes.voice == voice] // self.positions)
            pause = max(pause, int(np.diff(row, prepend=-1).max()))
        return int(np.ceil(max(0.0, float(late)) / stride)), min(pause, MOST_AHEAD)

    def _notes(self, trials: Trials) -> TrialNotes:
        notes = notes_of_trials(self.music, trials, self.grid).moved(self.quantised)
        self.budget.spend(len(notes))
        return notes

    def _matched(self, notes: TrialNotes) -> Ints:
        """Which recorded note each note of a trial is, -1 for none."""
        code = code_of(self._lanes(notes.channel), notes.tone, notes.on)
        return nearest(self.code, code, self.tolerance.on)

    def judge(
        self, beginnings: Bits, before: Before, known: int, row: int, ways: int = WAYS
    ) -> tuple[Reals, Reals, NDArray[np.uint64]]:
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
            In how many ways to fill in what follows. One is enough to count notes; comparing
            their lengths and velocities, and telling whether trials will ever differ, takes all.

        Returns
        -------
        before, here : ndarray of float64, shape (trials,)
            The cost of the row before `row`, and of `row`.
        sign : ndarray of uint64, shape (trials,)
            Equal for trials whose notes are equal whatever follows.
        """
        first = self.first_row(row)
        low, high = first * self.positions, self.last_row(row) * self.positions
        lots = len(beginnings)
        bits = np.repeat(beginnings[:, None, low:high], ways, axis=1)
        bits[:, :, known - low :] = self.ways[-ways:, : high - known]
        trials = Trials.side_by_side(
            bits.reshape(lots * ways, -1), self.timeline, self.unit_bits, first,
            before.repeated(ways),
        )  # fmt: skip
        notes = self._notes(trials)
        match = self._matched(notes)
        judged_from, here = max(0, row - 1) * self.positions, row * self.positions
        fresh = notes.nth >= judged_from
        cost = self._surplus(notes, fresh & (match < 0), known, here, (lots, ways))
        cost += self._missing(notes, match, known, row, (lots, ways))
        unreadable = beginnings[:, :known] < 0
        cost[0] += UNREADABLE * unreadable[:, judged_from:here].sum(axis=1)
        cost[1] += UNREADABLE * unreadable[:, here:].sum(axis=1)
        sign = signatures(notes, self._lanes(notes.channel), fresh, lots, ways)
        return cost[0], cost[1], sign

    def _now(self, known: int) -> float:
        """The tick from which on nothing is certain, after so many bits."""
        if known >= self.total:
            return float("inf")
        row, step = divmod(known, self.positions)
        slot = int(self.timeline.row_slot[row]) + step - 0.5
        return slot * self.grid.step_ticks - self.moved

    def ending(self, rows: int) -> Matcher:
        """The same for a reading of so many rows."""
        short = self.timeline.first_rows(rows)
        return Matcher(
            self.recorded, self.music, short, self.grid, self.unit_bits, self.tolerance,
            self.budget, self.lanes, self.quantised,
        )  # fmt: skip

    def first_row(self, row: int) -> int:
        """The first of the rows that are made to judge a row."""
        return max(0, row - 2 - self.reach)

    def last_row(self, row: int) -> int:
        """The row after the last of them."""
        return min(row + 1 + self.ahead, self.timeline.rows)

    def _surplus(
        self, notes: TrialNotes, which: Mask, known: int, here: int, shape: tuple[int, int]
    ) -> Reals:
        """The cost of certain notes that were not recorded, before and from position `here` on,
        shape (2, trials); the first way stands for all."""
        lots, ways = shape
        which = which & (notes.trial % ways == 0)
        nth = notes.nth[which]
        sure = self.certain[notes.voice[which], nth] <= known
        cell = (nth >= here) * lots + notes.trial[which] // ways
        return np.bincount(cell[sure], minlength=2 * lots).reshape(2, lots).astype(np.float64)

    def _missing(
        self, notes: TrialNotes, match: Ints, known: int, row: int, shape: tuple[int, int]
    ) -> Reals:
        """The cost of recorded notes that nothing can produce any more, and of wrong lengths and
        velocities; in the row before and in this row, shape (2, trials)."""
        lots, ways = shape
        cols = np.flatnonzero((self.row == row) | (self.row == row - 1))
        column = np.full(len(self.code), -1)
        column[cols] = np.arange(len(cols))
        use = self._loudest_last(notes, match >= 0)
        use = use[column[match[use]] >= 0]
        at = (*np.divmod(notes.trial[use], ways), column[match[use]])
        length = np.full((lots, ways, len(cols)), -1, np.int64)
        length[at] = np.minimum(notes.length[use], _LONGEST)
        there = length >= 0
        due = self.due[cols] <= known
        cost = (~there.any(axis=1) & due).astype(np.float64)
        if ways == WAYS:
            velocity = np.zeros(length.shape, np.int16)
            velocity[at] = notes.velocity[use]
            # until its time has passed, later notes may cut a note short or take its place
            now = self._now(known)
            every = there.all(axis=1) & due
            least, most = length.min(axis=1), length.max(axis=1)
            fixed = every & (least == most) & (most < _LONGEST) & (self.on[cols] + least <= now)
            cost += WRONG_SHAPE * (fixed & self._wrong_length(least, cols))
            soft, loud = velocity.min(axis=1), velocity.max(axis=1)
            fixed = every & (soft == loud) & (self.on[cols] + self.tolerance.on < now)
            cost += WRONG_SHAPE * (fixed & self._wrong_velocity(soft, cols))
        mine = self.row[cols] == row
        return np.stack([cost[:, ~mine].sum(axis=1), cost[:, mine].sum(axis=1)])

    def _loudest_last(self, notes: TrialNotes, which: Mask) -> Ints:
        """Some notes in such an order that where voices share a lane the loudest is written last,
        and stays."""
        use = np.flatnonzero(which)
        if self.lanes == "channel":
            return use
        return use[np.lexsort((notes.length[use], notes.velocity[use]))]

    def _wrong_length(self, length: Ints, of: Ints) -> Mask:
        wrong: Mask = np.abs(length - (self.off - self.on)[of]) > self.tolerance.off
        if self.lanes != "channel" and wrong.any():
            chain = np.broadcast_to(self.chain[of], wrong.shape)[wrong]
            end = self._end_code(chain, (self.on[of] + length)[wrong])
            wrong[wrong] = nearest(self.ends, end, self.tolerance.off) < 0
        return wrong

    def _wrong_velocity(self, velocity: Ints, of: Ints) -> Mask:
        wrong: Mask = np.abs(velocity - self.velocity[of]) > self.tolerance.velocity
        return wrong

    def _beside_added(self, which: Ints, trial: Ints, got: Ints, length: Ints) -> Mask:
        """Which notes overlap one of their tone that no disc makes: which of the two note-offs
        ends which is then open."""
        out = np.zeros(len(got), bool)
        kin = (self.lane << 21) + self.tone
        for step in (-1, 1):
            other = np.clip(got + step, 0, len(self.on) - 1)
            added = (which[trial, other] < 0) & (kin[other] == kin[got])
            early, late = np.minimum(got, other), np.maximum(got, other)
            end = self.off[early]
            if step > 0:
                end = np.maximum(end, self.on[got] + length)
            out |= added & (self.on[late] <= end + self.tolerance.off)
        return out

    def whole(self, bits: Bits) -> tuple[Reals, Ints]:
        """How whole discs differ from the recording, and at which slots the first one does.

        Parameters
        ----------
        bits : ndarray of int8, shape (trials, positions of the reading)

        Returns
        -------
        differences : ndarray of float64, shape (4, trials)
            The number of recorded notes that a disc does not make, of its notes that were not
            recorded, of wrong lengths and velocities, and of unreadable bits.
        slots : ndarray of int64
        """
        lots = len(bits)
        notes = self._notes(Trials.side_by_side(bits, self.timeline, self.unit_bits))
        match = self._matched(notes)
        use = self._loudest_last(notes, match >= 0)
        which = np.full((lots, len(self.code)), -1)
        which[notes.trial[use], match[use]] = use
        trial, got = (which >= 0).nonzero()
        note = which[trial, got]
        length = notes.length[note]
        long = self._wrong_length(length, got) & ~self._beside_added(which, trial, got, length)
        shape = long * 1.0 + self._wrong_velocity(notes.velocity[note], got)
        differences = np.stack([
            (which < 0).sum(axis=1),
            np.bincount(notes.trial[match < 0], minlength=lots),
            np.bincount(trial, shape, minlength=lots),
            (bits < 0).sum(axis=1),
        ])  # fmt: skip
        long, odd = long & (trial == 0), (shape > 0) & (trial == 0)
        ends = self.off[got[long]], (self.on[got] + length)[long]
        surplus = notes.on[(notes.trial == 0) & (match < 0)]
        off = [self.on[which[0] < 0], surplus, self.on[got[odd]], *ends]
        return differences, np.floor(np.concatenate(off) / self.grid.step_ticks).astype(np.int64)


def _ways(rng: np.random.Generator, most: int) -> Bits:
    """Ways to go on: regular ones, and random ones of several densities whose first two bits are
    all that they can be."""
    at = np.arange(most)
    steady = [0 * at, 0 * at + 1, at % 2, 1 - at % 2, at // 2 % 2, at == 0]
    chance = [rng.random(most) < share for share in (0.25, 0.75, 0.5, 0.5)]
    for n, way in enumerate(chance):
        way[:2] = [n % 2, n // 2]
    out: Bits = np.stack([*steady, *chance]).astype(np.int8)
    return out
