"""Notes and controls as a program that records or edits MIDI holds them, and the bytes of a file.

The file's bytes are mido's, by Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association).
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import mido
import numpy as np
from numpy.typing import NDArray

from sonify.performance import Performance

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Song:
    """Notes sorted by onset, and all else. Times in whatever unit the maker counts."""

    on: Reals
    off: Reals
    channel: Ints
    key: Ints
    velocity: Ints
    voice: Ints
    row: Ints
    position: Ints
    control_at: Reals
    controls: list[bytes]
    control_voice: Ints
    ended: NDArray[np.bool_]
    """Whether a note's end is in the file."""

    def keep(self, which: NDArray[np.bool_] | Ints) -> Song:
        """Only some of the notes."""
        some = {
            name: getattr(self, name)[which]
            for name in (
                "on",
                "off",
                "channel",
                "key",
                "velocity",
                "voice",
                "row",
                "position",
                "ended",
            )
        }
        return replace(self, **some)

    def at(self, on: Reals, off: Reals) -> Song:
        """Other times, in order; a note ends before its key sounds again on its channel."""
        off = np.maximum(off, on + 1e-9)
        order = np.argsort(on, kind="stable")
        out = replace(self.keep(order), on=on[order], off=off[order])
        ends = out.off.copy()
        for one in np.unique(out.channel * 128 + out.key):
            same = np.flatnonzero(out.channel * 128 + out.key == one)
            ends[same[:-1]] = np.minimum(ends[same[:-1]], out.on[same[1:]])
        return replace(out, off=ends)


def song(show: Performance) -> Song:
    """The event table of a performance, in ticks, with the place that each note tells of."""
    events = show.events
    ons, offs = events.ons, events.offs
    notes = show.notes
    # the table of notes and that of events each in the order of onset, channel and key
    by_event = np.lexsort((events.message[ons, 1], events.channel[ons], events.tick[ons]))
    by_note = np.lexsort(
        (np.round(notes["pitch"]), notes["channel"], np.round(notes["onset_s"] / show.tick_s))
    )
    row, position = np.zeros(len(ons), np.int64), np.zeros(len(ons), np.int64)
    row[by_event], position[by_event] = notes["row"][by_note], notes["position"][by_note]
    controls = events.controls
    width = np.where((events.message[controls, 0] & 0xE0) == 0xC0, 2, 3)
    return Song(
        on=events.tick[ons].astype(float),
        off=events.tick[offs].astype(float),
        channel=events.channel[ons].astype(np.int64),
        key=events.message[ons, 1].astype(np.int64),
        velocity=events.message[ons, 2].astype(np.int64),
        voice=events.track[ons].astype(np.int64),
        row=row,
        position=position,
        control_at=events.tick[controls].astype(float),
        controls=[bytes(m[:w]) for m, w in zip(events.message[controls], width, strict=True)],
        control_voice=events.track[controls].astype(np.int64),
        ended=np.ones(len(ons), np.bool_),
    )


def file(
    made: Song,
    tempos: list[tuple[int, int]],
    per_quarter: int,
    form: int,
    names: dict[int, str] | None = None,
    zero_ends: bool = False,
    end: int = 0,
) -> bytes:
    """A Standard MIDI File; the song's times are ticks, its voices the tracks."""
    out = mido.MidiFile(type=form, ticks_per_beat=per_quarter)
    heads = [(t, 0, mido.MetaMessage("set_tempo", tempo=v)) for t, v in tempos]
    tables: dict[int, list[tuple[int, int, mido.Message | mido.MetaMessage]]] = {}
    for t, data, voice in zip(made.control_at, made.controls, made.control_voice, strict=True):
        tables.setdefault(int(voice), []).append((round(t), 1, mido.Message.from_bytes(data)))
    columns = (made.on, made.off, made.channel, made.key, made.velocity, made.voice, made.ended)
    for on, off, channel, key, velocity, voice, ended in zip(*columns, strict=True):
        table = tables.setdefault(int(voice), [])
        start, stop = round(on), max(round(off), round(on) + 1)
        sound = {"channel": int(channel), "note": int(key)}
        table.append((start, 3, mido.Message("note_on", velocity=int(velocity), **sound)))
        if not ended:
            continue
        silent = mido.Message("note_on", velocity=0, **sound)
        table.append((stop, 0, silent if zero_ends else mido.Message("note_off", **sound)))
    if form == 0:
        everything = heads + [e for voice in sorted(tables) for e in tables[voice]]
        out.tracks.append(_track(everything, end, None))
    else:
        out.tracks.append(_track(heads, end, None))
        for voice in sorted(tables):
            out.tracks.append(_track(tables[voice], end, (names or {}).get(voice)))
    data = io.BytesIO()
    out.save(file=data)
    return data.getvalue()


def _track(
    table: list[tuple[int, int, mido.Message | mido.MetaMessage]], end: int, name: str | None
) -> mido.MidiTrack:
    out = mido.MidiTrack()
    if name is not None:
        out.append(mido.MetaMessage("track_name", name=name))
    before = 0
    for t, _, message in sorted(table, key=lambda e: (max(0, e[0]), e[1])):
        t = max(0, t)
        out.append(message.copy(time=t - before))
        before = t
    out.append(mido.MetaMessage("end_of_track", time=max(0, end - before)))
    return out
