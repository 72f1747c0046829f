"""MIDI alignment: which rows and positions the notes of a recording belong to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.diagnosis.alignment import (
    Alignment,
    Design,
    agreement_of,
    turn_phase,
)
from sonify.recover.diagnosis.cut import aligned_steadily, not_recorded, renumbered
from sonify.recover.diagnosis.fits import fit_of_notes
from sonify.recover.diagnosis.listening import Listening
from sonify.recover.diagnosis.numbering import (
    ASTRAY,
    across_silence,
    mended_start,
    numbered,
)
from sonify.recover.diagnosis.observed import NotesBySlot, Observed, Wire
from sonify.recover.diagnosis.row_order import align_reading_on, align_rows
from sonify.recover.diagnosis.score_following import Followed
from sonify.recover.diagnosis.source import MidiRecording
from sonify.recover.diagnosis.starts import IDLE, pulses_of, settled, starts_in_slots
from sonify.recover.diagnosis.timing_model import (
    TimingModel,
    fit_timing,
    period_about,
    times_of,
    without_slips,
)

__all__ = ["observe_by_score", "observe_midi"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

FEWEST = 8  # notes that can be aligned: a character or two
RINGS = 0.2  # how often a note comes between rows if rules add notes
PAST = 3  # positions after a row that are observed too
SHORT = 0.7  # of the disc: shorter recordings are tried in every place
MOSTLY = 0.7  # of the disc's information: a recording that holds more is aligned well
EVEN = 0.9  # the same, for one to be tried with rows spaced as designed
BEYOND = 6  # turns after the notes that pulses are worked out for
LONGER = (
    1.5  # times as long as notes last, from which on one that is struck again hung (own choice)
)
SLIPPED = 4  # slots, or an eighth of a turn: rows off by more were not read at the index


@dataclass(frozen=True, eq=False)
class _Track:
    """Notes with their slots; those astray lie between slots."""

    notes: NDArray[np.void]
    slot: Index
    astray: NDArray[np.bool_]

    @property
    def good(self) -> Index:
        return np.flatnonzero(~self.astray)

    def shifted(self) -> tuple[_Track, int]:
        """With slots from 0 on, and by how much they were shifted."""
        low = int(self.slot[self.good].min())
        return replace(self, slot=self.slot - low), low

    def by_slot(self, listening: Listening) -> NotesBySlot:
        """What was heard in each slot."""
        good = self.good
        slot, on = self.slot[good], self.notes["on_s"][good]
        beat_slot, first_at = np.unique(slot, return_index=True)
        beat_s = on[first_at]
        slot_s = np.interp(np.arange(int(beat_slot[-1]) + 1), beat_slot, beat_s)
        seen = np.full(len(slot_s), -1, np.int8)
        seen[beat_slot] = 1
        if listening.runs:
            notes = self.notes[good]
            ends = on + (notes["off_s"] - on) / listening.gate
            seen = _with_runs(seen, ends, slot, slot_s)
        tone = np.full(len(seen), -1, np.int16)
        tone[slot] = self.notes["pitch"][good]
        return NotesBySlot(seen, tone, beat_slot, beat_s, slot_s)

    def timing(self, n: int) -> TimingModel | None:
        timing = fit_timing(self.slot[self.good], self.notes["on_s"][self.good], n)
        return timing if timing is not None and timing.steady else None


def observe_midi(
    recording: MidiRecording, listening: Listening, design: Design, period_s: float
) -> Observed:
    """Read a MIDI recording as bits.

    Parameters
    ----------
    recording : MidiRecording
    listening : Listening
    design : Design
        With 1 where the voice sounds.
    period_s : float
        How long a position should last.

    Raises
    ------
    InputError
        Too few notes.
    """
    notes = recording.notes[listening.of(recording.notes)]
    channel = listening.channels[0] + 1
    n, count = design.positions, len(notes)
    if count < FEWEST:
        others = ", ".join(str(c + 1) for c in np.unique(recording.notes["channel"]))
        raise InputError(
            f"it has {count or 'no'} note{'s' * (count != 1)} of '{listening.name}' on channel "
            f"{channel} and should have about {int((design.grid == 1).sum())}; its notes are on "
            f"{others}",
            file=recording.path,
            hint="give the {preset} that the player has",
        )
    track = _Track(notes, *numbered(notes["on_s"], period_s, n, listening.swing))
    if not listening.swing:
        track = _without_slips(track, n)
    if not design.index:
        track = replace(track, slot=across_silence(track.slot, track.good, design))
    track, _ = track.shifted()
    alignment = _aligned(track.by_slot(listening), design)
    if design.index:
        slips = _slips(alignment, n)
        if slips.any():
            # the count slipped, not the disc: rows that wait for the index start whole turns apart
            row = np.searchsorted(alignment.start, track.slot, "right") - 1
            track = replace(track, slot=track.slot - slips[np.maximum(row, 0)])
            alignment = replace(alignment, start=alignment.start - slips)
    mended = mended_start(notes["on_s"], track.slot, track.astray, design, alignment)
    track, low = _Track(notes, *mended).shifted()
    alignment = replace(alignment, start=alignment.start - low, phase=(alignment.phase + low) % n)
    timing = None if listening.swing else track.timing(n)
    loose = None
    if timing is not None:
        track, alignment, timing, loose = _by_timing(track, listening, design, alignment, timing)
    observed = _observed(recording, listening, design, alignment, track, timing)
    return replace(observed, loose=loose, remarks=recording.remarks)


def observe_by_score(
    recording: MidiRecording, listening: Listening, design: Design, followed: Followed, last: int
) -> Observed:
    """Read a recording whose notes of this voice are known by the score, and whose last one of any
    voice is in the slot `last`."""
    notes = recording.notes[listening.of(recording.notes)]
    n, score, of = design.positions, followed.score, followed.of
    low, hit = int(followed.slot.min()), of >= 0
    slot = followed.slot - low
    order = np.argsort(slot, kind="stable")
    notes, slot, of, hit = notes[order], slot[order], of[order], hit[order]
    row, position = score["row"][of[hit]], score["position"][of[hit]]
    # a rule may add notes that stand for no bit
    astray = ~hit & (not listening.exact)
    astray[hit] = design.grid[row, position] == 0
    track = _Track(notes, slot, astray)
    phase = int((position[0] - slot[hit][0]) % n)
    start = np.full(design.rows, -1, np.int64)
    for r in np.unique(row).tolist():
        at, place = slot[hit][row == r], position[row == r]
        if design.index:
            start[r] = int(np.median(at - place))
            continue
        about = start[r - 1] + design.step if r and start[r - 1] >= 0 else at.min()
        start[r] = np.clip(about, at.max() - n + 1, at.min())
    known = np.flatnonzero(np.isin(np.arange(design.rows), row))
    for r in np.setdiff1d(np.arange(design.rows), known).tolist():
        near = int(known[np.argmin(np.abs(known - r))])
        start[r] = start[near] + (r - near) * design.step
    alignment = Alignment(start, np.arange(design.rows), phase, 1.0, turning=True)
    heard = _ended(track.by_slot(listening).seen, n)
    alignment = replace(alignment, agreement=agreement_of(heard, design, alignment))
    timing = None if listening.swing else track.timing(n)
    observed = _observed(recording, listening, design, alignment, track, timing, last - low + 1)
    return replace(observed, remarks=recording.remarks, followed=True)


def _without_slips(track: _Track, n: int) -> _Track:
    good = track.good
    fixed = without_slips(track.slot[good], track.notes["on_s"][good], n)
    # notes astray are shifted with the note before
    before = np.maximum(np.searchsorted(good, np.arange(len(track.slot)), "right") - 1, 0)
    return replace(track, slot=track.slot + (fixed - track.slot[good])[before])


def _ended(seen: NDArray[np.int8], n: int) -> NDArray[np.int8]:
    """With a turn of silence added: after the last note the player may have read zeros."""
    return np.concatenate([seen, np.full(n, -1, np.int8)])


def _aligned(
    heard: NotesBySlot, design: Design, timing: TimingModel | None = None, phase: int | None = None
) -> Alignment:
    """Align rows; the phase is given if it is known that rows start at the index."""
    n, turning = design.positions, not design.index or phase is not None
    if not design.index:
        phase, _ = turn_phase(_ended(heard.seen, n), design.grid)

    def placed(seen: NDArray[np.int8], more: int) -> Alignment:
        at = ((phase or 0) - more) % n
        if design.index:
            return align_rows(seen, design, at, turning)
        slots = np.arange(-n - more, len(seen) + 5 * n)
        passed = heard.times(slots) if timing is None else timing(slots)
        return align_reading_on(seen, design, at, passed)

    return _with_rows_lost(heard, design, placed)


def _with_rows_lost(
    heard: NotesBySlot, design: Design, placed: Callable[[NDArray[np.int8], int], Alignment]
) -> Alignment:
    """Align rows by `placed`. If they don't fit, up to half of them, or all that a short recording
    has no room for, may have been read before it starts or after it ends."""
    seen = _ended(heard.seen, design.positions)
    first = renumbered(placed(seen, 0), design, len(heard.seen))
    fit = fit_of_notes(heard, design, first)
    if fit >= MOSTLY:
        return first
    more = max(design.rows // 2, design.rows - len(heard.seen) // design.step) * design.step
    unknown = np.zeros(more, np.int8)
    again = placed(np.concatenate([unknown, seen, unknown]), more)
    again = replace(again, start=again.start - more, phase=(again.phase + more) % design.positions)
    again = renumbered(again, design, len(heard.seen))
    better = fit_of_notes(heard, design, again)
    if design.index and better < EVEN and len(heard.seen) < SHORT * design.rows * design.step:
        steady = aligned_steadily(seen, design, again)
        steadily = fit_of_notes(heard, design, steady)
        if steadily > better:
            again, better = steady, steadily
    # rows lost at an end are likelier than a stage that is off for all of them
    off = [np.abs(a.seen_row - np.arange(design.rows)).sum() for a in (again, first)]
    return again if better > (0.95 if off[0] < off[1] else 1.25) * fit else first


def _by_timing(
    track: _Track, listening: Listening, design: Design, alignment: Alignment, timing: TimingModel
) -> tuple[_Track, Alignment, TimingModel, Alignment | None]:
    """Number notes anew by a timing model that most of them follow, and align rows by it."""
    n = design.positions
    on = track.notes["on_s"]
    exact = timing.slots_of(on, track.slot)
    slot = np.rint(exact).astype(np.int64)
    astray = np.abs(exact - slot) > ASTRAY
    far = np.ptp(slot) > 2 * np.ptp(track.slot) + n
    if astray.mean() > 0.2 or far:
        return track, alignment, timing, None
    track, low = _Track(track.notes, slot, astray).shifted()
    timing = track.timing(n) or timing
    heard = track.by_slot(listening)
    if design.index:
        turns = np.bincount((alignment.start - low) % n, minlength=n)
        phase = (-int(np.argmax(turns))) % n
        return track, _aligned(heard, design, timing, phase), timing, None
    alignment = _aligned(heard, design, timing)
    below = min(0, int(alignment.start.min())) - 2 * n
    pulses = pulses_of(timing, n, alignment.phase, below, len(heard.seen) + BEYOND * n)
    start, _ = settled(
        heard.known_at(pulses.slot, n), pulses, design, alignment.seen_row,
        pulses.first_from(alignment.start), _usual_change(alignment, timing, n),
        IDLE if listening.exact else RINGS,
    )  # fmt: skip
    loose, alignment = alignment, replace(alignment, start=starts_in_slots(pulses, start))
    found = agreement_of(_ended(heard.seen, n), design, alignment)
    return track, replace(alignment, agreement=found), timing, loose


def _usual_change(alignment: Alignment, timing: TimingModel, n: int) -> float:
    """The median time from a row's last position to half a position before the next row."""
    if len(alignment.start) < 2:
        return 0.0
    change = timing(alignment.start[1:] - 0.5) - timing(alignment.start[:-1] + n - 1)
    return float(np.median(change))


