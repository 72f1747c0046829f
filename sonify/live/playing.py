"""One schedule as it plays: where it is, on which channels, and which notes it holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from sonify.live.schedule import FUZZ, Schedule, target
from sonify.midi.channels import CHANNELS, DRUM_CHANNEL, channel_setup

__all__ = ["FADES_PER_S", "Fade", "Playing", "Wire", "free_channels", "together"]

_VOLUME, _PEDAL, _RESET = 7, 64, 121

FADES_PER_S = 25
"""How often a crossfade changes the volume: own choice, below 1 kB/s for 16 channels."""

_FULL = 100
"""A channel's volume before it is set (General MIDI System Level 1 Developer Guidelines)."""


class Wire:
    """What has been sent: the notes that sound, and what each channel was last set to.

    Parameters
    ----------
    send : callable
        Takes one message.
    """

    def __init__(self, send: Callable[[bytes], None]) -> None:
        self._send = send
        self.sounding: dict[tuple[int, int], Playing] = {}
        self.used: set[int] = set()
        self._set: dict[tuple[int, ...], bytes] = {}

    def strike(self, playing: Playing, channel: int, key: int, velocity: int) -> None:
        """Start a note, and end one that sounds on its key."""
        if (channel, key) in self.sounding:
            self.release(channel, key)
        self.sounding[channel, key] = playing
        self._send(bytes((0x90 | channel, key, velocity)))

    def release(self, channel: int, key: int, data: bytes = b"") -> None:
        """End a note."""
        del self.sounding[channel, key]
        self._send(data or bytes((0x80 | channel, key, 64)))

    def set(self, data: bytes) -> None:
        """Send a program, controller or bend."""
        self._set[target(data)] = data
        self._send(data)

    def keep(self, data: bytes) -> None:
        """Send one unless its channel is set to it."""
        if self._set.get(target(data)) != data:
            self.set(data)

    def lift(self, channel: int) -> None:
        """Lift the sustain pedal, under which notes sound on that have ended."""
        if self._set.get((0xB0 | channel, _PEDAL), b"\0\0\0")[2]:
            self.set(bytes((0xB0 | channel, _PEDAL, 0)))

    def reset(self, channel: int) -> None:
        """Make a channel that was used before like a fresh one.

        Source: MIDI recommended practice RP-015: resetting all controllers leaves volume and pan.
        """
        if channel in self.used:
            self.set(bytes((0xB0 | channel, _RESET, 0)))
            for data in channel_setup(channel, program=None, volume=_FULL, pan=0.0):
                self.set(data)
        self.used.add(channel)


