"""What a recording shows of a reading, in one form for logs and MIDI files."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment
from sonify.recover.diagnosis.delivery import Delivery
from sonify.recover.diagnosis.row_offsets import RowOffsets
from sonify.recover.diagnosis.stage_path import StagePath
from sonify.recover.diagnosis.timing_model import TimingModel, times_of
from sonify.recover.signal.clock import PulseClock

__all__ = ["Levels", "NotesBySlot", "Observed", "Wire"]

Reals = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Levels:
    """The data channel at the positions that were read, in the log's units.

    Attributes
    ----------
    level : ndarray, shape (rows, positions)
        Averaged over the hole's passage; nan where nothing was read.
    web : ndarray, shape (rows, positions)
        Between the holes before and after, where there is only material.
    seen : ndarray of int8, shape (rows, positions)
        1 for a hole and -1 for none, whatever the machine's threshold; 0 for unknown.
    truth : ndarray of int8, shape (rows, positions)
        1 where a hole passed, by the row that was under the detector; -1 unknown.
    threshold : float
        What bits were told by.
    low : bool
        Whether holes read low.
    traces : ndarray, shape (traces, samples)
        The data channel about positions that were read, over one and a half positions.
    trace_bits : ndarray, shape (traces,)
        What those should be.
    delay_s : float
        How much later the data detector sees a hole than the clock detector.
    lag : float
        Time constant of a filter that drags out the data channel's holes, in positions; 0 for none.
    passed : ndarray, shape (holes, 2)
        Level and web of every hole that shows in the log, read or not, in the order of time.
    slots : ndarray, shape (slots,)
        The evidence for a hole in each slot of the log, from -1 to 1.
    """

    level: Reals
    web: Reals
    seen: NDArray[np.int8]
    truth: NDArray[np.int8]
    threshold: float
    low: bool
    traces: Reals
    trace_bits: NDArray[np.int8]
    delay_s: float
    lag: float
    passed: Reals
    slots: Reals


@dataclass(frozen=True, eq=False)
class Wire:
    """What a MIDI file says of the wire.

    Attributes
    ----------
    orphans, hanging, struck_again : int
        Note-offs without a note, notes without a note-off, note-ons for a sounding note.
    lost_on : list of tuple of int
        Rows and positions whose note-off came without its note-on.
    """

    orphans: int = 0
    hanging: int = 0
    struck_again: int = 0
    lost_on: list[tuple[int, int]] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class NotesBySlot:
    """Notes slot by slot, from the slot of the first note to that of the last.

    Attributes
    ----------
    seen : ndarray of int8, shape (slots,)
        1 where a note sounded, -1 where none did.
    tone : ndarray of int16, shape (slots,)
        Its pitch; -1 for none.
    beat_slot, beat_s : ndarray
        Slots in which notes began, and when.
    slot_s : ndarray, shape (slots,)
        When each passed, from the nearest notes.
    """

    seen: NDArray[np.int8]
    tone: NDArray[np.int16]
    beat_slot: NDArray[np.int64]
    beat_s: Reals
    slot_s: Reals

    def at(self, slots: NDArray[np.int64]) -> NDArray[np.int8]:
        """What was heard in slots: 1 or -1, which it is before the recording and after it too."""
        inside = (slots >= 0) & (slots < len(self.seen))
        out = np.where(inside, self.seen[np.clip(slots, 0, len(self.seen) - 1)], -1)
        return out.astype(np.int8)

    def known_at(self, slots: Reals, end: int) -> NDArray[np.int8]:
        """The same, but 0 before the recording, between two slots, and `end` slots after it."""
        whole = np.floor(slots).astype(np.int64)
        unknown = (whole >= len(self.seen) + end) | (whole < 0) | (slots != whole)
        return np.where(unknown, 0, self.at(whole)).astype(np.int8)

    def times(self, slots: NDArray[Any]) -> Reals:
        """When slots passed, by the notes nearest to them."""
        return times_of(slots, self.slot_s)

    def tone_at(self, slots: NDArray[np.int64]) -> NDArray[np.int16]:
        """The pitches heard in slots."""
        inside = (slots >= 0) & (slots < len(self.tone))
        out = np.where(inside, self.tone[np.clip(slots, 0, len(self.tone) - 1)], -1)
        return out.astype(np.int16)


@dataclass(frozen=True, eq=False)
class Observed:
    """What was seen of a reading.

    Attributes
    ----------
    kind : str
        "log" or "midi".
    bits : ndarray of int8, shape (rows, positions)
        What the machine read, at the places to which it put the bits; -1 for unknown.
    time_s : ndarray, shape (rows, positions)
        When each was read; nan where it was not.
    under : ndarray of int8, shape (rows, positions + 3)
        What passed the detector from each row's start on, position by position, whatever the clock
        channel shows; -1 for unknown.
    beat_slot, beat_s : ndarray
        Moments at which a position was seen to pass: which, and when.
    alignment : Alignment
    clock : PulseClock or None
    extra_s : ndarray
        When a pulse or note came between two positions.
    told : float
        Share of the bits that this kind of recording shows at all.
    under_pitch : ndarray of int16, shape (rows, positions + 3), or None
        The pitches that came with `under`; -1 for none.
    span : ndarray of float64, shape (rows, 2), or None
        The first and the last slot that were read of each row, from its start; 0 and
        positions - 1 if None.
    heard : NotesBySlot or None
        A MIDI file's notes by slots.
    timing : TimingModel or None
        When slots passed, if the notes follow a steady one.
    loose : Alignment or None
        The alignment by the notes alone, if `alignment` also relies on the player's counting,
        which may be wrong.
    stage : StagePath or None
        How the stage moved, if a log shows all rows.
    offsets : RowOffsets or None
        How far beside its rows the detector stood, if a log's bits are not all right.
    followed : bool
        Whether the notes were placed by the score, or readings by the detector's path.
    delivery : Delivery or None
        What became of the notes that were due, if they could be told.
    remarks : tuple of str
        What else the user should know.
    """

    kind: str
    bits: NDArray[np.int8]
    time_s: Reals
    under: NDArray[np.int8]
    beat_slot: NDArray[np.int64]
    beat_s: Reals
    slot_s: Reals
    alignment: Alignment
    told: float
    clock: PulseClock | None = None
    levels: Levels | None = None
    wire: Wire | None = None
    extra_s: Reals = field(default_factory=lambda: np.zeros(0))
    under_pitch: NDArray[np.int16] | None = None
    span: Reals | None = None
    heard: NotesBySlot | None = None
    timing: TimingModel | None = None
    loose: Alignment | None = None
    stage: StagePath | None = None
    offsets: RowOffsets | None = None
    followed: bool = False
    delivery: Delivery | None = None
    remarks: tuple[str, ...] = ()
