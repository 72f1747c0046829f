"""How pitches between the keys are sent: bends by channel, on one channel, MPE, or retuned keys.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): registered parameters 0
(pitch bend sensitivity), 3 and 4 (tuning program and bank), and the MIDI Tuning Standard's real
time single note tuning change; MIDI Polyphonic Expression 1.1 (MIDI Manufacturers Association,
2022): zones, the configuration message (registered parameter 6 on a zone's manager channel, with
the number of its member channels) and the bend range of 48 semitones on member channels.
"""

from __future__ import annotations

import heapq
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.midi.bends import Sounding, Tuned, bend_of, bent, need_of
from sonify.midi.channels import (
    BEND_CENTRE,
    BEND_RANGE,
    CHANNELS,
    DRUM_CHANNEL,
    bend_message,
    bend_range,
    registered,
)

__all__ = ["bend_as_read", "closing", "opening", "takes_programs", "tuned_as"]

_MPE_RANGE = 48
_CONFIGURATION, _TUNING_PROGRAM, _TUNING_BANK = 6, 3, 4
_MOST_KEYS = 127
"""The most keys that one tuning message can change: their number has seven bits."""

Ints = NDArray[np.int64]


def tuned_as(output: str, voices: list[Sounding]) -> list[Tuned | None]:
    """Channels, keys and bends for all voices; None for one that needs nothing.

    Parameters
    ----------
    output : str
        "bends", "one-channel", "mpe" or "mts".
    voices : list of Sounding

    Raises
    ------
    InputError
        What can't be played in this way, and in which voice.
    """
    if output == "one-channel":
        return [_on_one_channel(s) for s in voices]
    if output == "mpe":
        return _in_zones(voices)
    if output == "mts":
        return _retuned(voices)
    return bent(voices)


def opening(tuned: Tuned, channel: int) -> list[bytes]:
    """The messages that set up the tuning of a voice's channel."""
    if tuned.way == "mts":
        return [*tuned.messages, *registered(channel, _TUNING_BANK, 0),
                *registered(channel, _TUNING_PROGRAM, tuned.program)]  # fmt: skip
    if tuned.way != "mpe":
        return bend_range(channel)
    if channel != tuned.channels[0]:
        return bend_range(channel, _MPE_RANGE)
    return [*registered(channel, _CONFIGURATION, len(tuned.channels) - 1), *bend_range(channel)]


def closing(tuned: Tuned, channel: int) -> list[bytes]:
    """The messages that leave a voice's channel as it was."""
    if tuned.way == "mts":
        return registered(channel, _TUNING_PROGRAM, 0)
    if tuned.way != "mpe":
        return [bend_message(channel)]
    if channel == tuned.channels[0]:
        return registered(channel, _CONFIGURATION, 0)
    return [bend_message(channel), *bend_range(channel)]


def takes_programs(tuned: Tuned | None, channel: int) -> bool:
    """Whether programs and the mixer are set on a voice's channel: in MPE, on the manager only."""
    return tuned is None or tuned.way != "mpe" or channel == tuned.channels[0]


def _on_one_channel(s: Sounding) -> Tuned | None:
    if s.drum or not len(s.on):
        return None
    need = need_of(s)
    if not any(need.bends):
        return None
    if need.least > 1:
        raise InputError(
            f"voice '{s.name}' has differently bent notes sounding together, which one channel "
            "can't bend; shorten its notes, or use bends, mpe or mts",
            place="music.tuning-output",
        )
    channel = np.full(len(s.on), s.channel, np.uint8)
    return Tuned(channel, need.key, need.bend.astype(np.int16), (s.channel,), "one-channel")


def _in_zones(voices: list[Sounding]) -> list[Tuned | None]:
    """A zone for each voice with pitches: the lower one from channel 1, the upper one from 16.

    They leave out channel 10, which General MIDI instruments keep for drums, unless a single voice
    needs more channels and there are no drums.
    """
    pitched = [s for s in voices if not s.drum]
    drums = any(s.drum for s in voices)
    if len(pitched) > 2:
        raise InputError(
            f"MPE has two zones, for two voices with pitches; this music has {len(pitched)}",
            place="music.tuning-output",
            hint="use bends or mts, or fewer voices",
        )
    zones = [(0, *range(1, DRUM_CHANNEL)), (15, *range(14, DRUM_CHANNEL, -1))]
    if len(pitched) == 1 and not drums and _most_at_once(pitched[0]) >= DRUM_CHANNEL:
        zones = [(0, *range(1, CHANNELS))]
    found = {s.number: _in_zone(s, zone) for s, zone in zip(pitched, zones, strict=False)}
    return [found.get(s.number) for s in voices]


