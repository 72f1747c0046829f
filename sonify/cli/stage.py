"""Playing a set over a MIDI port: discs and set lists as pieces, keys, and the screen."""

from __future__ import annotations

import contextlib
import datetime
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click
from msgspec.structs import replace

from sonify.cli.common import Request, caution, length, plain
from sonify.cli.lamps import FRAME_S, Lamps
from sonify.errors import InputError, SonifyError

if TYPE_CHECKING:
    from sonify.live.changing import Changer
    from sonify.live.commands import Command, Piece, State
    from sonify.live.controllers import Controllers
    from sonify.live.cues import CueTable
    from sonify.live.sender import Sender
    from sonify.live.set_list import Disc, SetPiece
    from sonify.performance import Performance
    from sonify.performance_settings import Setup

__all__ = ["Stage", "play_set", "stage_of"]

_KEYS = (
    "space start, pause   n next piece   \u2190 this row again   \u2192 leave out a row",
    "l loop row   1-9 mute a voice   + - transpose   q end",
)  # fmt: skip


class Stage(NamedTuple):
    """What is ready to play."""

    pieces: list[Piece]
    cues: CueTable
    controllers: Controllers


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

    cues = CueTable(given.cue if given else (), pieces, changed)
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
    from sonify.live.keys import Keys
    from sonify.live.ports import full_name, open_port
    from sonify.live.schedule import row_start
    from sonify.live.scheduler import Scheduler
    from sonify.live.sender import Sender, punctual
    from sonify.live.transport import IncomingClock, OwnTempo

    row_start(stage.pieces[0].schedules[0].show, from_row)
    if source is not None:
        source = full_name(source, inputs=True)
    transport = IncomingClock() if follow else OwnTempo()
    scheduler = Scheduler(stage.pieces, transport, clock=clock, loop=loop, from_row=from_row)
    with contextlib.closing(open_port(port, virtual=virtual)) as out:
        for piece in stage.pieces:
            _tell_load(piece, clock, len(stage.pieces) > 1)
        sender = Sender(scheduler, out)
        now, moment = datetime.datetime.now().astimezone(), time.monotonic()
        for after, command in stage.cues.times(now):
            scheduler.at_time(moment + after, command)
        changer = Changer(sender)
        with _played_on(source, stage, sender, changer), Keys() as keys, punctual():
            sender.start()
            changer.start()
            try:
                _follow(stage, sender, changer, keys.pressed, stop, loop, out.name)
            finally:
                changer.stop()
                sender.stop()
                sender.join()
    if sender.error is not None:
        raise sender.error


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
    source: str | None, stage: Stage, sender: Sender, changer: Changer
) -> Iterator[None]:
    """Give the messages of an input port to the clock, the cues and the controllers."""
    from sonify.live.commands import Command
    from sonify.live.ports import open_input
    from sonify.live.schedule import CLOCK_MESSAGES

    if source is None:
        yield
        return

    def receive(data: bytes) -> None:
        if data[0] in CLOCK_MESSAGES:
            sender.change(lambda scheduler, now: scheduler.clock_in(now, data))
            return
        commands = stage.cues.midi(data)
        if not commands:
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


def _follow(
    stage: Stage,
    sender: Sender,
    changer: Changer,
    pressed: Callable[[], list[str]],
    stop: threading.Event,
    loop: bool,
    where: str,
) -> None:
    """Tell what plays, pass keys on, and show the matrix until the end."""
    shown = sys.stdout.isatty()
    told: tuple[int, bool] | None = None
    with contextlib.ExitStack() as stack:
        lamps: Lamps | None = None
        while not stop.is_set():
            state, over = sender.state(), not sender.is_alive()
            if told != (state.piece, state.waiting):
                if told is not None and not state.waiting and stage.controllers.settings:
                    # what is moved stays moved in the next piece
                    changer.want(stage.controllers.settings, "now")
                told = state.piece, state.waiting
                _tell(stage, state, where, loop)
            show = state.schedule.show
            # the message may scroll on after the last note
            end_s = show.scroll.end_s if shown and show.scroll is not None else 0.0
            if over and (sender.error is not None or state.time_s >= end_s):
                return
            if any(not _press(key, stage, sender, state) for key in pressed()):
                return
            if shown:
                lamps = lamps or stack.enter_context(Lamps(show))
                lamps.draw(show, state.time_s, "\n".join(_lines(stage, state, changer.said)))
            stop.wait(FRAME_S)


def _tell(stage: Stage, state: State, where: str, loop: bool) -> None:
    piece = stage.pieces[state.piece]
    if state.waiting:
        click.echo(f"waiting for a cue: {plain(piece.name)}", err=True)
        return
    last = state.piece + 1 == len(stage.pieces)
    lead = piece.schedules[0]
    long = "until Ctrl-C" if loop and last else length(lead.show.music_s / lead.speed)
    click.echo(f"playing {plain(piece.name)}: {where}, {long}", err=True)


def _press(key: str, stage: Stage, sender: Sender, state: State) -> bool:
    """Do what a key says; false if it ends the set."""
    from sonify.live.commands import Command

    commands: dict[str, Command] = {
        "space": Command("start" if state.waiting else "pause"),
        "n": Command("next"),
        "left": Command("jump", by=-1),
        "right": Command("jump", by=1),
        "l": Command("loop"),
        "+": Command("transpose", number=state.semitones + 1),
        "-": Command("transpose", number=state.semitones - 1),
        **{str(k): Command("mute", number=k) for k in range(1, 10)},
        **stage.cues.keys,
    }
    if key in commands:
        sender.command(commands[key])
    return key != "q"


def _lines(stage: Stage, state: State, said: str) -> Iterator[str]:
    """What plays, what comes next, and keys."""
    piece, count = stage.pieces[state.piece], len(stage.pieces)
    name = plain(piece.name)
    number = f"{state.piece + 1} of {count}  " if count > 1 else ""
    if state.waiting:
        yield f"{number}{name}  waits for a cue (space)"
    else:
        extra = []
        if state.paused:
            extra.append("paused" if state.bpm is None else "waits for the clock")
        elif state.bpm is not None:
            extra.append(f"follows {state.bpm:.1f} bpm")
        if state.looped is not None:
            extra.append(f"loops row {state.looped}")
        if state.semitones:
            extra.append(f"{state.semitones:+d} semitones")
        if state.muted:
            extra.append("muted: " + ", ".join(sorted(state.muted)))
        end = state.schedule.show.music_s
        yield "  ".join([
            f"{number}{name}  row {state.row} of {state.rows}  {length(min(state.time_s, end))} of "
            f"{length(end)}", *extra,
        ])  # fmt: skip
    if state.coming:
        yield "next: " + ", ".join(_said(c) for c in state.coming)
    elif not state.waiting and state.piece + 1 < count:
        after = stage.pieces[state.piece + 1]
        yield f"next: {plain(after.name)}" + (" (waits for a cue)" if after.waits else "")
    else:
        yield "next: the end" if not state.waiting else ""
    voices = state.schedule.voices[:9]
    if stage.controllers.learning is not None:
        yield f"move the controller for {stage.controllers.learning}"
    elif said:
        yield plain(said)
    yield "voices: " + "  ".join(f"{k} {plain(v)}" for k, v in enumerate(voices, 1))
    yield from _KEYS


def _said(command: Command) -> str:
    what = {"start": "piece", "jump": "row", "preset": "other preset"}.get(command.do, command.do)
    if command.do == "next":
        what = "next piece"
    number = "" if command.number is None else f" {command.number}"
    return f"{what}{number}"
