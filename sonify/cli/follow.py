"""What a terminal shows while a set plays, and what its keys do."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple

import click

from sonify.cli.common import length, plain
from sonify.cli.lamps import FRAME_S, Lamps

if TYPE_CHECKING:
    from sonify.live.changing import Changer
    from sonify.live.commands import Command, Piece, State
    from sonify.live.controllers import Controllers
    from sonify.live.cues import CueTable
    from sonify.live.sender import Sender
    from sonify.live.set_sound import SetSound

__all__ = ["PORT_ONLY", "Stage", "follow_set"]

PORT_ONLY = ("mute", "transpose")
"""What rendered sound can't do."""

_KEYS = (
    "space start, pause   n next piece   \u2190 this row again   \u2192 leave out a row",
    "l loop row   q end",
)  # fmt: skip


class Stage(NamedTuple):
    """What is ready to play."""

    pieces: list[Piece]
    cues: CueTable
    controllers: Controllers


def follow_set(
    stage: Stage,
    sender: Sender | SetSound,
    changer: Changer | None,
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
                moved = stage.controllers.settings
                if changer is not None and told is not None and moved and not state.waiting:
                    # what is moved stays moved in the next piece
                    changer.want(moved, "now")
                told = state.piece, state.waiting
                if lamps is None:
                    # later the screen says it
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
                lines = _lines(stage, state, None if changer is None else changer.said)
                lamps.draw(show, state.time_s, "\n".join(lines))
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


def _press(key: str, stage: Stage, sender: Sender | SetSound, state: State) -> bool:
    """Do what a key says; false if it ends the set."""
    from sonify.live.commands import Command
    from sonify.live.sender import Sender

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
    if key in commands and (isinstance(sender, Sender) or commands[key].do not in PORT_ONLY):
        sender.command(commands[key])
    return key != "q"


def _lines(stage: Stage, state: State, said: str | None) -> Iterator[str]:
    """What plays, what comes next, and keys; `said` is None where nothing goes to a port."""
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
            extra.append(f"{state.semitones:+d} semitone{'s' * (abs(state.semitones) > 1)}")
        if state.muted:
            extra.append("muted: " + ", ".join(sorted(state.muted)))
        end = state.schedule.show.music_s
        yield "  ".join([
            f"{number}{name}  row {state.row} of {state.rows}  {length(min(state.time_s, end))} of "
            f"{length(end)}", *extra,
        ])  # fmt: skip
    if state.coming:
        yield "next: " + "; ".join(_said(c, stage, state) for c in state.coming)
    elif not state.waiting and state.piece + 1 < count:
        after = stage.pieces[state.piece + 1]
        yield f"next: {plain(after.name)}" + (" (waits for a cue)" if after.waits else "")
    else:
        yield "next: the end" if not state.waiting else ""
    if stage.controllers.learning is not None:
        yield f"move the controller for {stage.controllers.learning}"
    elif said:
        yield plain(said)
    yield from _KEYS
    if stage.cues.keys:
        yield "cues: " + "   ".join(f"{k} {c.do}" for k, c in stage.cues.keys.items())
    if said is not None:
        voices = state.schedule.voices[:9]
        mutes = "   ".join(f"{k} {plain(v)}" for k, v in enumerate(voices, 1))
        yield f"mute {mutes}   + - transpose"


def _said(command: Command, stage: Stage, state: State) -> str:
    """What a command that takes effect later will do, and where."""
    number = command.number
    if command.do in ("next", "start"):
        index = state.piece + 1 if number is None else number - 1
        what = plain(stage.pieces[index].name)
    elif command.do in ("jump", "loop") and number is not None:
        what = f"{'loop ' * (command.do == 'loop')}row {number}"
    elif command.do == "jump":
        what = "this row again" if command.by < 0 else "leave out a row"
    else:
        what = command.do
    return what + {"row": ", at the next row", "bar": ", at the next bar"}.get(command.at or "", "")