def _slips(alignment: Alignment, n: int) -> Index:
    """How many slots each row's start is off the angle at which most rows start."""
    off = alignment.start % n
    base = int(np.argmax(np.bincount(off, minlength=n)))
    out: Index = (off - base + n // 2) % n - n // 2
    return np.where(np.abs(out) <= max(SLIPPED, n // 8), out, 0)


def _with_runs(seen: NDArray[np.int8], ends: Reals, slot: Index, slot_s: Reals) -> NDArray[np.int8]:
    """The slots with all positions marked through which a note sounds on until its end, in s."""
    more = np.pad(seen, (0, 64), constant_values=-1)
    times = times_of(np.arange(len(more)), slot_s)
    last = len(seen)
    for off_s, k in zip(ends.tolist(), slot.tolist(), strict=True):
        if np.isfinite(off_s):
            end = int(np.searchsorted(times, off_s - 0.4 * period_about(slot_s, k)))
            more[k:end] = 1
            last = max(last, end)
    return more[:last]


def _observed(
    recording: MidiRecording, listening: Listening, design: Design, alignment: Alignment,
    track: _Track, timing: TimingModel | None, end: int = 0,
) -> Observed:  # fmt: skip
    n, rows = design.positions, design.rows
    heard = track.by_slot(listening)
    slots = alignment.start[:, None] + np.arange(n + PAST)
    under = (heard.at(slots) > 0).astype(np.int8)
    end = max(end, len(heard.seen))
    under[not_recorded(slots, under, alignment, design, end)] = -1
    cell = np.arange(rows)[:, None], alignment.places(design)
    bits, time = np.full((rows, n), -1, np.int8), np.full((rows, n), np.nan)
    bits[cell], time[cell] = under[:, :n], (timing or heard.times)(slots[:, :n])
    return Observed(
        kind="midi",
        bits=bits,
        time_s=time,
        under=under,
        beat_slot=heard.beat_slot,
        beat_s=heard.beat_s,
        slot_s=heard.slot_s,
        alignment=alignment,
        told=float(listening.tells.mean()),
        wire=_wire(recording, listening, heard.slot_s, bits, alignment, design),
        extra_s=track.notes["on_s"][track.astray],
        under_pitch=heard.tone_at(slots),
        heard=heard,
        timing=timing,
    )


def _wire(
    recording: MidiRecording, listening: Listening, slot_s: Reals, bits: NDArray[np.int8],
    alignment: Alignment, design: Design,
) -> Wire:  # fmt: skip
    """What was lost on the wire: note-offs without a note, and notes that hang."""
    # a note-off comes a position after its note
    slot = np.interp(recording.orphans, slot_s, np.arange(len(slot_s))) - 1.0
    row = np.searchsorted(alignment.start, slot + 0.5, "right") - 1
    step = np.rint(slot - alignment.start[row]).astype(np.int64)
    inside = (row >= 0) & (step >= 0) & (step < design.positions)
    row, place = row[inside], alignment.places(design)[row[inside], step[inside]]
    silent = bits[row, place] == 0
    lost = list(zip(row[silent].tolist(), place[silent].tolist(), strict=True))
    on, off = recording.notes["on_s"], recording.notes["off_s"]
    hangs, ends = ~np.isfinite(off), np.isfinite(off)
    if hangs.all():
        # a player that sends no note-offs loses none
        return Wire(0, 0, 0, lost)
    # a recording that is stopped cuts its last notes
    hanging = int(np.count_nonzero(hangs & (on < on.max() - np.median((off - on)[ends]))))
    # a note that is struck while it sounds by design leaves a note-off over, or has none, unless
    # the player ends it first
    again = len(recording.struck_again)
    own = listening.again if again > listening.again / 2 else 0
    notes = recording.notes[np.lexsort((on, recording.notes["pitch"], recording.notes["channel"]))]
    same = (np.diff(notes["pitch"]) == 0) & (np.diff(notes["channel"]) == 0)
    held = np.diff(notes["on_s"])[same & np.isnan(notes["off_s"][:-1])]
    # and it sounds no longer than others
    hung = int(np.count_nonzero(held > LONGER * np.percentile((off - on)[ends], 95)))
    struck = max(0, again - own, hung)
    return Wire(
        max(0, len(recording.orphans) - own), max(0, hanging - again + struck), struck, lost
    )
