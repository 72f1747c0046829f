"""The track of a voice with fractional pitches: bend range, bends, and notes on their channels.

Source: MIDI 1.0 Detailed Specification, registered parameter 0 (pitch bend sensitivity) and pitch
bend change.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.midi.bends import BEND_RANGE, Tuned

__all__ = ["bend_messages", "bend_range_bytes", "said"]

_CENTRE = 8192


def bend_range_bytes(channel: int) -> list[bytes]:
    """The controllers that set a channel's bend range, and then let go of the parameter."""
    return [
        bytes((0xB0 | channel, number, value))
        for number, value in ((101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127), (100, 127))
    ]


def said(tuned: Tuned) -> str:
    """What the file says about how it plays fractional pitches."""
    channels = ", ".join(str(c + 1) for c in tuned.channels)
    return (
        f"fractional pitches: bend range {BEND_RANGE} semitones (RPN 0), "
        f"a bend a channel, on channels {channels}"
    )


def bend_messages(
    on: NDArray[np.int64], tuned: Tuned
) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
    """Pitch bend changes: their ticks, and their bytes, shape (changes, 3).

    A channel's bend is sent before the first note that needs it, and only where it changes.
    """
    order = np.lexsort((on, tuned.channel))
    channel, bend = tuned.channel[order], tuned.bend[order].astype(np.int64)
    before = np.zeros_like(bend)
    before[1:] = np.where(channel[1:] == channel[:-1], bend[:-1], 0)
    change = bend != before
    value = bend[change] + _CENTRE
    body = np.empty((int(change.sum()), 3), np.uint8)
    body[:, 0] = 0xE0 | channel[change]
    body[:, 1] = value & 0x7F
    body[:, 2] = value >> 7
    return on[order][change], body