@dataclass(eq=False)
class Playing:
    """A schedule that plays.

    Attributes
    ----------
    schedule : Schedule
    wire : Wire
    channels : dict
        The channel that is sent for each channel of the schedule.
    origin : float
        The set's place at which the schedule's place 0 lies.
    at : int
        The next message.
    muted : set of str
        Voices that are silent.
    silent : bool
        All voices are.
    semitones : int
        By how much notes are moved; drums are not.
    gain : float
        Amplitude, 0 to 1.
    volume : dict
        What the schedule set each channel's volume to.
    """

    schedule: Schedule
    wire: Wire
    channels: dict[int, int]
    origin: float = 0.0
    at: int = 0
    muted: set[str] = field(default_factory=set)
    silent: bool = False
    semitones: int = 0
    gain: float = 1.0
    volume: dict[int, int] = field(default_factory=dict)

    @property
    def due(self) -> float:
        """The set's place of the next message; infinity after the last one."""
        place = self.schedule.place
        return self.origin + float(place[self.at]) if self.at < len(place) else math.inf

    def key_of(self, data: bytes) -> tuple[int, int]:
        """The channel and key that are sent for a note; moved keys stay within 0 to 127."""
        channel, key = self.channels[data[0] & 15], data[1]
        if channel != DRUM_CHANNEL and self.semitones:
            key += self.semitones
            while key > 127:
                key -= 12
            while key < 0:
                key += 12
        return channel, key

    def plays(self, voice: int) -> bool:
        """Whether a voice sounds."""
        return not self.silent and self.schedule.voices[voice] not in self.muted

    def step(self) -> None:
        """Send the next message."""
        data, voice = self.schedule.messages[self.at], self.schedule.voice[self.at]
        self.at += 1
        kind, channel = data[0] & 0xF0, self.channels[data[0] & 15]
        if kind == 0x90:
            if self.plays(voice):
                self.wire.strike(self, *self.key_of(data), self._loud(channel, data[2]))
        elif kind == 0x80:
            if self.wire.sounding.get(self.key_of(data)) is self:
                self.wire.release(*self.key_of(data), bytes((0x80 | channel, *self._key(data))))
        else:
            self.wire.set(self._own(data))

    def _key(self, data: bytes) -> tuple[int, int]:
        return self.key_of(data)[1], data[2]

    def _loud(self, channel: int, velocity: int) -> int:
        # on the drum channel, which pieces share, each note fades by itself
        if channel != DRUM_CHANNEL or self.gain >= 1:
            return velocity
        return max(1, round(velocity * math.sqrt(self.gain)))

    def _own(self, data: bytes) -> bytes:
        """A message on its own channel, with the volume that the gain leaves."""
        channel = self.channels[data[0] & 15]
        data = bytes((data[0] & 0xF0 | channel, *data[1:]))
        if data[0] & 0xF0 == 0xB0 and data[1] == _VOLUME:
            self.volume[channel] = data[2]
            return self._faded(channel)
        return data

    def _faded(self, channel: int) -> bytes:
        # amplitude goes with the square of the controller (General MIDI System Level 1 Developer
        # Guidelines, 40 log (volume / 127) dB; from memory)
        gain = 1.0 if channel == DRUM_CHANNEL else math.sqrt(self.gain)
        return bytes((0xB0 | channel, _VOLUME, round(self.volume.get(channel, _FULL) * gain)))

    def fade(self, gain: float) -> None:
        """Change the gain."""
        self.gain = gain
        for channel in self.channels.values():
            if channel != DRUM_CHANNEL:
                self.wire.keep(self._faded(channel))

    def begin(self, place: float) -> None:
        """Set up the channels, as they are at a place of the schedule."""
        for channel in self.channels.values():
            self.wire.reset(channel)
        # at its start, the schedule sets up the channels itself
        for data in self.schedule.setup if place > FUZZ else ():
            self.wire.set(self._own(data))
        if self.gain < 1:
            self.fade(self.gain)
        self.restore(place)

    def restore(self, place: float) -> None:
        """Set what differs from the state at a place."""
        for data in self.schedule.state(place):
            self.wire.keep(self._own(data))

    def seek(self, here: float, place: float) -> None:
        """Let the schedule's `place` come at the set's place `here`."""
        self.origin, self.at = here - place, self.schedule.index(place)

    def settle(self, place: float) -> None:
        """Sound the notes that are held at a place and no others; those that are right go on."""
        wanted = {
            self.key_of(data): data[2]
            for data, voice in self.schedule.sounding(place)
            if self.plays(voice)
        }
        drums = {(c, k) for c, k in self.held() if c == DRUM_CHANNEL and not self.silent}
        self.release(without=wanted.keys() | drums)
        for (channel, key), velocity in wanted.items():
            if self.wire.sounding.get((channel, key)) is not self:
                self.wire.strike(self, channel, key, velocity)

    def replaced(self, schedule: Schedule, here: float, taken: set[int]) -> Playing | None:
        """Another schedule of the same disc, from the same place of the same row on.

        Notes that both hold go on. None: too few channels are free beside those `taken`.
        """
        x, rows = here - self.origin, self.schedule.rows
        row = self.schedule.row_at(x)
        share = (x - rows[row]) / (rows[row + 1] - rows[row])
        place = float(schedule.rows[row] + share * (schedule.rows[row + 1] - schedule.rows[row]))
        channels = free_channels(schedule, taken)
        if channels is None:
            return None
        new = replace(self, schedule=schedule, channels=channels)
        for note in self.held():
            self.wire.sounding[note] = new
        if (schedule.setup, channels) == (self.schedule.setup, self.channels):
            new.restore(place)
        else:
            new.begin(place)
        new.seek(here, place)
        new.settle(place)
        return new

    def resume(self, here: float) -> None:
        """Set and sound what is set and held at the set's place `here`."""
        self.restore(here - self.origin)
        self.settle(here - self.origin)

    def held(self) -> list[tuple[int, int]]:
        """The channels and keys of the notes that it sounds."""
        return [note for note, by in self.wire.sounding.items() if by is self]

    def damp(self) -> None:
        """End its notes, and lift the pedals that hold them."""
        self.release()
        for channel in self.channels.values():
            self.wire.lift(channel)

    def release(self, without: Iterable[tuple[int, int]] = ()) -> None:
        """End its notes."""
        for note in self.held():
            if note not in without:
                self.wire.release(*note)


@dataclass(eq=False)
class Fade:
    """A gain on its way from 0 to 1, or from 1 to 0 if it leaves."""

    playing: Playing
    start: float
    end: float
    steps: int
    leaves: bool
    done: int = 0
    gain: float = field(init=False)

    def __post_init__(self) -> None:
        self.gain = self.playing.gain if self.leaves else 1.0

    @property
    def due(self) -> float:
        return self.start + (self.end - self.start) * (self.done + 1) / self.steps

    def step(self) -> None:
        # equal power: the squares of both gains add up to 1
        self.done += 1
        turn = math.pi / 2 * self.done / self.steps
        self.playing.fade(self.gain * (math.cos(turn) if self.leaves else math.sin(turn)))


def together(schedules: Sequence[Schedule], wire: Wire, taken: set[int]) -> list[Playing] | None:
    """Schedules on channels of their own, beside those `taken`; None: there are too few."""
    out: list[Playing] = []
    for schedule in schedules:
        channels = free_channels(schedule, taken)
        if channels is None:
            return None
        taken = taken | set(channels.values())
        out.append(Playing(schedule, wire, channels))
    return out


def free_channels(schedule: Schedule, taken: set[int]) -> dict[int, int] | None:
    """Channels for a schedule: its own where they are free; drums share one. None: too few."""
    out: dict[int, int] = {}
    free = [c for c in range(CHANNELS) if c != DRUM_CHANNEL and c not in taken]
    for c in schedule.channels:
        if c == DRUM_CHANNEL or c in free:
            out[c] = c
            if c in free:
                free.remove(c)
    for c in schedule.channels:
        if c not in out:
            if not free:
                return None
            out[c] = free.pop(0)
    return out
