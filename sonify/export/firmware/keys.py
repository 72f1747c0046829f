"""Keys and channels of tones: one channel per voice, or one for each of its bends."""

from __future__ import annotations

from dataclasses import dataclass, field

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
_CHANNELS_FREE = 15


@dataclass(frozen=True, eq=False)
class Keys:
    """A voice's table of tones as the core takes it, in the shape of its pitches.

    `table` has MIDI notes, or numbers of sounds if tones choose their channel. `led` is the lowest
    and the highest of them if tones are led.
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
    """

    keys: list[Keys]
    pairs: list[tuple[int, int]]
    bends: dict[int, int]
    channels: list[tuple[int, ...]]
    bend_channels: list[dict[int, int]] = field(default_factory=list)

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
        Tones that are led and need more than one bend; too many different tones.
    """
    shift = concert_shift(music.concert_pitch)
    several = any(e is not None and len(e.channels) > 1 for e in allocations)
    pairs: dict[tuple[int, int], int] = {}
    bends: dict[int, int] = {}
    keys = []
    for n, ((name, t), each) in enumerate(zip(voices, allocations, strict=True)):
        drum = music.voice[n].drum is not None
        pitch = t.pitch if drum or not shift else np.clip(t.pitch + shift, 0.0, 127.0)
        channel_of = {} if each is None else dict(zip(each.bends, each.channels, strict=True))
        bends |= {channel: BEND_CENTRE + bend for bend, channel in channel_of.items() if bend}
        if t.led is not None and each and (len(each.bends) > 1 or period != round(period)):
            raise Refusal(
                f"music.voice[{n}].pitch of '{name}': tones of several bends that are led "
                'from one to the next: the core leads in whole semitones (use leading = "free")'
            )
        key, bend = bend_of(pitch)
        table: NDArray[np.integer] = key
        led = None
        if t.led is not None:
            low, high = (round(bound + shift) for bound in t.led)
            led = max(0, low), min(127, high)
        if several and led is not None:
            # all keys of its range in order, so that leading works on numbers of sounds too
            first = len(pairs)
            pairs |= {(k, -1 - n): first + k - led[0] for k in range(led[0], led[1] + 1)}
            table = key.astype(np.int64) - led[0] + first
            led = first, first + led[1] - led[0]
        elif several:
            both = zip(key.reshape(-1).tolist(), bend.reshape(-1).tolist(), strict=True)
            sounds = [(k, channel_of.get(b, channels[n])) for k, b in both]
            numbers = [pairs.setdefault(sound, len(pairs)) for sound in sounds]
            table = np.array(numbers).reshape(key.shape)
        if len(pairs) > MOST_SOUNDS:
            raise Refusal(
                f"more than {MOST_SOUNDS} tones of different bends in all voices (use fewer)"
            )
        keys.append(Keys(table.astype(np.uint8), led))
    own = [(k, c if c >= 0 else channels[-1 - c]) for k, c in pairs]
    chans = [(c,) if e is None else e.channels for c, e in zip(channels, allocations, strict=True)]
    by_bend = [
        {} if e is None else dict(zip(e.bends, e.channels, strict=True)) for e in allocations
    ]
    return Sounds(keys, own, bends, chans, by_bend)