def _most_at_once(s: Sounding) -> int:
    ended = np.searchsorted(np.sort(s.off), s.on, side="right")
    return int((np.arange(1, len(s.on) + 1) - ended).max(initial=0))


def _wheel_in_zone(pitch: NDArray[np.float64], key: NDArray[np.uint8]) -> Ints:
    return np.rint((pitch - key) * (BEND_CENTRE / _MPE_RANGE)).astype(np.int64)


def bend_as_read(output: str, pitch: NDArray[np.float64]) -> tuple[NDArray[np.uint8], Ints]:
    """Keys and bends as a reader of a file has them, for a range of two semitones."""
    key, bend = bend_of(pitch)
    if output == "mpe":
        bend = _wheel_in_zone(pitch, key) * (_MPE_RANGE // BEND_RANGE)
    return key, bend


def _in_zone(s: Sounding, zone: tuple[int, ...]) -> Tuned:
    """Each note on the member channel that has been silent longest."""
    key, _ = bend_of(s.pitch)
    bend = _wheel_in_zone(s.pitch, key).astype(np.int16)
    members = zone[1:]
    waiting = [(-1, k, c) for k, c in enumerate(members)]
    channel = np.empty(len(s.on), np.uint8)
    for n, (on, off) in enumerate(zip(s.on.tolist(), s.off.tolist(), strict=True)):
        free, k, c = heapq.heappop(waiting)
        if free > on:
            raise InputError(
                f"voice '{s.name}' has more than {len(members)} notes sounding together, as many "
                "as its MPE zone has channels; shorten its notes, or use bends or mts",
                place="music.tuning-output",
            )
        channel[n] = c
        heapq.heappush(waiting, (off, k, c))
    return Tuned(channel, key, bend, zone, "mpe")


def _retuned(voices: list[Sounding]) -> list[Tuned | None]:
    """Keys that a tuning program retunes: one for all voices of a channel."""
    out: list[Tuned | None] = [None] * len(voices)
    lots: dict[int, list[int]] = {}
    for k, s in enumerate(voices):
        if not s.drum and len(s.on):
            lots.setdefault(s.channel, []).append(k)
    program = 0
    for channel, lot in lots.items():
        pitches, where = np.unique(
            np.concatenate([np.round(voices[k].pitch, 6) for k in lot]), return_inverse=True
        )
        if (pitches == np.rint(pitches)).all():
            continue
        program += 1
        keys = _keys_near(pitches, voices[lot[0]])
        messages = _tuning_messages(program, keys, pitches)
        parts = np.split(keys[where], np.cumsum([len(voices[k].on) for k in lot])[:-1])
        for n, (k, key) in enumerate(zip(lot, parts, strict=True)):
            one = Tuned(
                np.full(len(key), channel, np.uint8), key.astype(np.uint8),
                np.zeros(len(key), np.int16), (channel,), "mts", program,
            )  # fmt: skip
            out[k] = replace(one, messages=messages if n == 0 else ())
    return out


def _keys_near(pitches: NDArray[np.float64], s: Sounding) -> Ints:
    """A key for each of rising pitches, as near to it as all can have, and rising."""
    if len(pitches) > _MOST_KEYS:
        raise InputError(
            f"voice '{s.name}' has {len(pitches)} different pitches, and there are {_MOST_KEYS} "
            "keys to retune; give it a narrower range",
            place="music.tuning-output",
        )
    place = np.arange(len(pitches))
    near = np.rint(pitches).astype(np.int64) - place
    # between the lowest rising keys that are at or above, and the highest at or below
    middle = (np.maximum.accumulate(near) + np.minimum.accumulate(near[::-1])[::-1]) // 2
    keys: Ints = np.clip(middle, 0, _MOST_KEYS - len(pitches)) + place
    return keys


def _tuning_messages(program: int, keys: Ints, pitches: NDArray[np.float64]) -> tuple[bytes, ...]:
    """Real time single note tuning changes: semitone, and 16384ths of one in two bytes."""
    parts = np.minimum(np.rint(pitches * 16384).astype(np.int64), 127 * 16384 + 16382)
    rows = [
        bytes((key, part >> 14, part >> 7 & 0x7F, part & 0x7F))
        for key, part in zip(keys.tolist(), parts.tolist(), strict=True)
    ]
    body = bytes((0xF0, 0x7F, 0x7F, 0x08, 0x02, program, len(rows)))
    return (body + b"".join(rows) + b"\xf7",)
