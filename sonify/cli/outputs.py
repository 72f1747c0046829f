"""The commands that write one file: midi, lights, message."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sonify.cli.common import (
    DEFAULT_FOLDER,
    caution,
    disc_argument,
    output_option,
    perform_from,
    result,
    setting_options,
)
from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["lights", "message", "midi", "write_one"]


def write_one(
    show: Performance, what: str, output: str | None, seconds: float, **options: Any
) -> Path | None:
    """Write one output where it was asked for, and print its line.

    `-` is standard output; without a place, a file in `out/` named after the disc.
    """
    from sonify.write import WRITERS

    row = next(w for w in WRITERS if w.what == what)
    if output == "-":
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{show.disc.name}{row.suffixes[0]}"
            show.save(path, what, **options)
            sys.stdout.buffer.write(path.read_bytes())
            sys.stdout.buffer.flush()
        return None
    if output is None:
        path = DEFAULT_FOLDER / f"{show.disc.name}{row.ending}{row.suffixes[0]}"
    else:
        path = Path(output)
        if path.is_dir() or output.endswith("/"):
            path = path / f"{show.disc.name}{row.ending}{row.suffixes[0]}"
    show.save(path, what, **options)
    result(path, seconds)
    return path


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
    from sonify.music.wire import caution_of, keeps_up, traffic_of

    tick_s = show.grid.tick_s(show.timeline.position_s)
    if not keeps_up(show.parts, tick_s):
        late = caution_of(traffic_of(show.parts, tick_s))
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
    characters as lyrics at the moment each is read; then comes a track a voice. The last bar is
    filled, so that the file loops clean.

    \b
    Examples:
      sonify midi cairn-small
      sonify midi my.toml -p bell-tower --set music.root=E3 -o my.mid
    """
    from sonify.write.midi import end_tick

    show = perform_from(disc, presets, assignments)
    seconds = end_tick(show) * show.grid.tick_s(show.timeline.position_s)
    write_one(show, "midi", output, seconds, only_notes=only_notes)
    caution_wire(show)


@click.command()
@disc_argument
@output_option("The file: .gif, .png (APNG) or .webp. [default: out/DISC-lights.gif]")
@setting_options
@click.option("--rows", metavar="A-B", help="Only these rows, counted from 1.")
@click.option("--from", "from_s", type=float, metavar="S", help="From this second on.")
@click.option("--to", "to_s", type=float, metavar="S", help="Up to this second.")
@click.option(
    "--loop", type=click.IntRange(0, 65535), default=0, help="Times to play; 0: for ever."
)
def lights(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    rows: str | None,
    from_s: float | None,
    to_s: float | None,
    loop: int,
) -> None:
    """Write the matrix as it fills while the disc is read.

    Caution: moving light can harm people with photosensitive epilepsy.

    \b
    Examples:
      sonify lights cairn-small
      sonify lights cairn-large --rows 1-4 -p ice -o start.webp
    """
    from sonify.write.lights import Options, span_of

    show = perform_from(disc, presets, assignments)
    start, end = span_of(show, Options(from_s=from_s, to_s=to_s, rows=rows))
    write_one(show, "lights", output, end - start, from_s=from_s, to_s=to_s, rows=rows, loop=loop)


@click.command()
@disc_argument
@output_option("The file: .gif, .png (APNG) or .webp. [default: out/DISC-message.gif]")
@setting_options
@click.option(
    "--loop", type=click.IntRange(0, 65535), default=0, help="Times to play; 0: for ever."
)
def message(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    loop: int,
) -> None:
    """Write the message as it scrolls by after the last row.

    Caution: moving light can harm people with photosensitive epilepsy.

    \b
    Examples:
      sonify message cairn-small
      sonify message my.toml --set player.matrix.scroll=20 -o my.gif
    """
    show = perform_from(disc, presets, assignments)
    if show.scroll is None:
        raise InputError(
            "this disc has no message to scroll; give it a message, or bits and a [code]",
            file=disc,
        )
    caution_letters(show)
    write_one(show, "message", output, show.scroll.end_s - show.scroll.start_s, loop=loop)
