"""`sonify play`: a disc's music now, through the speakers or to a MIDI port."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import TYPE_CHECKING

import click

from sonify.cli.common import (
    caution,
    cautions_shown,
    length,
    perform_from,
    setting_options,
)
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.midi.bandwidth import Traffic
    from sonify.performance import Performance

__all__ = ["play"]

_FRAME_S = 1 / 30


@click.command()
@click.argument("disc", metavar="DISC", required=False)
@setting_options
@click.option("--port", metavar="NAME", help="Send MIDI to this port instead of sounding.")
@click.option("--virtual", metavar="NAME", help="Make a port of this name and send MIDI to it.")
@click.option("--list-ports", is_flag=True, help="List the ports that take MIDI, one a line.")
@click.option("--clock", is_flag=True, help="Send MIDI clock, start and stop to the port too.")
@click.option("--loop", is_flag=True, help="Again and again, until Ctrl-C.")
@click.option("--from-row", type=int, default=1, metavar="N", help="Begin at this row.")
@click.option(
    "--speed",
    type=click.FloatRange(0.1, 10),
    default=1.0,
    metavar="X",
    help="2 plays twice as fast, at the same pitch.",
)
def play(
    disc: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    port: str | None,
    virtual: str | None,
    list_ports: bool,
    clock: bool,
    loop: bool,
    from_row: int,
    speed: float,
) -> None:
    """Play the disc now: through the speakers, or live to a MIDI port.

    The terminal shows the matrix as it plays. Ctrl-C ends it at any moment and leaves no note
    hanging.

    Caution: loud sound can hurt ears. Turn the volume down first, on headphones above all. Moving
    light can harm people with photosensitive epilepsy.

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
            click.echo("there are no MIDI ports here; --virtual NAME makes one", err=True)
        return
    if disc is None:
        raise InputError("a disc is needed: a file, or the name of one that ships", place="DISC")
    if port is not None and virtual is not None:
        raise InputError("give --port or --virtual, not both", place="--virtual")
    if clock and port is None and virtual is None:
        raise InputError("MIDI clock goes to a port; give --port or --virtual", place="--clock")
    show = perform_from(disc, presets, assignments)
    to_port = port if port is not None else virtual
    if to_port is None:
        _speakers(show, from_row, speed, loop)
    else:
        _port(show, to_port, virtual is not None, clock, from_row, speed, loop)


@contextlib.contextmanager
def stopped() -> Iterator[threading.Event]:
    """An event that Ctrl-C and a request to end set, instead of breaking in anywhere."""
    event = threading.Event()

    def set_it(_number: int, _frame: FrameType | None) -> None:
        event.set()

    before = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and threading.current_thread() is threading.main_thread():
            before[number] = signal.signal(number, set_it)
    try:
        yield event
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def _speakers(show: Performance, from_row: int, speed: float, loop: bool) -> None:
    from sonify.export.sound.master import mastered
    from sonify.export.sound.options import SoundOptions, span_of
    from sonify.live.schedule import row_start
    from sonify.live.speakers import Endless, open_speakers

    start = row_start(show, from_row)
    options = SoundOptions(from_s=start, speed=speed)
    begin, end = span_of(show, options)
    period = (end - begin) / speed
    times = Endless.passes(period) if loop else 1
    with cautions_shown():
        sound = mastered(show, SoundOptions(from_s=start, loop=times, speed=speed))
    with stopped() as stop:
        out = open_speakers(Endless(sound, period, times) if loop else sound)
        try:
            out.start()
            _say(show, "speakers", None if loop else sound.seconds)

            def place() -> float:
                heard = out.position_s()
                return start + (heard % period if loop else heard) * speed

            _watch(show, place, out.done, stop, loop)
        finally:
            out.close()


def _port(
    show: Performance,
    name: str,
    virtual: bool,
    clock: bool,
    from_row: int,
    speed: float,
    loop: bool,
) -> None:
    from sonify.live.ports import open_port
    from sonify.live.schedule import schedule_of
    from sonify.live.sender import Sender, punctual
    from sonify.midi.bandwidth import traffic_of

    schedule = schedule_of(show, from_row=from_row, speed=speed, clock=clock)
    clocks = show.grid.ticks_per_quarter / 24 if clock else None
    traffic = traffic_of(show.events, show.tick_s / speed, clocks)
    with stopped() as stop:
        port = open_port(name, virtual=virtual)
        try:
            _say(show, port.name, None if loop else schedule.period_s)
            _say_wire(traffic)
            sender = Sender(schedule, port, loop=loop)
            with punctual():
                sender.start()
                try:
                    _watch(show, sender.position_s, lambda: not sender.is_alive(), stop, loop)
                finally:
                    sender.stop()
                    sender.join()
            if sender.error is not None:
                raise sender.error
        finally:
            port.close()


def _say_wire(traffic: Traffic) -> None:
    from sonify.midi.bandwidth import caution_of

    click.echo(traffic.line(), err=True)
    late = caution_of(traffic)
    if late is not None:
        caution(late)


def _say(show: Performance, where: str, seconds: float | None) -> None:
    long = "until Ctrl-C" if seconds is None else length(seconds)
    click.echo(f"playing {show.disc.title or show.disc.name}: {where}, {long}", err=True)


def _watch(
    show: Performance,
    place: Callable[[], float],
    done: Callable[[], bool],
    stop: threading.Event,
    loop: bool,
) -> None:
    """Show the matrix until it is over or stopped."""
    if not sys.stdout.isatty():
        while not done() and not stop.wait(_FRAME_S):
            pass
        return
    from sonify.live.matrix import Lamps
    from sonify.live.terminal import Screen

    m = show.setup.player.matrix
    lamps = Lamps(show)
    end = show.read_s if loop else show.duration_s
    with Screen(sys.stdout, m.width, m.height, show.setup.light) as screen:
        while not stop.is_set():
            now = place()
            over = done()
            # a message scrolls on when the last note has rung out
            if over and (loop or now >= end or not _goes_on(show, now)):
                return
            screen.draw(lamps.at(now), f"{length(max(0.0, now))}  Ctrl-C stops")
            stop.wait(_FRAME_S)


def _goes_on(show: Performance, now: float) -> bool:
    return show.scroll is not None and now < show.scroll.end_s
