"""MIDI takes of generator e: built from notes, not from messages, and written byte by byte.

Standard MIDI Files 1.0: one track for each channel, running status, note-ons of velocity 0 for
note-offs, ticks per quarter or per film frame.
"""

from __future__ import annotations

from typing import Any

import numpy as np

import sonify
from sonify.disc.disc import Disc
from sonify.presets import shipped
from tests.world.motion_e import Motion
from tests.world.rig_e import Bits, Rig, Rng

LINE = ("midi-lost-note-offs", "midi-lost-notes", "midi-rows-missing", "midi-late")
IN_NOTES = {
    "rows-swapped", "stage-late", "stage-missed-step", "wrong-row-pitch", "data-dead",
    "motor-off-speed", "motor-drift", "blocked-hole", "extra-hole", "wrong-setting", "disc-other",
}  # fmt: skip
"""Faults of the machine that are also drawn as MIDI takes."""

Event = tuple[float, int, int, int]
"""When in s, channel, key, velocity; velocity 0 ends a note."""


def heard(r: Rig, m: Motion, bits: Bits, settings: dict[str, Any], preset: str) -> list[Event]:
    """Notes of the bits as they were read, at the moments at which their positions passed."""
    disc = Disc.from_bits(bits, code=r.disc.code, layout=r.disc.layout, geometry=r.disc.geometry)
    show = sonify.perform(
        disc, [preset],
        {**settings, "player.row-start": "index" if r.on_index else "next-position"},
    )  # fmt: skip
    line = show.timeline
    notes = show.notes

    def real(seconds: np.ndarray) -> np.ndarray:
        slot = seconds / line.position_s
        row = np.clip(np.searchsorted(line.row_slot, slot + 1e-6, side="right") - 1, 0, None)
        place = slot - line.row_slot[row]
        out = m.when(m.start[row] + place)
        # what falls between two rows is stretched over the real pause
        gap = np.append(np.diff(line.row_slot), 0)[row] - r.positions
        pause = np.append(np.diff(m.start), 0)[row] - r.positions
        over = (place > r.positions) & (gap > 0)
        stretched = m.start[row] + r.positions + (place - r.positions) / np.maximum(gap, 1) * pause
        late: np.ndarray = np.where(over, m.when(stretched), out)
        return late

    on, off = real(notes["onset_s"]), real(notes["onset_s"] + notes["duration_s"])
    out: list[Event] = []
    for a, b, channel, key, velocity in zip(
        on.tolist(), off.tolist(), notes["channel"].tolist(),
        np.round(notes["pitch"]).astype(int).tolist(), notes["velocity"].tolist(), strict=True,
    ):  # fmt: skip
        out.append((a, channel, key, max(1, velocity)))
        out.append((max(b, a + 0.002), channel, key, 0))
    return sorted(out, key=lambda e: (e[0], e[3] > 0))


def broken(
    events: list[Event], fault: str, u: float, r: Rig, m: Motion, rng: Rng
) -> tuple[list[Event], dict[str, Any]]:
    """The four faults of the line: 2 to 70 % of ends or notes lost, alone or in bursts; rows not
    sent; notes late by 35 ms to 0.9 s."""
    ends = [k for k, e in enumerate(events) if not e[3]]
    begins = [k for k, e in enumerate(events) if e[3]]
    if fault in LINE[:2]:
        pool = ends if fault == LINE[0] else begins
        count = max(2, round((0.02 + 0.68 * u**2) * len(pool)))
        if rng.random() < 0.4:
            # a plug that loses contact for a moment
            at = int(rng.integers(0, max(1, len(pool) - count)))
            lost = set(pool[at : at + count])
        else:
            lost = set(rng.choice(pool, min(count, len(pool)), replace=False).tolist())
        return [e for k, e in enumerate(events) if k not in lost], {"lost": len(lost)}
    if fault == "midi-rows-missing":
        missing = max(1, round(u**1.5 * (r.disc.rows - 1)))
        stop = float(m.when(m.start[-missing] - 0.4))
        kept = [e for e in events if e[0] < stop]
        sounding = {(c, k) for t, c, k, v in kept if v} - {(c, k) for t, c, k, v in kept if not v}
        return kept + [(stop, c, k, 0) for c, k in sorted(sounding)], {"rows": missing}
    late = 0.035 + 0.865 * u**2
    if rng.random() < 0.5:
        # one voice's synthesiser or one channel is slow
        channel = events[int(rng.integers(len(events)))][1]
        moved = [(t + late * (c == channel), c, k, v) for t, c, k, v in events]
        if len({e[1] for e in events}) == 1:
            # of one channel, the keys that the slow one of two synthesisers sounds
            middle = np.median([e[2] for e in events])
            moved = [(t + late * (k >= middle), c, k, v) for t, c, k, v in events]
    else:
        # a processor that is busy for a while, again and again
        period = late * float(rng.uniform(2.5, 6))
        moved = [
            (np.ceil(t / period) * period if t % period > period - late else t, c, k, v)
            for t, c, k, v in events
        ]
    return sorted(moved, key=lambda e: (e[0], e[3] > 0)), {"s": late}


def _number(value: int) -> bytes:
    """A variable-length quantity."""
    out = [value & 127]
    while value := value >> 7:
        out.append(value & 127 | 128)
    return bytes(reversed(out))


def written(events: list[Event], begin: float, choice: Rng) -> bytes:
    """Bytes of a file of format 0 or 1."""
    split = choice.random() < 0.5
    if choice.random() < 0.25:
        # 25 frames of 40 ticks: a tick is a millisecond
        division, per_s = bytes([256 - 25, 40]), 1000.0
    else:
        ppq, tempo = (
            int(choice.choice([240, 480, 960, 1920])),
            int(choice.choice([400_000, 500_000])),
        )
        division, per_s = ppq.to_bytes(2, "big"), ppq * 1e6 / tempo
    channels = sorted({e[1] for e in events})
    groups = [[c] for c in channels] if split else [channels]
    tracks = []
    for number, group in enumerate(groups):
        body = b""
        if number == 0 and division[0] < 128:
            body += b"\0\xff\x51\3" + round(ppq * 1e6 / per_s).to_bytes(3, "big")
        last, status = 0, -1
        for t, channel, key, velocity in events:
            if channel not in group:
                continue
            tick = max(last, round((t - begin) * per_s))
            body += _number(tick - last)
            if status != 0x90 | channel:
                status = 0x90 | channel
                body += bytes([status])
            body += bytes([key & 127, velocity])
            last = tick
        body += b"\0\xff\x2f\0"
        tracks.append(b"MTrk" + len(body).to_bytes(4, "big") + body)
    kind = 1 if split else 0
    head = kind.to_bytes(2, "big") + len(tracks).to_bytes(2, "big") + division
    return b"MThd" + (6).to_bytes(4, "big") + head + b"".join(tracks)


def begins(events: list[Event]) -> list[tuple[int, int]]:
    """Channel and key of each note."""
    return [e[1:3] for e in events if e[3]]


def any_preset(rng: Rng) -> str:
    """A shipped preset for music."""
    return str(rng.choice([s.name for s in shipped() if s.kind == "music"]))
