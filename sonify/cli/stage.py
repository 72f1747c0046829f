"""Playing a set over a MIDI port: discs and set lists as pieces, keys, and the screen."""

from __future__ import annotations

import contextlib
import datetime
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from msgspec.structs import replace

from sonify.cli.common import Request, cautions_shown, plain
from sonify.cli.follow import PORT_ONLY, Stage, follow_set
from sonify.cli.usual import caution
from sonify.errors import InputError, SonifyError

if TYPE_CHECKING:
    from sonify.live.changing import Changer
    from sonify.live.clock_in import ClockIn
    from sonify.live.commands import Piece
    from sonify.live.controllers import Controllers
    from sonify.live.scheduler import Scheduler
    from sonify.live.sender import Sender
    from sonify.live.set_list import Disc, SetPiece
    from sonify.live.set_sound import SetSound
    from sonify.performance import Performance
    from sonify.performance_settings import Setup

__all__ = ["play_set", "play_set_aloud", "stage_of"]


def stage_of(
    requests: Sequence[Request],
    set_list: str | None,
    speed: float,
    controls: str | None = None,
    keyboard: str | None = None,
    learn: Sequence[str] = (),
    *,
    in_beats: bool = False,
) -> Stage:
    """The pieces and cues of a set list, followed by discs, and what an instrument controls."""
    from sonify.live.cues import CueTable
    from sonify.live.schedule import schedule_of
    from sonify.live.set_list import SetPiece, load_set_list, pieces_of

    def performed(disc: Disc, more: tuple[str, ...] = ()) -> Performance:
        try:
            return Request(disc.disc, (*disc.preset, *more), disc.set).perform()
        except InputError as e:
            raise e.at(set_list if set_list and disc not in own else None) from None

    given = load_set_list(Path(set_list)) if set_list is not None else None
    own = [
        SetPiece(disc=r.disc, preset=r.presets, set=r.assignments, speed=speed) for r in requests
    ]
    settings: list[SetPiece] = [*(given.piece if given else ()), *own]
    pieces = pieces_of(settings, performed, in_beats=in_beats)

    def changed(number: int, presets: tuple[str, ...]) -> Any:
        one = settings[number]
        return schedule_of(performed(one, presets), speed=one.speed, in_beats=in_beats)

    try:
        cues = CueTable(given.cue if given else (), pieces, changed)
    except InputError as e:
        raise e.at(set_list) from None
    setup = pieces[0].schedules[0].show.setup
    return Stage(pieces, cues, _controllers(setup, controls, keyboard, learn))


def _controllers(
    setup: Setup, controls: str | None, keyboard: str | None, learn: Sequence[str]
) -> Controllers:
    from sonify.live.controllers import ControlFile, Controllers, Keyboard, load_controls

    path = None if controls is None else Path(controls)
    file = load_controls(path) if path is not None and (path.exists() or not learn) else None
    file = ControlFile() if file is None else file
    if keyboard is not None:
        own = file.keyboard or Keyboard()
        file = replace(file, keyboard=replace(own, plays=keyboard))
    try:
        return Controllers(file, setup, learn, (lambda f: f.save(path)) if path else lambda _: None)
    except InputError as e:
        raise (e if e.key else e.at(controls)) from None


def play_set(
    stage: Stage,
    stop: threading.Event,
    port: str,
    *,
    virtual: bool,
    source: str | None,
    follow: bool,
    clock: bool,
    loop: bool,
    from_row: int,
) -> None:
    """Play the pieces until the end, or until stopped."""
    from sonify.live.changing import Changer
    from sonify.live.clock_in import ClockIn
    from sonify.live.keys import Keys
    from sonify.live.ports import full_name, open_port
    from sonify.live.schedule import row_start
    from sonify.live.scheduler import Scheduler
    from sonify.live.sender import Sender, punctual
    from sonify.live.transport import IncomingClock, OwnTempo

    row_start(stage.pieces[0].schedules[0].show, from_row)
    if source is not None:
        source = full_name(source, inputs=True)
    incoming = IncomingClock() if follow else None
    scheduler = Scheduler(
        stage.pieces, incoming or OwnTempo(), clock=clock, loop=loop, from_row=from_row
    )
    clock_in = ClockIn(scheduler, incoming) if incoming else None
    with contextlib.closing(open_port(port, virtual=virtual)) as out:
        for piece in stage.pieces:
            _tell_load(piece, clock, len(stage.pieces) > 1)
        sender = Sender(scheduler, out)
        _set_times(stage, scheduler, time.monotonic())
        changer = Changer(sender)
        with _played_on(source, stage, sender, changer, clock_in), Keys() as keys, punctual():
            sender.start()
            changer.start()
            try:
                follow_set(stage, sender, changer, keys.pressed, stop, loop, out.name)
            finally:
                changer.stop()
                sender.stop()
                sender.join()
    if sender.error is not None:
        raise sender.error


