"""What cues do: keys, notes, controllers and times of day as commands."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from typing import NamedTuple

from sonify.errors import InputError, look_up
from sonify.live.commands import Command, Piece
from sonify.live.schedule import Schedule
from sonify.live.set_list import Cue

__all__ = ["CueTable", "until"]

_ON = 64
"""From this value on a switch is on (MIDI 1.0 Detailed Specification, controllers 64 to 69)."""


class _Ready(NamedTuple):
    cue: Cue
    command: Command


class CueTable:
    """The cues of a set list, as commands.

    Parameters
    ----------
    cues : sequence of Cue
    pieces : sequence of Piece
    changed : callable
        Takes the number of a piece, from 0, and presets, and makes the schedule with them.
    """

    def __init__(
        self,
        cues: Sequence[Cue],
        pieces: Sequence[Piece],
        changed: Callable[[int, tuple[str, ...]], Schedule],
    ) -> None:
        self._ready = [
            _Ready(c, _command(c, pieces, changed, f"cue[{n}]")) for n, c in enumerate(cues)
        ]
        self._on: set[tuple[int, int]] = set()

    @property
    def commands(self) -> list[Command]:
        """The commands of all cues."""
        return [r.command for r in self._ready]

    @property
    def keys(self) -> dict[str, Command]:
        """The commands of keys."""
        return {r.cue.key: r.command for r in self._ready if r.cue.key is not None}

    def times(self, now: datetime.datetime) -> list[tuple[float, Command]]:
        """In how many s each time of day comes, and its command."""
        return [(until(r.cue.time, now), r.command) for r in self._ready if r.cue.time is not None]

    def midi(self, data: bytes) -> list[Command]:
        """The commands of a message that came in."""
        if len(data) != 3:
            return []
        kind, channel, number, value = data[0] & 0xF0, data[0] & 15, data[1], data[2]
        if kind == 0x90 and value:
            name = "note"
        elif kind == 0xB0:
            name = "controller"
            was, switch = (channel, number) in self._on, (channel, number)
            if value >= _ON:
                self._on.add(switch)
            else:
                self._on.discard(switch)
            if was or value < _ON:
                return []
        else:
            return []
        return [
            r.command
            for r in self._ready
            if getattr(r.cue, name) == number and r.cue.channel in (None, channel + 1)
        ]


def _command(
    cue: Cue,
    pieces: Sequence[Piece],
    changed: Callable[[int, tuple[str, ...]], Schedule],
    place: str,
) -> Command:
    number: int | None = None
    voice = ""
    counts = {
        "layer": (cue.layer, max(len(p.schedules) for p in pieces) - 1),
        "row": (cue.row, max(len(p.schedules[0].rows) for p in pieces) - 1),
        "voice": (cue.voice, max(len(p.schedules[0].voices) for p in pieces)),
    }
    for name, (wanted, most) in counts.items():
        if isinstance(wanted, int) and wanted > most:
            raise InputError(f"no piece has a {name} {wanted}; there are up to {most}", place=place)
    if isinstance(cue.voice, str):
        voice = cue.voice
        known = {v: v for p in pieces for v in p.schedules[0].voices}
        look_up(known, voice, "voice", place)
    else:
        given = (cue.piece, cue.row, cue.voice, cue.semitones)
        number = next((n for n in given if n is not None), None)
    if cue.layer is not None:
        # the piece's own disc is the first
        number = cue.layer + 1
    at = cue.at or ("bar" if cue.do == "preset" else None)
    schedules = {k: changed(k, cue.preset) for k in range(len(pieces))} if cue.preset else {}
    return Command(cue.do, at, number, voice=voice, schedules=schedules)


def until(time: str, now: datetime.datetime) -> float:
    """In how many s a time of day comes next, by local time."""
    parts = [int(p) for p in time.split(":")]
    then = datetime.datetime.combine(
        now.date(), datetime.time(parts[0], parts[1], sum(parts[2:])), now.tzinfo
    )
    if then <= now:
        then += datetime.timedelta(days=1)
    return then.timestamp() - now.timestamp()
