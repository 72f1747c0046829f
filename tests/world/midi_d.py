"""MIDI takes of generator d: what a recorder on the player's MIDI output wrote.

The player sends the notes of the bits that it reads at the moments at which they pass, through a
serial line of 31,250 bit/s (MIDI 1.0 Detailed Specification: ten bits a byte, so 0.32 ms) to a
recorder with ticks of its own.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sonify
from sonify.disc.disc import Disc
from sonify.presets import shipped
from tests.world.drive_d import Rng
from tests.world.plant_d import Bits, Machine, Run

BYTE_S = 10 / 31_250
MIDI_FAULTS = ("midi-lost-note-offs", "midi-lost-notes", "midi-rows-missing", "midi-late")
ALSO_IN_MIDI = {
    "rows-swapped", "stage-early", "stage-late", "stage-missed-step", "slow-stage", "data-dead",
    "motor-off-speed", "motor-drift", "blocked-hole", "extra-hole", "wrong-setting", "disc-other",
}  # fmt: skip
"""Faults of the machine that notes and their times show."""

Events = list[tuple[float, NDArray[np.uint8]]]


def preset(rng: Rng) -> str:
    """Any preset for music that ships."""
    return str(rng.choice([s.name for s in shipped() if s.kind == "music"]))


def _played(m: Machine, r: Run, read: Bits, settings: dict[str, Any], name: str) -> Events:
    """The messages that the player sends, by the moments at which it does, in s."""
    d = m.disc
    heard = Disc.from_bits(read, code=d.code, layout=d.layout, geometry=d.geometry)
    index = "index" if m.stage.on_index else "next-position"
    show = sonify.perform(heard, [name], {**settings, "player.row-start": index})
    n = d.positions
    # from the count of positions in the profile's timeline to that of the real disc
    slots = (show.timeline.row_slot[:, None] + np.arange(n + 1)).astype(float).ravel()
    ends = np.interp(r.start + n, r.slot, r.time)
    times = np.column_stack([r.pass_s, ends]).ravel()
    # where a profile's row follows at once, its first position is the end of the row before
    slots, first = np.unique(slots, return_index=True)
    times = np.maximum.accumulate(times[first])
    at = show.events.tick / show.grid.step_ticks
    seconds = np.interp(at, slots, times)
    after = at > slots[-1]
    seconds[after] = times[-1] + (at[after] - slots[-1]) * m.position_s
    return list(zip(seconds.tolist(), show.events.message, strict=True))


def _size(message: NDArray[np.uint8]) -> int:
    return 2 if int(message[0]) & 0xE0 == 0xC0 else 3


def _sent(events: Events, rng: Rng) -> Events:
    """Over the line: one byte after the other, looked at once a millisecond."""
    out: Events = []
    free = -1.0
    for at, message in events:
        at = np.ceil(at * 1000) / 1000 + 0.0002 * float(rng.random())
        free = max(free, at) + _size(message) * BYTE_S
        out.append((free, message))
    return out


def _kind(message: NDArray[np.uint8]) -> int:
    """8 for a note-off, 9 for a note-on."""
    return int(message[0]) >> 4


def _partner(events: Events, on: int) -> int | None:
    """The note-off of a note-on."""
    want = int(events[on][1][0]) & 15, int(events[on][1][1])
    for k in range(on + 1, len(events)):
        message = events[k][1]
        if _kind(message) == 8 and (int(message[0]) & 15, int(message[1])) == want:
            return k
    return None


def spoil(
    events: Events, fault: str, u: float, m: Machine, r: Run, rng: Rng
) -> tuple[Events, dict[str, Any]]:
    """What a cable, an interface or a recorder does to the messages.

    Sizes: two in a hundred note-offs or notes lost (one a minute in a lively piece: noticed) to six
    in ten; one row to all but the first missing; 40 ms late, where a note sounds late beside others
    (common practice), to a second.
    """
    ons = [k for k, (_, e) in enumerate(events) if _kind(e) == 9]
    offs = [k for k, (_, e) in enumerate(events) if _kind(e) == 8]
    share = 0.02 * 30**u
    if fault == "midi-lost-note-offs":
        some = set(rng.choice(offs, max(1, round(share * len(offs))), replace=False).tolist())
        return [e for k, e in enumerate(events) if k not in some], {"lost": len(some)}
    if fault == "midi-lost-notes":
        some = set(rng.choice(ons, max(2, round(share * len(ons))), replace=False).tolist())
        count = len(some)
        if rng.random() < 0.5:
            # a filter that drops whole notes, not single messages
            some |= {p for k in list(some) if (p := _partner(events, k)) is not None}
        return [e for k, e in enumerate(events) if k not in some], {"lost": count}
    if fault == "midi-rows-missing":
        rows = m.disc.rows
        missing = max(1, round(u * (rows - 1)))
        stop = float(r.pass_s[rows - missing, 0]) - 0.2 * m.position_s
        if rng.random() < 0.3 and rows - missing > 1:
            stop -= float(rng.uniform(0.1, 0.9)) * m.disc.positions * m.position_s
        kept = [e for e in events if e[0] < stop or (_kind(e[1]) == 8 and e[0] < stop + 0.01)]
        return kept, {"rows": missing}
    late = 0.04 * 25**u
    if rng.random() < 0.5:
        # an interface hands on what it has once in a while
        period = 2 * late
        moved = [(np.ceil(t / period) * period, e) for t, e in events]
        how = "bursts"
    else:
        # a busy computer: some wait, and none overtakes another
        waits = (
            late
            * (rng.random(len(events)) < rng.uniform(0.1, 0.5))
            * rng.exponential(1.0, len(events)).clip(0, 2)
        )
        times = np.maximum.accumulate(np.array([t for t, _ in events]) + waits)
        moved = [(float(t), e) for t, (_, e) in zip(times, events, strict=True)]
        how = "waits"
    return [(float(t), e) for t, e in moved], {"s": late, "how": how}


def _written(events: Events, begin: float, rng: Rng) -> bytes:
    """A file of format 0 or 1 with ticks of 0.5 to 3 ms; time runs from when the recorder began."""
    import mido

    ppq = int(rng.choice([96, 192, 384, 480, 960]))
    bpm = float(rng.choice([90, 100, 120, 120, 125, 140]))
    tempo = mido.bpm2tempo(bpm)
    per_s = ppq * 1e6 / tempo
    if ppq < 480 and per_s < 330:
        ppq *= 4
        per_s *= 4
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=tempo)])
    zero_offs = rng.random() < 0.3
    last = 0
    for at, message in events:
        tick = max(last, round((at - begin) * per_s))
        data = [int(b) for b in message[: _size(message)]]
        if zero_offs and data[0] >> 4 == 8:
            data = [0x90 | (data[0] & 15), data[1], 0]
        track.append(mido.Message.from_bytes(data, time=tick - last))
        last = tick
    track.append(mido.MetaMessage("end_of_track", time=int(rng.uniform(0.1, 2) * per_s)))
    file = mido.MidiFile(type=int(rng.integers(2)), ticks_per_beat=ppq, tracks=[track])
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def notes_of(events: Events) -> list[tuple[int, int, int]]:
    """Channel, key and velocity of each note, in order."""
    return [tuple(int(b) for b in e) for _, e in events if _kind(e) == 9]  # type: ignore[misc]


def take(
    m: Machine, r: Run, read: Bits, settings: dict[str, Any], fault: str, u: float, rng: Rng,
    sound: tuple[Machine, Run],
) -> tuple[bytes, bytes, str, dict[str, Any]] | None:  # fmt: skip
    """A file, that of the sound machine, the preset and what was done; None if no ear could tell
    the two apart."""
    name = preset(rng)
    settings |= {"music.timing": "player"}
    dotted = {k if "." in k else f"player.{k}": v for k, v in settings.items()}
    events = _played(m, r, read, dotted, name)
    designed = _played(*sound, m.disc.grid, dotted, name)
    where: dict[str, Any] = {}
    timed = fault.startswith("motor") or (fault == "slow-stage" and m.stage.waits)
    if fault in ALSO_IN_MIDI and not timed and notes_of(designed) == notes_of(events):
        return None
    if len(notes_of(designed)) < 8:
        return None
    if fault in MIDI_FAULTS:
        events, where = spoil(events, fault, u, m, r, rng)
        if fault == "midi-rows-missing" and len(notes_of(designed)) - len(notes_of(events)) < 3:
            return None
    begin = min(float(r.time[0]), events[0][0])
    seed = int(rng.integers(1 << 62))
    file, before = (
        _written(_sent(e, np.random.default_rng(seed)), begin, np.random.default_rng(seed))
        for e in (events, designed)
    )
    return file, before, name, where