def _set_times(stage: Stage, scheduler: Scheduler, moment: float) -> None:
    for after, command in stage.cues.times(datetime.datetime.now().astimezone()):
        scheduler.at_time(moment + after, command)


def play_set_aloud(
    stage: Stage, stop: threading.Event, *, source: str | None, loop: bool, from_row: int
) -> None:
    """Play the pieces through the speakers until the end, or until stopped."""
    from sonify.export.sound.master import mastered
    from sonify.export.sound.options import SoundOptions
    from sonify.live.keys import Keys
    from sonify.live.ports import full_name
    from sonify.live.schedule import row_start
    from sonify.live.scheduler import Scheduler
    from sonify.live.set_sound import SetSound
    from sonify.live.speakers import BUFFER_S, open_speakers
    from sonify.live.transport import OwnTempo

    row_start(stage.pieces[0].schedules[0].show, from_row)
    if source is not None:
        source = full_name(source, inputs=True)
    commands = stage.cues.commands
    for command in commands:
        if command.do in PORT_ONLY:
            raise InputError(
                f"a cue with '{command.do}' needs a MIDI port; give --port or --virtual"
            )
    found = [s for p in stage.pieces for s in p.schedules]
    found += [s for c in commands for s in c.schedules.values()]
    masters = {}
    with cautions_shown():
        for schedule in found:
            if len(found) > 1:
                click.echo(f"rendering {plain(schedule.show.disc.display_name)}", err=True)
            masters[schedule] = mastered(schedule.show, SoundOptions(speed=schedule.speed))
    scheduler = Scheduler(stage.pieces, OwnTempo(), loop=loop, from_row=from_row)
    _set_times(stage, scheduler, 0.0)
    sound = SetSound(scheduler, masters, BUFFER_S)
    with (
        contextlib.closing(open_speakers(sound)) as out,
        _played_on(source, stage, sound),
        Keys() as keys,
    ):
        out.start()
        follow_set(stage, sound, None, keys.pressed, stop, loop, "speakers")
        if not sound.is_alive():
            out.drain()


def _tell_load(piece: Piece, clock: bool, named: bool) -> None:
    from sonify.live.schedule import CLOCKS_PER_QUARTER
    from sonify.midi.bandwidth import caution_of, traffic_of

    for schedule in piece.schedules:
        show = schedule.show
        clocks = show.grid.ticks_per_quarter / CLOCKS_PER_QUARTER if clock else None
        faster = show.at_speed(schedule.speed)
        traffic = traffic_of(show.events, faster.seconds, clocks)
        name = f"{plain(show.disc.display_name)}: " if named else ""
        click.echo(f"{name}{traffic.line()}", err=True)
        late = caution_of(traffic)
        if late is not None:
            caution(f"{name}{late}")


@contextlib.contextmanager
def _played_on(
    source: str | None,
    stage: Stage,
    sender: Sender | SetSound,
    changer: Changer | None = None,
    clock: ClockIn | None = None,
) -> Iterator[None]:
    """Give the messages of an input port to the clock, the cues and the controllers."""
    from sonify.live.commands import Command
    from sonify.live.ports import open_input
    from sonify.live.schedule import CLOCK_MESSAGES
    from sonify.live.sender import Sender

    if source is None:
        yield
        return

    def receive(data: bytes) -> None:
        if data[0] in CLOCK_MESSAGES:
            if clock is not None and isinstance(sender, Sender):
                sender.change(lambda _, now: clock.take(now, data))
            return
        commands = stage.cues.midi(data)
        if not commands and changer is not None:
            piece = stage.pieces[sender.state().piece]
            try:
                done = stage.controllers.midi(data, piece.schedules[0].show.setup.music)
            except SonifyError as e:
                changer.said, done = str(e), False
            if done is True:
                changer.want(stage.controllers.settings, stage.controllers.at)
            commands = [done] if isinstance(done, Command) else []
        for command in commands:
            sender.command(command)

    with open_input(source, receive):
        yield
