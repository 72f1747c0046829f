"""MIDI channels, and the messages that set one up before its first note.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): controllers 5 and
65 (portamento time and switch), 7 (volume) and 10 (pan), registered parameter 0 (pitch bend
sensitivity); General MIDI System Level 1 for the drum channel.
"""

from __future__ import annotations

__all__ = ["BEND_CENTRE", "BEND_RANGE", "CHANNELS", "DRUM_CHANNEL", "channel_setup"]

CHANNELS = 16
DRUM_CHANNEL = 9
"""Channel 10, counted from 1."""

BEND_RANGE = 2
"""Semitones of a full bend, set by registered parameter 0; General MIDI starts with the same."""

BEND_CENTRE = 8192
"""The 14-bit value of no bend; a full bend is this far from it."""


_SET_RANGE = ((101, 0), (100, 0), (6, BEND_RANGE), (38, 0), (101, 127), (100, 127))
"""The controllers that set a channel's bend range and then deselect the parameter."""


def channel_setup(
    channel: int,
    *,
    bent: bool,
    program: int | None,
    volume: int | None,
    pan: float | None,
    glide: float | None = None,
) -> list[bytes]:
    """The messages that set up a channel.

    Parameters
    ----------
    channel : int
        0 to 15.
    bent : bool
        Whether its notes are bent.
    program : int or None
        0 to 127; None for drums.
    volume : int or None
        0 to 127; None leaves it.
    pan : float or None
        -1 (left) to 1 (right); None leaves it.
    glide : float or None
        The time of the portamento, 0 to 1; None leaves it off.
    """
    out = [bytes((0xB0 | channel, *pair)) for pair in _SET_RANGE] if bent else []
    if program is not None:
        out.append(bytes((0xC0 | channel, program)))
    if volume is not None:
        out.append(bytes((0xB0 | channel, 7, volume)))
    if pan is not None:
        out.append(bytes((0xB0 | channel, 10, min(127, round(64 + pan * 64)))))
    if glide is not None:
        out += [bytes((0xB0 | channel, *pair)) for pair in ((5, round(glide * 127)), (65, 127))]
    return out
