"""Playing in real time: `sonify play` with sound or MIDI, `sonify watch` in the terminal."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import click
from click import FloatRange, option

from sonify.cli.common import SETTINGS, Request, caution, cautions_shown, disc_command, length
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["play", "watch"]

_FRAME_S = 1 / 60
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
    option("--port", metavar="NAME", help="Send MIDI to this port instead of playing sound."),
    option("--virtual", metavar="NAME", help="Create a MIDI port with this name and send to it."),
    option("--list-ports", is_flag=True, help="List the MIDI output ports, one per line."),
    option("--clock", is_flag=True, help="Also send MIDI clock, start and stop to the port."),
    disc_needed=False,
)
def play(
    request: Request,
    port: str | None,
    virtual: str | None,
    list_ports: bool,
    clock: bool,
    loop: bool,
    from_row: int,
    speed: float,
) -> None:
    """Play the disc now, through the speakers or live to a MIDI port.

    The terminal shows the LED matrix as it plays. Ctrl-C stops at any time and leaves no note
    hanging.

    Caution: loud sound can damage hearing. Turn the volume down first, especially on headphones.
    Moving light can harm people with photosensitive epilepsy.

    \b
    Examples:
      sonify play cairn-small
      sonify play my.toml -p music-box --from-row 3 --speed 1.5
      sonify play my.toml --port "My Synth" --clock --loop
    """
    if list_ports:
        from sonify.live.ports import list_ports as ports

        names = ports()
        for name in names:
            click.echo(name)
        if not names:
            click.echo("there are no MIDI ports here; --virtual NAME creates one", err=True)
        return
    if not request.disc:
        raise InputError("give a disc file, or the name of a disc that ships", place="DISC")
    if port is not None and virtual is not None:
        raise InputError("give --port or --virtual, not both", place="--virtual")
    to_port = port if port is not None else virtual
    if clock and to_port is None:
        raise InputError("MIDI clock goes to a port; give --port or --virtual", place="--clock")
    show = request.perform()
    if to_port is None:
        _speakers(show, loop, from_row, speed)
    else:
        _port(show, loop, to_port, virtual is not None, from_row=from_row, speed=speed, clock=clock)


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
    _agree(show.at_speed(speed))
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


def _agree(show: Performance) -> None:
    """Ask before a show that flashes more than WCAG allows.

    Raises
    ------
    click.Abort
        The answer is no.
    """
    from sonify.studio.flashing import flashing_of, may_flash

    if not may_flash(show):
        return
    found = flashing_of(show)
    if found.over:
        caution(f"at this speed the lamps flash more than WCAG 2.2 SC 2.3.1 allows: {found.short}")
        click.confirm("Watch it all the same?", abort=True, err=True)


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


def _speakers(show: Performance, loop: bool, from_row: int, speed: float) -> None:
    from sonify.export.sound.master import mastered
    from sonify.export.sound.options import SoundOptions, sound_span
    from sonify.live.schedule import row_start
    from sonify.live.speakers import Endless, open_speakers

    start = row_start(show, from_row)
    begin, end = sound_span(show, SoundOptions(from_s=start, speed=speed))
    period = (end - begin) / speed
    times = Endless.passes(period) if loop else 1
    with cautions_shown():
        sound = mastered(show, SoundOptions(from_s=start, loop=times, speed=speed))
    with (
        stopped() as stop,
        contextlib.closing(open_speakers(Endless(sound, period, times) if loop else sound)) as out,
    ):
        out.start()

        def place() -> float:
            heard = out.position_s()
            return start + (heard % period if loop else heard) * speed

        _follow(show, "speakers", None if loop else sound.seconds, place, out.done, stop)


def _port(
    show: Performance, loop: bool, name: str, virtual: bool, *, speed: float, **options: Any
) -> None:
    from sonify.live.ports import open_port
    from sonify.live.schedule import schedule_of
    from sonify.live.sender import Sender, punctual
    from sonify.midi.bandwidth import caution_of, traffic_of

    schedule = schedule_of(show, speed=speed, **options)
    clocks = show.grid.ticks_per_quarter / 24 if options["clock"] else None
    traffic = traffic_of(show.events, lambda t: show.seconds(t) / speed, clocks)
    with stopped() as stop, contextlib.closing(open_port(name, virtual=virtual)) as port:
        click.echo(traffic.line(), err=True)
        late = caution_of(traffic)
        if late is not None:
            caution(late)
        sender = Sender(schedule, port, loop=loop)
        with punctual():
            sender.start()
            try:
                seconds = None if loop else schedule.period_s
                _follow(
                    show, port.name, seconds, sender.position_s, lambda: not sender.is_alive(), stop
                )
            finally:
                sender.stop()
                sender.join()
        if sender.error is not None:
            raise sender.error


def _follow(
    show: Performance,
    where: str,
    seconds: float | None,
    position_s: Callable[[], float],
    done: Callable[[], bool],
    stop: threading.Event,
) -> None:
    """Print what plays, and show the matrix until the end; without `seconds` there is none."""
    long = "until Ctrl-C" if seconds is None else length(seconds)
    click.echo(f"playing {show.disc.display_name}: {where}, {long}", err=True)
    if not sys.stdout.isatty():
        while not done() and not stop.wait(_FRAME_S):
            pass
        return

    def place() -> float | None:
        now, over = position_s(), done()
        # the message may scroll on after the last note
        scrolls = seconds is not None and show.scroll is not None and now < show.scroll.end_s
        return None if over and not scrolls else now

    _show_matrix(show, stop, place, lambda now: f"{length(max(0.0, now))}  Ctrl-C stops")


def _show_matrix(
    show: Performance,
    stop: threading.Event,
    place: Callable[[], float | None],
    words: Callable[[float], str],
) -> None:
    """Draw the matrix at the time `place()`, with `words` below, until that time is None."""
    import numpy as np

    from sonify.light.lamp_levels import LampLevels
    from sonify.light.mounting import Mounting
    from sonify.live.terminal import Screen

    mounting = Mounting.of(show.setup.light, show.setup.player.matrix)
    lamps = LampLevels(show.lights, show.setup.player.matrix, show.scroll)
    with Screen(sys.stdout, *mounting.size, show.setup.light) as screen:
        while not stop.is_set():
            now = place()
            if now is None:
                return
            screen.draw(np.ascontiguousarray(mounting.levels(lamps.at(now))), words(now))
            stop.wait(_FRAME_S)
