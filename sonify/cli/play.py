"""Playing in real time: `sonify play` with sound or MIDI, `sonify watch` in the terminal."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import click
from click import FloatRange, option

from sonify.cli.common import SETTINGS, Request, disc_command, length
from sonify.cli.lamps import FRAME_S, Lamps, agree
from sonify.cli.stage import play_set, play_set_aloud, stage_of
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["play", "watch"]

_NEW_SCREEN, _OLD_SCREEN, _CLEAN = "\x1b[?1049h\x1b[H", "\x1b[?1049l", "\x1b[0m\x1b[?25h"

LOOP = option("--loop", is_flag=True, help="Repeat until Ctrl-C.")
SPEED = option(
    "--speed", type=FloatRange(0.1, 10), default=1.0, metavar="X",
    help="2 is twice as fast, at the same pitch.",
)  # fmt: skip


@disc_command(
    *SETTINGS,
    LOOP,
    option("--from-row", type=int, default=1, metavar="N", help="Start at this row."),
    SPEED,
    option("--set-list", metavar="FILE", help="Play the pieces of this TOML file, with its cues."),
    option("--port", metavar="NAME", help="Send MIDI to this port instead of playing sound."),
    option("--virtual", metavar="NAME", help="Create a MIDI port with this name and send to it."),
    option("--list-ports", is_flag=True, help="List the MIDI output ports, one per line."),
    option("--clock", is_flag=True, help="Also send MIDI clock, start and stop to the port."),
    option(
        "--input",
        "source",
        metavar="NAME",
        help="Take cues, clock, keys and controllers from this MIDI input port.",
    ),
    option("--list-inputs", is_flag=True, help="List the MIDI input ports, one per line."),
    option("--follow", is_flag=True, help="Follow the MIDI clock of the input port."),
    option(
        "--keyboard",
        type=click.Choice(["transpose", "chord"]),
        help="Let keys of the input transpose, or chords give root and scale.",
    ),
    option(
        "--controls",
        metavar="FILE",
        help="What keys and controllers of the input change (TOML).",
    ),
    option(
        "--learn",
        metavar="SETTING",
        multiple=True,
        help="Let the next controller that moves change this setting of the music, and keep it in "
        "--controls. Repeatable.",
    ),
    several=True,
)
def play(
    requests: list[Request],
    port: str | None,
    virtual: str | None,
    list_ports: bool,
    list_inputs: bool,
    set_list: str | None,
    source: str | None,
    controls: str | None,
    learn: tuple[str, ...],
    keyboard: str | None,
    follow: bool,
    clock: bool,
    loop: bool,
    from_row: int,
    speed: float,
) -> None:
    """Play discs now, through the speakers or live to a MIDI port.

    The terminal shows the LED matrix as it plays. Ctrl-C stops at any time and leaves no note
    hanging.

    Several discs, or a set list, play one after the other. A set list has pieces, which may wait
    for a cue, fade into each other or have layers, and cues: keys, notes, footswitches or times of
    day. The terminal shows the keys. See `perform` in the documentation.

    Caution: loud sound can damage hearing. Turn the volume down first, especially on headphones.
    Moving light can harm people with photosensitive epilepsy.

    \b
    Examples:
      sonify play cairn-small
      sonify play my.toml -p music-box --from-row 3 --speed 1.5
      sonify play my.toml --port "My Synth" --clock --loop
      sonify play --set-list night.toml --port "My Synth" --input "My Pedal"
      sonify play my.toml --port "My Synth" --input "My Drums" --follow
    """
    if list_ports or list_inputs:
        _list_ports(list_inputs)
        return
    if not requests and set_list is None:
        raise InputError("give a disc file, or the name of a disc that ships", place="DISC")
    if port is not None and virtual is not None:
        raise InputError("give --port or --virtual, not both", place="--virtual")
    to_port = port if port is not None else virtual
    if clock and to_port is None:
        raise InputError("MIDI clock goes to a port; give --port or --virtual", place="--clock")
    needing = {"--follow": follow, "--controls": controls, "--learn": learn, "--keyboard": keyboard}
    for name, given in needing.items():
        if given and source is None:
            raise InputError("this needs the port of an instrument; give --input", place=name)
    if learn and controls is None:
        raise InputError("say where to keep it: give --controls FILE", place="--learn")
    if follow and speed != 1:
        raise InputError("the clock that is followed sets the speed; leave it out", place="--speed")
    if to_port is None:
        for name, given in needing.items():
            if given:
                raise InputError("this needs a MIDI port; give --port or --virtual", place=name)
    stage = stage_of(requests, set_list, speed, controls, keyboard, learn, in_beats=follow)
    if sys.stdout.isatty():
        for piece in stage.pieces:
            agree(piece.schedules[0].show.at_speed(piece.schedules[0].speed))
    with stopped() as stop:
        if to_port is None:
            play_set_aloud(stage, stop, source=source, loop=loop, from_row=from_row)
            return
        play_set(
            stage, stop, to_port, virtual=virtual is not None, source=source, follow=follow,
            clock=clock, loop=loop, from_row=from_row,
        )  # fmt: skip


def _list_ports(inputs: bool) -> None:
    from sonify.live.ports import list_ports

    names = list_ports(inputs=inputs)
    for name in names:
        click.echo(name)
    if not names:
        more = "" if inputs else "; --virtual NAME creates one"
        click.echo(f"there are no MIDI {'input ' * inputs}ports here{more}", err=True)


@disc_command(
    *SETTINGS,
    LOOP,
    SPEED,
    option(
        "--from", "from_s", type=FloatRange(0), default=0.0, metavar="S",
        help="Start at this second.",
    ),
)  # fmt: skip
def watch(request: Request, from_s: float, speed: float, loop: bool) -> None:
    """Watch the LED matrix in the terminal, in real time and without sound.

    Terminals with 24-bit colour show the look; others show plain characters. The message appears
    below as it is decoded. Ctrl-C stops and restores the screen.

    Caution: moving light can harm people with photosensitive epilepsy.

    \b
    Examples:
      sonify watch cairn-small
      sonify watch my.toml -p lichen --speed 2
    """
    from sonify.light.captions import Decoded

    show = request.perform()
    if not sys.stdout.isatty():
        raise InputError(
            "the output is not a terminal; `sonify lights` writes a file", place="standard output"
        )
    end = show.duration_s
    if from_s >= end:
        raise InputError(f"the piece ends at {end:.2f} s; start before that", place="--from")
    agree(show.at_speed(speed))
    decoded = Decoded(show.captions)
    begin = time.monotonic()

    def place() -> float | None:
        gone = (time.monotonic() - begin) * speed
        return from_s + gone % (end - from_s) if loop or gone < end - from_s else None

    def words(now: float) -> str:
        return f"{length(now)} of {length(end)}  {decoded.shown(decoded.count(now))[-60:]}"

    with stopped() as stop:
        sys.stdout.write(_NEW_SCREEN)
        try:
            _show_matrix(show, stop, place, words)
        finally:
            sys.stdout.write(_CLEAN + _OLD_SCREEN)
            sys.stdout.flush()


@contextlib.contextmanager
def stopped() -> Iterator[threading.Event]:
    """An event that Ctrl-C and signals to end set, so that they raise no exception."""
    event = threading.Event()
    before = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and threading.current_thread() is threading.main_thread():
            before[number] = signal.signal(number, lambda *_: event.set())
    try:
        yield event
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def _show_matrix(
    show: Performance,
    stop: threading.Event,
    place: Callable[[], float | None],
    words: Callable[[float], str],
) -> None:
    """Draw the matrix at the time `place()`, with `words` below, until that time is None."""
    with Lamps(show) as lamps:
        while not stop.is_set():
            now = place()
            if now is None:
                return
            lamps.draw(show, now, words(now))
            stop.wait(FRAME_S)
