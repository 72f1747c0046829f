"""A player's MIDI output, recorded: notes by the machine's own motor, a loop that sends them, a
wire of 31,250 baud that carries one byte after the other, and a recorder that counts ticks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sonify.performance import perform
from tests.world.motion_g import turning
from tests.world.plan_g import Machine, dice

PRESETS = (
    "alpine-harp", "bell-tower", "choir-mist", "glass-rain", "hut-band", "kalimba-path",
    "koto-pond", "larch-marimba", "music-box", "organ-loft", "ridge-run", "slow-snow",
    "snow-plough", "string-weather", "telegraph", "tide-piano", "tin-roof",
)  # fmt: skip
"""Presets whose notes need no bends."""

BYTE_S = 10 / 31_250
"""A byte on the wire: ten bits at 31,250 baud (MIDI 1.0 Detailed Specification)."""


@dataclass(frozen=True)
class WireFaults:
    """What goes wrong between the player and the recording."""

    offs: float = 0.0  # share of the note-offs that are lost
    notes: float = 0.0  # share of the notes that are lost
    rows: tuple[int, ...] = ()  # rows that are not in the recording
    busy: float = 0.0  # positions for which the wire carries something else
    often: float = 0.0  # share of the time in which it does


@dataclass(frozen=True)
class Message:
    """A message on the wire: when it has arrived in s, its bytes, and the note it belongs to."""

    time: float
    data: tuple[int, int, int]
    note: int
    row: int


def preset_of(m: Machine) -> str:
    return str(dice(m.seed, "music").choice(PRESETS))


def settings_of(m: Machine) -> dict[str, Any]:
    """The profile, and music in the machine's own time."""
    kept = {k: v for k, v in m.profile.items() if k not in ("sample-at", "sample-width", "delay")}
    return {**kept, "music.timing": "player"}


def sent(m: Machine) -> list[Message]:
    """What the player wants to send, in its own time. Its firmware counts the clock row, so that
    the stage's moves take whole positions and notes follow the motor."""
    rng = dice(m.seed, "player")
    settings = {k if "." in k else f"player.{k}": v for k, v in settings_of(m).items()}
    show = perform(m.disc, presets=[preset_of(m)], settings=settings)
    notes, slot = show.notes, m.slot_s
    begin = notes["onset_s"] / slot
    end = begin + notes["duration_s"] / slot
    calm = replace(m, motor={**m.motor, "from-rest": False})
    motor = turning(calm, float(end.max()) + 2 * m.disc.positions + m.lead * m.disc.positions, 1, 0)
    zero = motor.when(0.0)
    loop = float(rng.uniform(0, 0.003))
    late = rng.uniform(0, 1, (2, len(notes))) * loop
    on, off = motor.when(begin) - zero + late[0], motor.when(end) - zero + late[1]
    off = np.maximum(off, on + 0.002)
    # a key that sounds is let go before it is struck again
    held: dict[tuple[int, float], int] = {}
    for k in np.argsort(on, kind="stable").tolist():
        head = int(notes["channel"][k]), float(notes["pitch"][k])
        if head in held:
            off[held[head]] = min(off[held[head]], on[k])
        held[head] = k
    out = []
    for k, (a, b) in enumerate(zip(on.tolist(), off.tolist(), strict=True)):
        note = notes[k]
        channel, key = int(note["channel"]), round(float(note["pitch"]))
        row = int(note["row"])
        out.append(Message(a, (0x90 | channel, key, int(note["velocity"])), k, row))
        out.append(Message(b, (0x80 | channel, key, 64), k, row))
    # what ends goes before what begins
    return sorted(out, key=lambda e: (round(e.time, 4), e.data[0] & 0x10))


def carried(
    m: Machine, messages: list[Message], f: WireFaults
) -> tuple[list[Message], list[float]]:
    """The messages as they leave the wire, and by how much each is late, in s. Bytes wait for the
    wire; another sender's dumps take it for a while."""
    rng = dice(m.seed, "wire")
    dumps: deque[tuple[float, float]] = deque()
    if f.busy:
        long, end, at = f.busy * m.slot_s, messages[-1].time, 0.0
        while at < end:
            at += long / f.often * rng.uniform(0.6, 1.4)
            dumps.append((at, long * rng.uniform(0.7, 1.3)))
    lost_off = set(_picked(dice(m.seed, "bytes"), len(messages) // 2, f.offs))
    lost = set(_picked(dice(m.seed, "plug"), len(messages) // 2, f.notes))
    free, status, out, late = 0.0, 0, [], []
    for e in messages:
        while dumps and dumps[0][0] <= max(e.time, free):
            at, takes = dumps.popleft()
            free = max(free, at) + takes
            status = 0
        bytes_ = 2 if e.data[0] == status else 3
        status = e.data[0]
        free = max(free, e.time) + bytes_ * BYTE_S
        off = e.data[0] < 0x90
        if (off and e.note in lost_off) or e.note in lost or e.row in f.rows:
            continue
        out.append(replace(e, time=free))
        late.append(free - e.time)
    return out, late


def _picked(rng: np.random.Generator, count: int, share: float) -> list[int]:
    many = min(count - 1, max(3, round(share * count))) if share else 0
    return [int(k) for k in rng.choice(count, many, replace=False)] if many > 0 else []


def recorded(m: Machine, messages: list[Message]) -> bytes:
    """A file of type 0 or 1 (Standard MIDI Files 1.0)."""
    rng = dice(m.seed, "sequencer")
    parts = int(rng.choice([96, 192, 240, 384, 480, 960]))
    bpm = float(rng.choice([120, 120, 120, 100, 96, 140, 132.5]))
    before = float(rng.uniform(0.1, 4)) if rng.random() < 0.7 else 0.0
    tempo = round(60e6 / bpm)
    per_s = parts * 1e6 / tempo
    zero = messages[0].time if not before else 0.0
    running, as_zero = rng.random() < 0.5, rng.random() < 0.35
    body, now, status = bytearray(), 0, 0
    if rng.random() < 0.4:
        for channel in sorted({e.data[0] & 15 for e in messages}):
            body += bytes([0, 0xC0 | channel, int(rng.integers(128))])
    for e in messages:
        tick = round((e.time - zero + before) * per_s)
        first, key, force = e.data
        if as_zero and first < 0x90:
            first, force = first | 0x10, 0
        body += _number(max(0, tick - now))
        now = max(now, tick)
        body += bytes([key, force] if running and first == status else [first, key, force])
        status = first
    body += _number(int(rng.integers(0, 4 * parts))) + b"\xff\x2f\x00"
    start = b"\x00\xff\x51\x03" + tempo.to_bytes(3, "big")
    if rng.random() < 0.5:
        tracks = [start + bytes(body)]
    else:
        name = b"take 1"
        tracks = [start + b"\x00\xff\x2f\x00", b"\x00\xff\x03" + bytes([len(name)]) + name + body]
    out = b"MThd" + (6).to_bytes(4, "big") + (len(tracks) > 1).to_bytes(2, "big")
    out += len(tracks).to_bytes(2, "big") + parts.to_bytes(2, "big")
    return out + b"".join(b"MTrk" + len(t).to_bytes(4, "big") + t for t in tracks)


def _number(value: int) -> bytes:
    out = [value & 127]
    while value := value >> 7:
        out.append(value & 127 | 128)
    return bytes(out[::-1])
