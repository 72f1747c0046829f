"""Which message comes next when several performances play, and what commands do to them.

Pure: it is told the time and gives messages; a `Sender` waits and sends. All is counted in places
of the set, so that an incoming clock may set the tempo as well as the computer's own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from sonify.live.clock_out import ClockOut
from sonify.live.commands import At, Command, Piece, State
from sonify.live.playing import FADES_PER_S, Fade, Playing, Wire, together
from sonify.live.schedule import FUZZ, Schedule
from sonify.live.transport import Transport

__all__ = ["Scheduler"]

ALL_NOTES_OFF = 123
"""A channel mode message of the MIDI 1.0 Detailed Specification."""


class Scheduler:
    """The pieces of a set, one after the other.

    Parameters
    ----------
    pieces : sequence of Piece
    transport : Transport
    clock : bool
        Also send MIDI clock, start and stop.
    loop : bool
        Repeat the last piece.
    from_row : int
        Where the first piece begins, from 1.
    """

    def __init__(
        self,
        pieces: Sequence[Piece],
        transport: Transport,
        *,
        clock: bool = False,
        loop: bool = False,
        from_row: int = 1,
    ) -> None:
        self.pieces, self.transport = list(pieces), transport
        self._loop, self._from_row = loop, from_row
        self.done, self._index, self._waiting = False, 0, True
        self._out: list[tuple[float, bytes]] = []
        self._wire = Wire(self._send)
        self._clock = ClockOut(self._send) if clock else None
        self._here = 0.0
        self._playing: list[Playing] = []
        self._shown: Playing | None = None
        self._fades: list[Fade] = []
        self._coming: list[tuple[float, Command]] = []
        self._timed: list[tuple[float, Command]] = []
        self._early: list[Command] = []
        self._begun: list[tuple[float, int]] = []
        self._looped: int | None = None

    # ---- time

    def start(self, now: float) -> None:
        """Begin: the first piece plays, unless it waits for a cue."""
        if not self.transport.in_beats:
            self.transport.run(now)
        if not self.pieces[0].waits:
            self._coming.append((self.transport.place(now), Command("start", number=1)))

    def at_time(self, moment: float, command: Command) -> None:
        """Do something at a moment."""
        self._timed = sorted([*self._timed, (moment, command)], key=lambda t: t[0])

    def due(self) -> float:
        """The moment of the next thing to do; infinity if nothing is to come."""
        timed = self._timed[0][0] if self._timed else math.inf
        return min(timed, self.transport.until, self.transport.when(self._next()[0]))

    def advance(self, now: float) -> list[tuple[float, bytes]]:
        """The messages that are due, with the moments at which they were."""
        while self._timed and self._timed[0][0] <= now:
            self.command(*self._timed.pop(0))
        while self.transport.running and not self.done:
            place, act = self._next()
            if self.transport.when(place) > now:
                break
            self._here = place
            act()
        if now >= self.transport.until:
            self.rest(now)
            self.transport.lose(now)
        out, self._out = self._out, []
        running = self.transport.running
        return [(self.transport.when(place) if running else now, data) for place, data in out]

    def _next(self) -> tuple[float, Callable[[], None]]:
        """The next place at which something happens, and what.

        Of what is due at one place, commands come first, then fades and the clock, then notes.
        """
        found = [(place - FUZZ, place, self._come) for place, _ in self._coming]
        if self._playing:
            found.append(self._turn(self._playing[0]))
            if self._clock is not None:
                due = self._clock.due(self._playing[0])
                found.append((due - FUZZ / 2, due, self._clock.tick))
        found += [(f.due - FUZZ / 2, f.due, self._fade) for f in self._fades]
        found += [(p.due, p.due, p.step) for p in self._all()]
        _, place, act = min(found, key=lambda f: f[0], default=(0.0, math.inf, lambda: None))
        return place, act

    def _turn(self, lead: Playing) -> tuple[float, float, Callable[[], None]]:
        """Where the piece does not simply go on, and what happens there."""
        row = self._looped
        if row is not None:
            # what is due there belongs to the next row
            end = lead.origin + float(lead.schedule.rows[row + 1])
            return end - FUZZ, end, lambda: self._jump(row)
        end = lead.origin + lead.schedule.end
        after = self._after()
        if after is not None and not after.waits and after.crossfade_s:
            # after a jump, the time that is left may be shorter
            early = max(self._here, end - after.crossfade_s * self.transport.rate)
            return early - FUZZ, early, self._end
        # what is due at the end is played
        return end + FUZZ, end, self._end

    def _after(self) -> Piece | None:
        return self.pieces[self._index + 1] if self._index + 1 < len(self.pieces) else None

    # ---- pieces

    def _end(self) -> None:
        after = self._after()
        if after is None and self._loop:
            self._jump(self._from_row - 1)
        elif after is not None and not after.waits:
            self._go(self._index + 1, self._here, crossfade=True)
        else:
            self._leave()
            self._index += after is not None
            self._waiting, self.done = after is not None, after is None
            self._coming = []

    def _go(
        self, index: int, here: float, *, place: float = 0.0, crossfade: bool = False
    ) -> None:  # fmt: skip
        """Let a piece's `place` come here, and end or fade out what plays."""
        piece, first = self.pieces[index], not self._begun
        if first and index == 0 and not place:
            place = float(piece.schedules[0].rows[self._from_row - 1])
        length = piece.crossfade_s * self.transport.rate if crossfade and self._playing else 0.0
        taken = {c for p in self._all() for c in p.channels.values()}
        made = together(piece.schedules, self._wire, taken) if length else None
        if made is None:
            length = 0.0
            self._leave()
            made = together(piece.schedules, self._wire, set()) or []
        steps = max(1, math.ceil(piece.crossfade_s * FADES_PER_S))
        if length:
            self._fades = [f for f in self._fades if f.leaves]
            self._fades += [Fade(p, here, here + length, steps, True) for p in self._playing]
            self._fades += [Fade(p, here, here + length, steps, False) for p in made]
        self._playing, self._index, self._waiting, self._looped = made, index, False, None
        self._shown, self._coming = made[0], []
        self._begun.append((here - place, index))
        for playing in made:
            playing.gain = 0.0 if length else 1.0
        self._seek(lambda _: place, fresh=True, held=not first)
        early, self._early = self._early, []
        for command in early:
            self._do(command)

    def _all(self) -> list[Playing]:
        return [*self._playing, *(f.playing for f in self._fades if f.leaves)]

    def _leave(self) -> None:
        """End all that plays."""
        for playing in self._all():
            playing.damp()
        self._playing, self._fades = [], []
        self._clock_stop()

    def locate(self, place: float) -> None:
        """Let the pieces come where they lie in a song that stands at a place.

        At 0 the piece that waits begins, or else again the one with which the song began.
        """
        self._here = place
        begun = [(0.0, self._index)] if self._waiting or not self._begun else self._begun
        if place <= 0:
            begun = [(0.0, begun[0][1])]
        last = max(0, sum(origin <= place + FUZZ for origin, _ in begun) - 1)
        self._begun, (origin, index) = begun[:last], begun[last]
        self._leave()
        self._go(index, place, place=place - origin)

    def _seek(
        self, place_of: Callable[[Schedule], float | None], *, fresh: bool = False,
        held: bool = True,
    ) -> None:  # fmt: skip
        """Let other places of the piece's schedules come here; None leaves one as it is.

        The channels of `fresh` ones are set up. Notes that are `held` there sound.
        """
        places = [(p, place_of(p.schedule)) for p in self._playing]
        moved = [(p, place) for p, place in places if place is not None]
        for playing, place in moved:
            playing.seek(self._here, place)
        running = self.transport.running
        if running:
            self._set_clock()
        for playing, place in moved:
            if fresh:
                playing.begin(place)
            else:
                playing.restore(place)
            if held and running:
                playing.settle(place)

    def _jump(self, row: int) -> None:
        def start(schedule: Schedule) -> float | None:
            return float(schedule.rows[row]) if row < len(schedule.rows) - 1 else None

        if self._looped is not None:
            self._looped = row
        self._seek(start)
        # what waits for a line waits for the next one from here
        self._coming = [(self._place_of(c.at or "now"), c) for _, c in self._coming]

    def _fade(self) -> None:
        fade = min(self._fades, key=lambda f: f.due)
        fade.step()
        if fade.done == fade.steps:
            self._fades.remove(fade)
            if fade.leaves:
                fade.playing.damp()

    def _send(self, data: bytes) -> None:
        self._out.append((self._here, data))

    def _set_clock(self) -> None:
        if self._clock is not None:
            lead = self._playing[0]
            self._clock.set(lead, self._here)
            if self._clock.due(lead) <= self._here + FUZZ:
                self._clock.tick()

    def _clock_stop(self) -> None:
        if self._clock is not None:
            self._clock.stop()

    # ---- commands

    def command(self, now: float, command: Command) -> None:
        """Do something now, or note it for the place at which it takes effect."""
        self._here = self.transport.place(now)
        if self._waiting:
            if command.do in ("start", "next"):
                index = self._index if command.number is None else command.number - 1
                # an incoming clock has beats to start on
                place = math.ceil(self._here - FUZZ) if self.transport.in_beats else self._here
                self._note(place, replace(command, do="start", number=index + 1))
            elif command.do in ("mute", "layer", "preset", "transpose"):
                self._early.append(command)
            return
        if not self._playing or (command.do == "next" and self._after() is None):
            return
        if command.do == "pause" or (command.do == "start" and command.number is None):
            self._pause(now, command.do)
            return
        at = command.at
        if at is None:
            quick = ("mute", "layer", "transpose", *(["loop"] if command.number is None else []))
            at = "now" if command.do in quick else self.pieces[self._index].change
        self._note(self._place_of(at), replace(command, at=at))

    def _place_of(self, at: At) -> float:
        """Where the next row or bar begins, or the piece ends."""
        lead = self._playing[0]
        x, rows = self._here - lead.origin, lead.schedule.rows
        ends = [lead.schedule.end]
        if at == "now":
            ends.append(x)
        else:
            lines = rows if at == "row" else lead.schedule.bars
            ends += lines[lines > x + FUZZ][:1].tolist()
        if self._looped is not None:
            ends.append(float(rows[self._looped + 1]))
        return lead.origin + min(ends)

    def _note(self, place: float, command: Command) -> None:
        if place <= self._here + FUZZ and self.transport.running:
            self._do(command)
            return
        if command.do != "mute":
            self._coming = [c for c in self._coming if c[1].do != command.do]
        self._coming.append((place, command))

    def _come(self) -> None:
        first = min(self._coming, key=lambda c: c[0])
        self._coming.remove(first)
        self._here = first[0]
        self._do(first[1])

    def _do(self, command: Command) -> None:
        number, do = command.number, command.do
        if do in ("start", "next"):
            self._go(self._index + 1 if number is None else number - 1, self._here, crossfade=True)
            return
        lead = self._playing[0]
        row = lead.schedule.row_at(self._here - lead.origin)
        if do in ("jump", "loop"):
            wanted = row + command.by if number is None else number - 1
            wanted = min(max(wanted, 0), len(lead.schedule.rows) - 2)
            if do == "jump":
                self._jump(wanted)
            elif self._looped is not None and number in (None, self._looped + 1):
                self._looped = None
            else:
                self._looped = wanted
                if wanted != row:
                    self._jump(wanted)
        elif do == "mute":
            self._mute(command)
        elif do == "layer" and number is not None and 1 < number <= len(self._playing):
            layer = self._playing[number - 1]
            layer.silent = not layer.silent
            if layer.silent:
                layer.damp()
            else:
                layer.resume(self._here)
        elif do == "transpose":
            for playing in self._playing:
                playing.semitones = number or 0
                playing.settle(self._here - playing.origin)
        elif do == "preset" and self._index in command.schedules:
            self._replace(command.schedules[self._index])

    def _mute(self, command: Command) -> None:
        lead = self._playing[0]
        names = lead.schedule.voices
        voice = command.voice
        if command.number is not None and command.number <= len(names):
            voice = names[command.number - 1]
        if voice in names:
            lead.muted ^= {voice}
            if voice in lead.muted:
                for channel in lead.schedule.show.parts[names.index(voice)].channels:
                    self._wire.lift(lead.channels[channel])
                lead.settle(self._here - lead.origin)
            else:
                lead.resume(self._here)

    def _replace(self, schedule: Schedule) -> None:
        """Let another schedule of the same disc lead from the same place of the same row on."""
        old = self._playing[0]
        taken = {c for p in self._all() if p is not old for c in p.channels.values()}
        new = old.replaced(schedule, self._here, taken)
        if new is None:
            return
        for fade in self._fades:
            fade.playing = new if fade.playing is old else fade.playing
        self._playing[0] = self._shown = new
        moved = abs(new.origin - old.origin) > FUZZ
        if moved or not np.array_equal(schedule.clock, old.schedule.clock):
            self._set_clock()

    def _pause(self, now: float, do: str) -> None:
        """Stop where it is, or go on from there; an incoming clock does so itself."""
        if self.transport.in_beats:
            return
        if not self.transport.running:
            self.transport.run(now)
            self.resume(now)
        elif do == "pause":
            self.transport.halt(now)
            self.rest(now)

    def rest(self, now: float) -> None:
        """End all notes and the clock."""
        self._here = self.transport.place(now)
        for playing in self._all():
            playing.damp()
        self._clock_stop()

    def resume(self, now: float) -> None:
        """Sound the notes that are held here, and let the clock go on."""
        self._here = self.transport.place(now)
        for playing in self._all():
            playing.resume(self._here)
        if self._playing:
            self._set_clock()

    # ---- what is

    def state(self, now: float) -> State:
        """What plays, for the screen."""
        lead = self._shown
        schedule = self.pieces[self._index].schedules[0] if lead is None else lead.schedule
        x = 0.0 if lead is None else max(0.0, self.transport.place(now) - lead.origin)
        return State(
            self._index, self._waiting and not self._coming, not self.transport.running,
            schedule.row_at(x) + 1, len(schedule.rows) - 1, schedule.seconds(x),
            tuple(c for _, c in self._coming) if self._begun else (),
            None if self._looped is None else self._looped + 1,
            frozenset(lead.muted if lead else ()), lead.semitones if lead else 0, schedule,
            60 * self.transport.rate if self.transport.in_beats else None,
        )  # fmt: skip

    def heard(self, now: float) -> dict[Playing, float]:
        """What sounds, and at which of its places."""
        if not self.transport.running:
            return {}
        place = self.transport.place(now)
        return {p: place - p.origin for p in self._all()}

    def silence(self) -> list[bytes]:
        """What ends all notes and the clock, and "all notes off" on every channel that was used."""
        for playing in self._all():
            playing.damp()
        for channel, key in list(self._wire.sounding):
            self._wire.release(channel, key)
        self._clock_stop()
        for channel in sorted(self._wire.used):
            self._send(bytes((0xB0 | channel, ALL_NOTES_OFF, 0)))
        out, self._out = self._out, []
        return [data for _, data in out]
