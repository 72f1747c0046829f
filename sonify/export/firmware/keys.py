"""Keys and channels of tones: one channel per voice, or one for each of its bends."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.export.firmware.tones import Tones
from sonify.midi.bends import ChannelAllocation, allocate_channels, bend_of
from sonify.midi.channels import BEND_CENTRE
from sonify.music.ending import sounding_sets
from sonify.music.machine import Refusal
from sonify.music.metre import Grid
from sonify.music.notes import needs_bends
from sonify.music.settings import Music
from sonify.music.theory.tuning import concert_shift

__all__ = ["Keys", "Sounds", "allocation_of", "sounds_of"]

MOST_SOUNDS = 256
FINE = 256
"""Parts of a semitone in which the core leads tones that are bent: all pitches fit 16 bits."""
_CHANNELS_FREE = 15


@dataclass(frozen=True, eq=False)
class Keys:
    """A voice's table of tones as the core takes it, in the shape of its pitches.

    `table` has MIDI notes, or numbers of sounds if tones choose their channel. `led` is the lowest
    and the highest MIDI note, or the first and the last sound, if tones are led.
    """

    table: NDArray[np.uint8]
    led: tuple[int, int] | None = None


@dataclass(frozen=True, eq=False)
class Sounds:
    """The keys of all voices, and the sounds that they refer to.

    Attributes
    ----------
    keys : list of Keys
    pairs : list of (int, int)
        Key and channel of each sound; empty if each voice has one channel for all its tones.
    bends : dict
        The bend of each channel that is bent, 0 to 16383.
    channels : list of tuple of int
        All channels of each voice, its own first.
    bend_channels : list of dict
        The channel of each bend of each voice.
    fine : list of int
        The pitches of sounds that are led, in 256ths of a semitone, before the concert pitch.
    """

    keys: list[Keys]
    pairs: list[tuple[int, int]]
    bends: dict[int, int]
    channels: list[tuple[int, ...]]
    bend_channels: list[dict[int, int]] = field(default_factory=list)
    fine: list[int] = field(default_factory=list)

    def number(self, voice: int, pitch: float) -> int:
        """The key of a sounding pitch of a voice, or the number of its sound."""
        key, bend = (int(x[0]) for x in bend_of(np.array([pitch])))
        if not self.pairs:
            return key
        channel = self.bend_channels[voice].get(bend, self.channels[voice][0])
        if (key, channel) not in self.pairs:
            self.pairs.append((key, channel))
        if len(self.pairs) > MOST_SOUNDS:
            raise Refusal(
                f"more than {MOST_SOUNDS} tones of different bends in all voices (use fewer)"
            )
        return self.pairs.index((key, channel))


def allocation_of(
    music: Music, channels: list[int], unit_bits: int, grid: Grid
) -> list[ChannelAllocation | None]:
    """Allocate the channels that voices bend, as in the performance.

    Raises
    ------
    Refusal
        Too few channels for every bend that may come up.
    """
    if not needs_bends(music):
        return [None] * len(channels)
    pitch_sets = sounding_sets(music, unit_bits, grid)
    for voice, pitches in zip(music.voice, pitch_sets, strict=True):
        if pitches is None and voice.drum is None:
            raise Refusal(
                "tones between the keys of a pitch scheme that does not list its pitches (use "
                "row-ladder)"
            )
    allocations = allocate_channels(channels, pitch_sets)
    if allocations is not None:
        return allocations
    if len(set(channels)) < len(channels):
        raise Refusal(
            "tones between the keys on a channel that voices share: a channel bends all its notes "
            "alike (leave out the voices' `channel`)"
        )
    count = sum(max(1, len(set(bend_of(r)[1].tolist()))) for r in pitch_sets if r is not None)
    raise Refusal(
        f"tones between the keys with {count} bends: MIDI has {_CHANNELS_FREE} channels for them, "
        "and which ones a disc needs is known only at its end (use fewer voices, or a scheme or "
        "scale of fewer tones)"
    )


def sounds_of(
    music: Music,
    voices: list[tuple[str, Tones]],
    channels: list[int],
    allocations: list[ChannelAllocation | None],
    period: float,
) -> Sounds:
    """Make the tables of keys for all voices, each given as its name and tones.

    Raises
    ------
    Refusal
        Tones that can't be led exactly; too many different tones.
    """
    shift = concert_shift(music.concert_pitch)
    several = any(e is not None and len(e.channels) > 1 for e in allocations)
    # in whole semitones, tones can be led as MIDI notes
    several |= period != round(period) and any(t.led is not None for _, t in voices)
    pairs: list[tuple[int, int]] = []
    fine: list[int] = []
    bends: dict[int, int] = {}
    keys = []
    for n, ((name, t), each) in enumerate(zip(voices, allocations, strict=True)):
        by = shift if music.voice[n].drum is None else 0.0
        channel_of = {} if each is None else dict(zip(each.bends, each.channels, strict=True))
        bends |= {channel: BEND_CENTRE + bend for bend, channel in channel_of.items() if bend}
        key, bend = bend_of(np.clip(t.pitch + by, 0.0, 127.0) if by else t.pitch)
        table: NDArray[np.integer] = key
        led = None
        if t.led is not None and several:
            first = len(pairs)
            led_to, table = _led_tones(f"music.voice[{n}].pitch of '{name}'", t, period)
            table = table + first
            key, bend = bend_of(np.clip(led_to + by, 0.0, 127.0))
            both = zip(key.tolist(), bend.tolist(), strict=True)
            pairs += [(k, channel_of.get(b, channels[n])) for k, b in both]
            fine += [0] * (first - len(fine)) + _fine(led_to).tolist()
            led = first, len(pairs) - 1
        elif t.led is not None:
            low, high = (round(bound + shift) for bound in t.led)
            led = max(0, low), min(127, high)
        elif several:
            both = zip(key.reshape(-1).tolist(), bend.reshape(-1).tolist(), strict=True)
            sounds = [(k, channel_of.get(b, channels[n])) for k, b in both]
            number = {pair: k for k, pair in enumerate(pairs)}
            pairs += [pair for pair in dict.fromkeys(sounds) if pair not in number]
            number = {pair: k for k, pair in enumerate(pairs)}
            table = np.array([number[pair] for pair in sounds]).reshape(key.shape)
        if len(pairs) > MOST_SOUNDS:
            raise Refusal(
                f"more than {MOST_SOUNDS} tones of different bends in all voices (use fewer)"
            )
        keys.append(Keys(table.astype(np.uint8), led))
    chans = [(c,) if e is None else e.channels for c, e in zip(channels, allocations, strict=True)]
    by_bend = [
        {} if e is None else dict(zip(e.bends, e.channels, strict=True)) for e in allocations
    ]
    return Sounds(keys, pairs, bends, chans, by_bend, fine)


def _fine(pitch: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.rint(pitch * FINE).astype(np.int64)


def _led_tones(what: str, t: Tones, period: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """All tones to which leading can come, rising, and which of them each of the table's is.

    Raises
    ------
    Refusal
        The core would lead some of them otherwise, as it counts in 256ths of a semitone.
    """
    assert t.led is not None
    low, high = t.led
    own, at = np.unique(np.round(t.pitch, 9), return_inverse=True)
    turns = np.arange(-np.ceil(128 / period), np.ceil(128 / period) + 1)
    moved = np.add.outer(period * turns, own)
    moved = moved[(moved >= low - 1e-6) & (moved <= high + 1e-6)]
    tones = np.unique(np.round(np.concatenate([own, moved]), 9))
    which = np.searchsorted(tones, own)
    exact = _led(own, tones[:, None], period, tones[0] - 1e-6, tones[-1] + 1e-6)
    fine = _fine(tones)
    core = _led(fine[which], fine[:, None], round(period * FINE), fine[0] - 2, fine[-1] + 2)
    if (_nearest(tones, exact) != _nearest(fine, core)).any():
        raise Refusal(
            f"{what}: tones that are led by almost half an octave, which the core can't tell "
            'from just half (use leading = "free")'
        )
    return tones, which[at.reshape(t.pitch.shape)]


def _led(
    to: NDArray[Any], before: NDArray[Any], period: float, low: float, high: float
) -> NDArray[Any]:
    """Tones in the octave nearest to others, as `sonify.music.pitch.scheme.led` has it."""
    half = period // 2 if isinstance(period, int) else period / 2
    near = before + (to - before + half) % period - half
    near = np.where(near < low, near + period, near)
    near = np.where(near > high, near - period, near)
    out: NDArray[Any] = np.where(near < low, to + 0 * before, near)
    return out


def _nearest(tones: NDArray[Any], to: NDArray[Any]) -> NDArray[np.int64]:
    """The first of the tones that are nearest to each."""
    found: NDArray[np.int64] = np.abs(to[..., None] - tones).argmin(-1)
    return found
