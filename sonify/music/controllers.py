"""Controllers that move with the music: from the bits, over rows, or over the piece.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): the numbers of controllers
and channel pressure; General MIDI 2 (RP-024) for brightness.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.midi.events import MidiEvents
from sonify.music.bit_stream import BitStream, Events
from sonify.music.curves import Curve
from sonify.settings import Settings

__all__ = ["Controller"]

Share = Annotated[float, msgspec.Meta(ge=0, le=1)]

_NUMBERS = {
    "modulation": 1, "pan": 10, "expression": 11, "sustain": 64, "brightness": 74, "reverb": 91,
}  # fmt: skip


class Controller(Settings, frozen=True):
    """A controller of a voice that moves: `points` from 0 to 1, spread evenly.

    It moves over a character, a row (from its start to its end), the positions of a turn, the rows
    from first to last, or the piece; or with the bits: from the first point where the last
    character's length had no ones to the last point where it had ones only. A sustain pedal is
    down from 0.5 on.
    """

    send: Literal[
        "modulation", "pan", "expression", "sustain", "brightness", "reverb", "pressure"
    ] = "expression"
    over: Literal["position", "character", "row", "rows", "piece", "bits"] = "piece"
    points: Annotated[tuple[Share, ...], msgspec.Meta(min_length=1, max_length=256)] = (0.6, 1.0)

    def values(self, m: BitStream) -> NDArray[np.uint8]:
        """The value at each position in the order of reading, 0 to 127."""
        index = np.arange(len(m.bits))
        if self.over == "bits":
            ones, seen = m.recent(index, m.unit_bits)
            level = np.interp(ones / seen, np.linspace(0, 1, len(self.points)), self.points)
        else:
            level = Curve(over=self.over, points=self.points).scale(Events.at(index, m), m)
        if self.send == "sustain":
            level = np.where(level >= 0.5, 1.0, 0.0)
        return np.rint(level * 127).astype(np.uint8)

    def events(self, m: BitStream, step_ticks: int, channels: Sequence[int]) -> MidiEvents:
        """The messages on some channels: the first value at the start, then each change."""
        value = self.values(m)
        at = np.flatnonzero(np.append(True, value[1:] != value[:-1]))
        tick, value = m.slot(at) * step_ticks, value[at]
        tick[0] = 0
        if self.send == "sustain" and value[-1]:
            # a pedal left down would let the last notes ring for ever
            tick, value = np.append(tick, m.end_slot * step_ticks), np.append(value, np.uint8(0))
        message = np.zeros((len(channels), len(tick), 3), np.uint8)
        channel = np.asarray(channels, np.uint8)[:, None]
        if self.send == "pressure":
            message[..., 0], message[..., 1] = 0xD0 | channel, value
        else:
            message[..., 0], message[..., 1] = 0xB0 | channel, _NUMBERS[self.send]
            message[..., 2] = value
        every = np.tile(tick, len(channels))
        order = np.argsort(every, kind="stable")
        return MidiEvents(every[order], message.reshape(-1, 3)[order])
