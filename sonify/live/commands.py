"""What a set consists of, what may be done to it while it plays, and what it shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from sonify.live.schedule import Schedule

__all__ = ["At", "Command", "Do", "Piece", "State"]

At = Literal["row", "bar", "now"]
Do = Literal[
    "start", "next", "pause", "jump", "loop", "mute", "layer", "preset", "transpose"
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of a set.

    Attributes
    ----------
    name : str
    schedules : tuple of Schedule
        Discs that play together. The first one leads: rows, bars, clock and end are its own.
    waits : bool
        Whether it waits for a cue, or else follows the piece before.
    change : "row", "bar" or "now"
        Where commands take effect that do not say it.
    crossfade_s : float
        How long it fades in while the piece before fades out.
    """

    name: str
    schedules: tuple[Schedule, ...]
    waits: bool = False
    change: At = "row"
    crossfade_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Command:
    """What to do.

    Attributes
    ----------
    do : str
    at : "row", "bar" or "now", optional
        Where it takes effect: at the next row, the next bar or now. Without it, where the piece
        says; mutes and moves of pitch at once.
    number : int, optional
        The piece to start, the row to jump to or to loop, the voice to mute or the layer to switch,
        from 1; or the semitones to move.
    by : int
        Rows to jump on or back, where there is no number.
    voice : str
        The voice to mute, by name.
    schedules : mapping
        For "preset": what leads from now on, by the number of the piece, from 0.
    """

    do: Do
    at: At | None = None
    number: int | None = None
    by: int = 0
    voice: str = ""
    schedules: Mapping[int, Schedule] = field(default_factory=dict)


@dataclass(frozen=True)
class State:
    """What plays, for the screen.

    Attributes
    ----------
    piece : int
        From 0; if `waiting`, the one that waits for a cue.
    waiting, paused : bool
    row, rows : int
        The row that plays, from 1, and how many there are.
    time_s : float
        The position in what leads, in s; it goes on after the end.
    coming : tuple of Command
        What takes effect later.
    looped : int or None
        The row that repeats, from 1.
    muted : frozenset of str
    semitones : int
    schedule : Schedule
        What leads, or led last.
    bpm : float or None
        The tempo of an incoming clock.
    """

    piece: int
    waiting: bool
    paused: bool
    row: int
    rows: int
    time_s: float
    coming: tuple[Command, ...]
    looped: int | None
    muted: frozenset[str]
    semitones: int
    schedule: Schedule
    bpm: float | None
