"""Recordings of a player's notes: what a DAW's MIDI track holds after a reading.

The player plays each bit that it reads as a note, at the moment when it reads it. Its notes are
those of `sonify.perform` for the bits that were read, moved to the real times. The recorder counts
960 ticks a quarter note at a tempo of its own (common practice, no source). Losses: a MIDI cable
or an overflowing buffer loses whole messages, note-ons and note-offs alike (MIDI 1.0 has no
acknowledgement); a note-off that is lost leaves the note sounding to its next note-on or the end.
Late notes: a busy player sends its messages late, by up to a few hundred ms, and in their order.
"""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING

import mido
import numpy as np

import sonify
from sonify import Disc
from tests.world.plant_a import Trace

if TYPE_CHECKING:
    from tests.world.machine_a import Take

MIDI_FAULTS = ("midi-lost-note-offs", "midi-lost-notes", "midi-rows-missing", "midi-late")
SHOWN = frozenset(
    (
        "rows-swapped",
        "stage-missed-step",
        "data-dead",
        "data-stuck",
        "blocked-hole",
        "extra-hole",
        "motor-off-speed",
        "motor-drift",
        "disc-other",
    )
)
"""Faults that notes show."""

Message = tuple[float, int, int, int]  # s, key, velocity (0 is off), channel


def _messages(take: Take, rpm: float, row_time: np.ndarray | None) -> list[Message]:
    """The messages of the reading, each at its real time."""
    disc = take.disc
    heard = Disc.from_bits(
        take.grid_read, code=disc.code, layout=disc.layout, geometry=disc.geometry
    )
    settings = {**take.settings, "player.rpm": rpm}
    show = sonify.perform(heard, settings=settings)
    notes = show.notes
    onset = notes["onset_s"].astype(float)
    if row_time is not None:
        position_s = 60 / (rpm * disc.positions)
        nominal = np.full(disc.rows, np.inf)
        np.minimum.at(nominal, show.reading["row"], show.reading["time_s"])
        # piecewise: each row's start as it really was, within the row at the row's own speed
        ends = np.append(row_time[1:], row_time[-1] + (row_time[-1] - row_time[-2]))
        nominal_ends = np.append(nominal[1:], nominal[-1] + (nominal[-1] - nominal[-2]))
        own = (ends - row_time) / np.maximum(nominal_ends - nominal, position_s)
        row = notes["row"]
        onset = row_time[row] - row_time[0] + (onset - nominal[row]) * own[row]
    out: list[Message] = []
    for n, at in zip(notes, onset, strict=True):
        key, channel = round(float(n["pitch"])), int(n["channel"])
        out.append((float(at), key, int(n["velocity"]), channel))
        out.append((float(at + n["duration_s"]), key, 0, channel))
    return sorted(out, key=lambda m: (m[0], m[2] > 0))


def to_midi(messages: list[Message], bpm: float = 120.0, ticks: int = 960) -> bytes:
    """A MIDI file of one track, in the order of time."""
    file = mido.MidiFile(ticks_per_beat=ticks, type=0)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm)))
    now = 0
    for at, key, velocity, channel in messages:
        tick = max(now, round(at * bpm / 60 * ticks))
        track.append(
            mido.Message(
                "note_on" if velocity else "note_off",
                note=key,
                velocity=velocity or 64,
                channel=channel,
                time=tick - now,
            )
        )
        now = tick
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def record(take: Take, rpm: float, trace: Trace, rng: np.random.Generator) -> dict[str, bytes]:
    """The notes of a take as recorded, without a loss."""
    messages = _messages(take, rpm, trace.row_time)
    lead = float(rng.uniform(0, 3))
    moved = [(at + lead, *rest) for at, *rest in messages]
    return {"take.mid": to_midi(moved, float(rng.integers(70, 160)))}  # type: ignore[arg-type]


def faulty(take: Take, fault: str, rng: np.random.Generator) -> Take:
    """A recording whose MIDI side has a fault; the player itself is sound."""
    rpm = float(take.conditions["rpm"])  # type: ignore[arg-type]
    messages = _messages(take, rpm, np.asarray(take.conditions["row_time"]))
    read = np.array(take.grid_read)
    severity = float(rng.random())
    where: dict[str, object]
    if fault in ("midi-lost-note-offs", "midi-lost-notes"):
        share = 0.02 * 20**severity
        ons = [i for i, m in enumerate(messages) if bool(m[2]) == (fault == "midi-lost-notes")]
        count = max(1, round(share * len(ons)))
        lost = {int(i) for i in rng.choice(ons, min(count, len(ons)), replace=False)}
        messages = [m for i, m in enumerate(messages) if i not in lost]
        where = {"row": None, "position": None, "size": count, "unit": "messages"}
        read = np.full_like(read, -1) if fault == "midi-lost-notes" else read
    elif fault == "midi-rows-missing":
        rows = take.disc.rows
        kept = int(rng.integers(1, rows))
        row_time = np.asarray(take.conditions["row_time"])
        end = row_time[kept] - row_time[0] - 1e-4
        messages = [m for m in messages if m[0] < end]
        read[kept:] = -1
        where = {"row": kept, "position": 0, "size": rows - kept, "unit": "rows"}
    else:
        size = 0.06 * 8**severity
        times = np.array([m[0] for m in messages]) + size * rng.random(len(messages)) ** 2
        times = np.maximum.accumulate(times)
        messages = [(float(t), *m[1:]) for t, m in zip(times, messages, strict=True)]  # type: ignore[misc]
        where = {"row": None, "position": None, "size": 1000 * size, "unit": "ms"}
    conditions = {**take.conditions, "kind": "midi", "bits_certain": fault == "midi-rows-missing"}
    return replace(
        take,
        files={"take.mid": to_midi(messages, float(rng.integers(70, 160)))},
        faults=(fault,),
        where=where,
        grid_read=read,
        conditions=conditions,
        threshold=None,
    )
