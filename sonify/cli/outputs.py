"""What commands that write one file share; and `sonify midi`."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sonify.cli.common import (
    DEFAULT_FOLDER,
    caution,
    cautions_shown,
    disc_argument,
    output_option,
    perform_from,
    result,
    setting_options,
)
from sonify.cli.progress import progress_shown

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["caution_letters", "midi", "told", "write_one"]

PICTURES = ("clip", "lights", "message")
"""Outputs that may be a folder of pictures: a place that ends with a slash."""


def write_one(
    show: Performance, what: str, output: str | None, seconds: float | None, **options: Any
) -> Path | None:
    """Write one output where it was asked for, and print its line.

    `-` is standard output; without a place, a file in `out/` named after the disc. Without
    `seconds` the writer says how long it is.
    """
    from sonify.export import WRITERS, run

    row = next(w for w in WRITERS if w.what == what)
    pictures = False
    if output == "-":
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{show.disc.name}{row.suffixes[0]}"
            with cautions_shown(), progress_shown(what):
                outcome = run(show, path, what, options)
            with open(path, "rb") as file:
                shutil.copyfileobj(file, sys.stdout.buffer)
            sys.stdout.buffer.flush()
        told(outcome)
        return None
    if output is None:
        path = DEFAULT_FOLDER / f"{show.disc.name}{row.ending}{row.suffixes[0]}"
    else:
        path = Path(output)
        pictures = output.endswith(("/", os.sep)) and what in PICTURES
        if not pictures and (path.is_dir() or output.endswith("/")):
            path = path / f"{show.disc.name}{row.ending}{row.suffixes[0]}"
    place = f"{path}{os.sep}" if pictures else path
    with cautions_shown(), progress_shown(what):
        outcome = run(show, place, what, options)
    result(path, outcome.seconds if seconds is None else seconds)
    told(outcome)
    return path


def told(outcome: Any) -> None:
    """Say what a moving picture flashes, what was softened, and what was written beside it."""
    from sonify.export.outcome import Outcome

    if not isinstance(outcome, Outcome):
        return
    for path in outcome.beside:
        click.echo(str(path))
    if outcome.changes:
        click.echo(f"calmer: {'; '.join(outcome.changes)}", err=True)
    if outcome.flashing.over:
        caution(f"it flashes more than WCAG 2.2 SC 2.3.1 allows: {outcome.flashing}; see --calm")
    else:
        click.echo(f"flashing: {outcome.flashing}", err=True)


def caution_letters(show: Performance) -> None:
    """Say which characters of the message the letters lack."""
    if show.scroll is not None and show.scroll.missing:
        shown = " ".join(
            c if c.isprintable() else f"U+{ord(c):04X}" for c in show.scroll.missing[:12]
        )
        more = "" if len(show.scroll.missing) <= 12 else " and more"
        caution(
            f"the letters have no {shown}{more}; a box stands in (name a font with "
            "--set player.matrix.letters=FILE.ttf)"
        )


def caution_wire(show: Performance) -> None:
    """Say where a player that sends over a 5-pin line would fall behind."""
    from sonify.midi.bandwidth import caution_of, keeps_up, traffic_of

    if not keeps_up(((p.on, p.off) for p in show.parts), show.tick_s):
        late = caution_of(traffic_of(show.events, show.tick_s))
        if late is not None:
            caution(late)


@click.command()
@disc_argument
@output_option("The file, .mid; - for standard output. [default: out/DISC.mid]")
@setting_options
@click.option("--only-notes", is_flag=True, help="Leave out all but the notes and the tempo.")
def midi(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    only_notes: bool,
) -> None:
    """Write the disc's music as a Standard MIDI file (format 1).

    A first track holds title, tempo, metre, key, a marker at each row and the message's
    characters as lyrics at the moment each is read; then comes one track per voice. The last
    bar is filled with rests, so that the file loops without a gap.

    \b
    Examples:
      sonify midi cairn-small
      sonify midi my.toml -p bell-tower --set music.root=E3 -o my.mid
    """
    show = perform_from(disc, presets, assignments)
    write_one(show, "midi", output, show.music_s, only_notes=only_notes)
    caution_wire(show)
