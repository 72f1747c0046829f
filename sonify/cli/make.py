"""`sonify make`: all that a disc becomes, into a folder."""

from __future__ import annotations

from pathlib import Path

import click

from sonify.atomic import make_folder
from sonify.cli.common import (
    DEFAULT_FOLDER,
    caution,
    disc_argument,
    perform_from,
    setting_options,
)
from sonify.cli.outputs import caution_letters, caution_wire, write_one
from sonify.errors import InputError, close_matches

__all__ = ["make"]

PARTS = ("midi", "lights", "message", "sound", "clip")
ASKED = ("clip",)
"""Takes its time, so that it is made only when it is named."""


@click.command()
@disc_argument
@click.option(
    "-o", "--output", "folder", metavar="DIR", default=str(DEFAULT_FOLDER), show_default=True,
    help="The folder to write to.",
)  # fmt: skip
@setting_options
@click.option(
    "--only",
    metavar="LIST",
    help=f"Some of these, with commas: {','.join(PARTS)}. [default: all but clip]",
)
def make(
    disc: str,
    folder: str,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    only: str | None,
) -> None:
    """Make a disc's music and light: a MIDI file, the matrix filling, the message, and the sound.

    Caution: moving light can harm people with photosensitive epilepsy, and loud sound can hurt
    ears: turn the volume down before you play it.

    \b
    Examples:
      sonify make cairn-small
      sonify make my.toml -p music-box -p slow -o results --only midi,lights
    """
    wanted = chosen(only)
    show = perform_from(disc, presets, assignments)
    target = Path(folder)
    make_folder(target)
    name = show.disc.name
    if "midi" in wanted:
        write_one(show, "midi", str(target / f"{name}.mid"), show.music_s)
        caution_wire(show)
    if "lights" in wanted:
        write_one(show, "lights", str(target / f"{name}-lights.gif"), show.message_s)
    if "message" in wanted:
        if show.scroll is None:
            if only:
                raise InputError(
                    "this disc has no message to scroll; leave 'message' out of --only", file=disc
                )
            caution("this disc has no message, so there is none to scroll")
        else:
            caution_letters(show)
            seconds = show.scroll.end_s - show.scroll.start_s
            write_one(show, "message", str(target / f"{name}-message.gif"), seconds)
    if "sound" in wanted:
        from sonify.cli.sound import write_sound
        from sonify.export.sound.options import SoundOptions

        write_sound(show, str(target / f"{name}.wav"), SoundOptions())
    if "clip" in wanted:
        write_one(show, "clip", str(target / f"{name}-clip.mp4"), None)


def chosen(only: str | None) -> set[str]:
    """The parts that --only names, or all."""
    if only is None:
        return set(PARTS) - set(ASKED)
    names = [n.strip() for n in only.split(",") if n.strip()]
    for name in names:
        if name not in PARTS:
            raise InputError(
                f"there is no output '{name}'{close_matches(name, PARTS)}; "
                f"some of: {', '.join(PARTS)}",
                place="--only",
            )
    if not names:
        raise InputError(f"it names nothing; some of: {', '.join(PARTS)}", place="--only")
    return set(names)
