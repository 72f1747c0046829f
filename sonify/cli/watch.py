"""`sonify watch`: the matrix in the terminal, in real time."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

from sonify.cli.common import disc_argument, length, perform_from, setting_options
from sonify.errors import InputError

if TYPE_CHECKING:
    import threading

    from sonify.performance import Performance

__all__ = ["watch"]

_FRAME_S = 1 / 60
_NEW_SCREEN, _OLD_SCREEN, _CLEAN = "\x1b[?1049h\x1b[H", "\x1b[?1049l", "\x1b[0m\x1b[?25h"


@click.command()
@disc_argument
@setting_options
@click.option("--from", "from_s", type=click.FloatRange(0), default=0.0, metavar="S",
              help="From this second on.")  # fmt: skip
@click.option(
    "--speed",
    type=click.FloatRange(0.1, 10),
    default=1.0,
    metavar="X",
    help="2 shows it twice as fast.",
)
@click.option("--loop", is_flag=True, help="Again and again, until Ctrl-C.")
def watch(
    disc: str,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    from_s: float,
    speed: float,
    loop: bool,
) -> None:
    """Watch the matrix in the terminal as the player fills it, without sound, in real time.

    In true colour where the terminal has it, and in plain characters elsewhere; below it stand the
    characters as they are decoded. Ctrl-C ends it and leaves the screen as it was.

    Caution: moving light can harm people with photosensitive epilepsy.

    \b
    Examples:
      sonify watch cairn-small
      sonify watch my.toml -p lichen --speed 2
    """
    show = perform_from(disc, presets, assignments)
    if not sys.stdout.isatty():
        raise InputError(
            "this is shown in a terminal, and the output is none; `sonify lights` writes a file",
            place="standard output",
        )
    if from_s >= show.duration_s:
        raise InputError(
            f"the piece ends at {show.duration_s:.2f} s; begin before that", place="--from"
        )
    from sonify.cli.play import stopped

    with stopped() as stop:
        sys.stdout.write(_NEW_SCREEN)
        try:
            _run(show, stop, from_s, speed, loop)
        finally:
            sys.stdout.write(_CLEAN + _OLD_SCREEN)
            sys.stdout.flush()


def _run(show: Performance, stop: threading.Event, from_s: float, speed: float, loop: bool) -> None:
    import numpy as np

    from sonify.light.captions import Decoded
    from sonify.light.mounting import Mounting
    from sonify.live.matrix import Lamps
    from sonify.live.terminal import Screen

    mounting = Mounting.of(show.setup.light, show.setup.player.matrix)
    decoded = Decoded(show.captions)
    with Screen(sys.stdout, *mounting.size, show.setup.light) as screen:
        while not stop.is_set():
            lamps = Lamps(show)
            begin = time.monotonic()
            now = from_s
            while now < show.duration_s and not stop.is_set():
                said = decoded.shown(decoded.count(now))[-60:]
                line = f"{length(now)} of {length(show.duration_s)}  {said}"
                screen.draw(np.ascontiguousarray(mounting.levels(lamps.at(now))), line)
                stop.wait(_FRAME_S)
                now = from_s + (time.monotonic() - begin) * speed
            if not loop:
                return
