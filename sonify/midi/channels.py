"""MIDI channels, and the messages that set one up before its first note.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): controllers 0 and 32 (bank
select, which the next program change applies), 5 and 65 (portamento time and switch), 7 (volume)
and 10 (pan), registered parameter 0 (pitch bend sensitivity); General MIDI System Level 1 for
the drum channel, and for the values that a channel has after "GM System On"; RP-015 for "reset all
controllers" (121), which leaves volume, pan, program and the sound and effect controllers as they
are.
"""

from __future__ import annotations

__all__ = [
    "BEND_CENTRE",
    "BEND_RANGE",
    "CHANNELS",
    "DRUM_CHANNEL",
    "GM_SYSTEM_ON",
    "bend_message",
    "bend_range",
    "channel_reset",
    "channel_setup",
    "registered",
]

CHANNELS = 16
DRUM_CHANNEL = 9
"""Channel 10, counted from 1."""

BEND_RANGE = 2
"""Semitones of a full bend, set by registered parameter 0; General MIDI starts with the same."""

BEND_CENTRE = 8192
"""The 14-bit value of no bend; a full bend is this far from it."""


GM_SYSTEM_ON = bytes((0xF0, 0x7E, 0x7F, 0x09, 0x01, 0xF7))
"""The message with which a General MIDI instrument begins anew."""

_DEFAULTS = ((7, 100), (11, 127), (1, 0), (64, 0), (91, 40), (93, 0))
"""Volume, expression, modulation, pedal, reverb and chorus of a fresh channel: General MIDI level 1
and, for the effects, General MIDI level 2 (RP-024), from memory."""

_UNRESET = ((74, 64), (91, 40))
"""What moving controllers that 121 does not reset start from: brightness and reverb (RP-024)."""


def registered(channel: int, parameter: int, value: int) -> list[bytes]:
    """The messages that set a registered parameter and then deselect it."""
    pairs = ((101, 0), (100, parameter), (6, value), (38, 0), (101, 127), (100, 127))
    return [bytes((0xB0 | channel, *pair)) for pair in pairs]


def bend_range(channel: int, semitones: int = BEND_RANGE) -> list[bytes]:
    """The messages that set how far a full bend goes."""
    return registered(channel, 0, semitones)


def channel_setup(
    channel: int,
    *,
    program: int | None,
    bank: int | None = None,
    volume: int | None,
    pan: float | None,
    glide: float | None = None,
    full: bool = False,
) -> list[bytes]:
    """The messages that set up a channel.

    Parameters
    ----------
    channel : int
        0 to 15.
    program : int or None
        0 to 127; None for drums.
    bank : int or None
        0 to 16383, sent right before the program, which it takes effect with; None leaves it.
    volume : int or None
        0 to 127; None leaves it.
    pan : float or None
        -1 (left) to 1 (right); None is the middle.
    glide : float or None
        The time of the portamento, 0 to 1; None leaves it off.
    full : bool
        Whether to set what may be left from an earlier piece, too.
    """
    out = []
    if full:
        out = [bytes((0xB0 | channel, *pair)) for pair in ((121, 0), (0, 0), (32, 0), *_DEFAULTS)]
    if program is not None and bank is not None:
        out += [bytes((0xB0 | channel, 0, bank >> 7)), bytes((0xB0 | channel, 32, bank & 0x7F))]
    if program is not None:
        out.append(bytes((0xC0 | channel, program)))
    if volume is not None:
        out.append(bytes((0xB0 | channel, 7, volume)))
    out.append(bytes((0xB0 | channel, 10, min(127, round(64 + (pan or 0.0) * 64)))))
    if glide is not None:
        out += [bytes((0xB0 | channel, *pair)) for pair in ((5, round(glide * 127)), (65, 127))]
    return out


def bend_message(channel: int, bend: int = 0) -> bytes:
    """The message that bends a channel, by -8192 to 8191."""
    value = bend + BEND_CENTRE
    return bytes((0xE0 | channel, value & 0x7F, value >> 7))


def channel_reset(channel: int, moved: tuple[int, ...] = ()) -> list[bytes]:
    """The messages that leave a channel's controllers as they were.

    `moved` are the numbers of the controllers that were sent; pan is set by every piece.
    """
    pairs = [(121, 0), *(pair for pair in _UNRESET if pair[0] in moved)]
    return [bytes((0xB0 | channel, *pair)) for pair in pairs]
