"""`sonify make`: a disc's music and light show in a folder."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from click import option

from sonify.atomic import make_folder
from sonify.cli.common import DEFAULT_FOLDER, TIMED, WRITTEN, Request, chosen, disc_command
from sonify.cli.outputs import caution_letters, caution_wire, usual_name, write_one
from sonify.cli.usual import caution
from sonify.errors import InputError
from sonify.export.file_formats import run
from sonify.export.sound.renderers import make_ready
from sonify.extras import NotInstalled
from sonify.limits import Beside, most

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["make"]

PARTS = ("midi", "lights", "sound", "message", "clip")
USUAL = ("midi", "lights", "sound", "message")
"""A clip takes a while, so it is made only on request."""

_LONG = 20_000_000
"""Pixels painted from which on a message takes longer than a process that makes it beside the rest
needs to start (0.4 s)."""


@disc_command(
    option(
        "-o", "--output", "folder", type=WRITTEN, metavar="DIR", default=str(DEFAULT_FOLDER),
        show_default=True, help="The folder to write to.",
    ),
    *TIMED,
    option("--only", metavar="LIST", help=f"Any of {','.join(PARTS)}. [default: all but clip]"),
)  # fmt: skip
def make(request: Request, folder: str, only: str | None) -> None:
    """Make a disc's music and light show: a MIDI file, two animations and a sound file.

    The animations show how the LED matrix fills and how the message scrolls.

    Caution: moving light can harm people with photosensitive epilepsy, and loud sound can damage
    hearing. Turn the volume down before you play it.

    \b
    Examples:
      sonify make cairn-small
      sonify make my.toml -p music-box -p slow -o results --only midi,lights
    """
    wanted = USUAL if only is None else _chosen(only)
    if "sound" in wanted:
        make_ready()
    show = request.perform()
    target = Path(folder)
    make_folder(target)
    scroll = show.scroll
    seconds = {"midi": show.music_s, "lights": show.message_s}
    if scroll is not None:
        seconds["message"] = scroll.end_s - scroll.start_s
    with contextlib.ExitStack() as stack:
        begun = {}
        if len(wanted) > 1 and "message" in wanted and _is_long(show):
            path = target / usual_name(show, "message")
            begun["message"] = stack.enter_context(Beside(run, show, path, "message", {}))
        for what in sorted(wanted, key=(*PARTS, *wanted).index):
            if what == "message":
                if scroll is None and only:
                    raise InputError(
                        "this disc has no message to scroll; leave 'message' out of --only",
                        file=request.disc,
                    )
                if scroll is None:
                    caution("this disc has no message to scroll")
                    continue
                caution_letters(show)
            try:
                own = seconds.get(what) if what in PARTS else show.music_s
                write_one(show, what, None, own, target, begun.get(what))
            except NotInstalled as e:
                if only is not None:
                    raise
                caution(f"no {what}: {e}")
            if what == "midi":
                caution_wire(show)


def _is_long(show: Performance) -> bool:
    """Whether the message is worth a process of its own."""
    scroll, lamps = show.scroll, show.setup.player.matrix.lamps
    if scroll is None or most() == 1:
        return False
    return scroll.steps * lamps * show.setup.light.pixels**2 > _LONG


def _chosen(only: str) -> list[str]:
    """The outputs of a list: of PARTS, or of other packages."""
    from sonify.plugins import plugged

    names = {n.strip() for n in only.split(",")}
    more = () if names <= set(PARTS) else tuple(w.what for w in plugged("exports"))
    return chosen(only, (*PARTS, *more), "output", "only")
