"""MIDI recordings of a player: its notes at the times at which it read the bits.

The notes of the bits that the player read are sonify's own table of events; their times are moved
from the nominal timeline to the machine's real one, by straight lines between positions. A
computer records them on a plain track of 96 to 960 ticks a quarter at 120 quarters a minute, the
usual default of recording programs (from memory). The line carries 31,250 bits a second, 10 bits a
byte (MIDI 1.0 Detailed Specification), so a message of 3 bytes takes 0.96 ms.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from typing import Any

import mido
import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.plant_b import Plant, Run

Rng = np.random.Generator
Reals = NDArray[np.float64]
MIDI_FAULTS = ("midi-lost-note-offs", "midi-lost-notes", "midi-rows-missing", "midi-late")
MUSIC = (
    "alpine-harp", "bayati-evening", "bell-tower", "choir-mist", "clockwork", "far-signal",
    "glass-rain", "gong-terrace", "hut-band", "kalimba-path", "koto-pond", "larch-marimba",
    "music-box", "organ-loft", "overtone-horn", "ridge-run", "seven-peaks", "slow-snow",
    "snow-parade", "snow-plough", "spring-canon", "string-weather", "telegraph", "tide-piano",
    "tin-roof",
)  # fmt: skip
"""The music that ships."""
MESSAGE_S = 30 / 31_250


@dataclass(frozen=True)
class Recording:
    data: bytes
    presets: tuple[str, ...]
    where: dict[str, Any]
    ppq: int


def smf(times: Reals, messages: NDArray[np.uint8], ppq: int) -> bytes:
    """A file of one track at 120 quarters a minute."""
    ticks = np.rint(times * ppq * 2).astype(int)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500_000)])
    last = 0
    for i in np.argsort(ticks, kind="stable").tolist():
        size = 2 if messages[i, 0] & 0xE0 == 0xC0 else 3
        message = mido.Message.from_bytes(messages[i, :size].tolist(), time=int(ticks[i]) - last)
        track.append(message)
        last = int(ticks[i])
    track.append(mido.MetaMessage("end_of_track", time=ppq))
    out = io.BytesIO()
    mido.MidiFile(type=0, ticks_per_beat=ppq, tracks=[track]).save(file=out)
    return out.getvalue()


def recording(
    rng: Rng, p: Plant, r: Run, grid: NDArray[np.int8], faults: tuple[str, ...], u: float
) -> Recording:
    """What a computer records of the player's notes."""
    preset = str(rng.choice(MUSIC))
    disc = replace(p.disc, grid=np.array(grid, np.int8), given_message=None)
    settings = {
        "player.rpm": p.rpm, "player.row-start": p.row_start, "player.stage": p.stage,
        "player.settle": p.settle, "music.timing": "player",
    }  # fmt: skip
    show = sonify.perform(disc, presets=[preset], settings=settings)
    events = show.events
    nominal = np.sort(show.reading["time_s"])
    real = np.sort(r.sampled.reshape(-1))
    ends = (
        np.array([-100.0, *nominal, nominal[-1] + 100]),
        np.concatenate(([real[0] - 100 - nominal[0]], real, [real[-1] + 100])),
    )
    times = np.interp(events.time_s, *ends)
    times = np.where(events.time_s < 1e-9, np.minimum(times, real[0]), times)
    keep = np.ones(len(times), bool)
    ons, offs = events.ons, events.offs
    where: dict[str, Any] = {}
    if "midi-lost-note-offs" in faults:
        lost = rng.random(len(offs)) < 0.02 + 0.4 * u
        lost[rng.integers(len(offs))] = True
        keep[offs[lost]] = False
        where = {"size": int(lost.sum()), "unit": "note-offs"}
    if "midi-lost-notes" in faults:
        lost = rng.random(len(ons)) < 0.03 + 0.35 * u
        lost[rng.integers(len(ons))] = True
        keep[ons[lost]] = keep[offs[lost]] = False
        where = {"size": int(lost.sum()), "unit": "notes"}
    if "midi-rows-missing" in faults:
        first = int(rng.integers(0, p.rows))
        count = 1 + int(u * rng.random() * (p.rows - first - 1))
        since = float(r.sampled[first].min()) - 0.4 * p.position_s
        after = first + count
        until = float(r.sampled[after].min()) - 0.4 * p.position_s if after < p.rows else np.inf
        gone = (times[ons] >= since) & (times[ons] < until)
        keep[ons[gone]] = keep[offs[gone]] = False
        where = {"row": first, "size": count, "unit": "rows"}
    if "midi-late" in faults:
        stalls = 2 + int(u * 30)
        begins = rng.uniform(times.min(), times.max(), stalls)
        lasts = rng.uniform(0.6, 1 + 6 * u, stalls) * max(p.position_s, 0.03)
        for begin, last in zip(begins, lasts, strict=True):
            stalled = (times >= begin) & (times < begin + last)
            times = np.where(stalled, begin + last, times)
        where = {"size": float(lasts.max()), "unit": "s", "count": stalls}
    # one wire: a message waits until those before it are through
    order = np.argsort(times, kind="stable")
    index = np.arange(len(times))
    times[order] = np.maximum.accumulate(times[order] - index * MESSAGE_S) + index * MESSAGE_S
    times = times[keep] - min(float(times[keep].min()), real[0]) + float(rng.uniform(0, 3))
    ppq = int(rng.choice([96, 192, 240, 480, 960]))
    return Recording(smf(times, events.message[keep], ppq), (preset,), where, ppq)
