"""How much of a 5-pin MIDI line a piece takes, and how late its notes come over it.

Source: MIDI 1.0 Detailed Specification (MIDI Manufacturers Association): 31,250 bit/s and ten bits
a byte, so 320 µs a byte; under running status a message whose status is that of the last one sent
leaves it out, and a note may be ended by a note-on of velocity 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.music.notes import Part

__all__ = [
    "BYTE_S",
    "LATE_S",
    "WINDOW_S",
    "Traffic",
    "Wire",
    "caution_of",
    "keeps_up",
    "traffic_of",
    "wire_of",
]

BYTE_S = 10 / 31250
WINDOW_S = 0.1
LATE_S = 0.010
"""A note this late beside others begins to be heard as late: common practice, no source."""

_CLOCKS = 24


@dataclass(frozen=True)
class Wire:
    """What a line does with a piece.

    Attributes
    ----------
    fullest : float
        The share of the line that the fullest 100 ms takes; above 1, more than it can carry.
    fullest_s : float
        When those begin.
    late_s : float
        How long after its time the latest note is wholly through.
    late_at_s : float
        When that note is due.
    """

    fullest: float = 0.0
    fullest_s: float = 0.0
    late_s: float = 0.0
    late_at_s: float = 0.0


@dataclass(frozen=True)
class Traffic:
    """A piece over a line, each message in full and with running status."""

    full: Wire
    running: Wire

    def line(self) -> str:
        """Its figures for people."""
        return (
            f"5-pin MIDI: the fullest 100 ms take {self.full.fullest:.0%} of the line "
            f"({self.running.fullest:.0%} with running status), the latest note comes "
            f"{self.full.late_s * 1000:.1f} ms late ({self.running.late_s * 1000:.1f} ms)"
        )


def traffic_of(parts: list[Part], tick_s: float, clock_ticks: float | None = None) -> Traffic:
    """A piece's notes and bends (and, where asked, its MIDI clock) over a line.

    Parameters
    ----------
    parts : list of Part
    tick_s : float
        How long a tick lasts, in s.
    clock_ticks : float, optional
        Ticks between two clock messages; without it, none are sent.

    Returns
    -------
    Traffic
    """
    tick, status, on = _messages(parts)
    size = np.full(len(tick), 3.0)
    # as running status would have it: note-offs as note-ons of velocity 0
    run = np.where((status & 0xF0) == 0x80, status | 0x10, status)
    short = size.copy()
    short[1:][run[1:] == run[:-1]] = 2.0
    if clock_ticks and len(tick):
        clock = np.arange(0, tick[-1] + 1, clock_ticks)
        tick = np.concatenate([clock, tick])
        order = np.argsort(tick, kind="stable")
        tick = tick[order]
        size = np.concatenate([np.ones(len(clock)), size])[order]
        short = np.concatenate([np.ones(len(clock)), short])[order]
        on = np.concatenate([np.zeros(len(clock), bool), on])[order]
    time = tick * tick_s
    return Traffic(wire_of(time, size, on), wire_of(time, short, on))


def _messages(
    parts: list[Part],
) -> tuple[NDArray[np.float64], NDArray[np.uint8], NDArray[np.bool_]]:
    """Tick, status and whether it begins a note, for each message, in the order of sending."""
    ticks, states = [], []
    for kind in (0x80, 0xE0, 0x90):
        for p in parts:
            channel = np.full(len(p), p.channel) if p.tuned is None else p.tuned.channel
            when = p.off if kind == 0x80 else p.on
            if kind == 0xE0:
                if p.tuned is None:
                    continue
                order = np.lexsort((p.on, channel))
                bend, channel, when = p.tuned.bend[order], channel[order], when[order]
                before = np.zeros_like(bend)
                before[1:] = np.where(channel[1:] == channel[:-1], bend[:-1], 0)
                channel, when = channel[bend != before], when[bend != before]
            ticks.append(when)
            states.append(channel.astype(np.uint8) | np.uint8(kind))
    if not ticks:
        return np.zeros(0), np.zeros(0, np.uint8), np.zeros(0, bool)
    tick, status = np.concatenate(ticks), np.concatenate(states)
    order = np.argsort(tick, kind="stable")
    status = status[order]
    return tick[order].astype(np.float64), status, (status & 0xF0) == 0x90


def wire_of(
    time_s: NDArray[np.float64], size: NDArray[np.float64], note: NDArray[np.bool_]
) -> Wire:
    """Messages over a line, one after the other.

    Parameters
    ----------
    time_s : ndarray of float64, shape (messages,)
        When each is due, rising.
    size : ndarray of float64, shape (messages,)
        In bytes.
    note : ndarray of bool, shape (messages,)
        Which begin notes.

    Returns
    -------
    Wire
    """
    if not note.any():
        return Wire()
    total = np.cumsum(size)
    before = total - size
    # rounding must not put a message that comes 100 ms later into the same 100 ms
    last = np.searchsorted(time_s, time_s + WINDOW_S * (1 - 1e-9), side="left")
    share = (total[last - 1] - before) * BYTE_S / WINDOW_S
    full = int(share.argmax())
    # a message ends its own length after its time, or after the end of the one before
    done = np.maximum.accumulate(time_s - before * BYTE_S) + total * BYTE_S
    late = np.where(note, done - time_s, 0.0)
    worst = int(np.argmax(late > late.max() - 1e-9))
    return Wire(float(share[full]), float(time_s[full]), float(late[worst]), float(time_s[worst]))


def keeps_up(parts: list[Part], tick_s: float) -> bool:
    """Whether it is plain without counting that no note is late: true only where it is so.

    Voices that play a note at a time send at most an on, a bend and an off while one lasts, and
    what two such stretches hold is through before the next.
    """
    least = LATE_S / tick_s
    for p in parts:
        if len(p) > 1:
            gap = np.diff(p.on)
            if bool((p.off[:-1] > p.on[1:]).any()) or int(gap.min()) < least:
                return False
    return len(parts) * 15 * BYTE_S <= LATE_S


def caution_of(traffic: Traffic) -> str | None:
    """What to say where a player on a 5-pin line would fall behind; None where it would not."""
    worst, best = traffic.full, traffic.running
    if worst.late_s <= LATE_S and worst.fullest <= 1.0:
        return None
    says = (
        f"a 5-pin MIDI line carries 31,250 bit/s and falls behind: the fullest 100 ms "
        f"(at {worst.fullest_s:.1f} s) take {worst.fullest:.0%} of it, and the note at "
        f"{worst.late_at_s:.1f} s is {worst.late_s * 1000:.0f} ms late"
    )
    if best.late_s <= LATE_S and best.fullest <= 1.0:
        return f"{says}; with running status {best.late_s * 1000:.0f} ms, which it can send"
    return (
        f"{says}; with running status {best.fullest:.0%} and {best.late_s * 1000:.0f} ms: a real "
        "player could not send this in time; take fewer voices or a slower player"
    )
