"""`sonify score`: the music to read."""

from __future__ import annotations

import click

from sonify.cli.common import (
    disc_argument,
    output_option,
    perform_from,
    rows_option,
    setting_options,
)
from sonify.cli.outputs import write_one

__all__ = ["score"]


@click.command()
@disc_argument
@output_option("The file: .musicxml, .svg, .png or .pdf. [default: out/DISC-score.musicxml]")
@setting_options
@rows_option
@click.option(
    "--zoom", type=click.FloatRange(0, 8, min_open=True), default=2.0, show_default=True,
    help="Scale of a .png: pixels per 1/96 inch.",
)  # fmt: skip
def score(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    rows: str | None,
    zoom: float,
) -> None:
    """Write the music as a score: one staff per voice, with the message under its notes.

    MusicXML opens in notation programs; the other kinds are engraved, ready to read or print.
    Swing, gate and humanising are written as straight notes with a direction in words.

    \b
    Examples:
      sonify score cairn-small -o fog.pdf
      sonify score my.toml -p hut-band --rows 1-4 -o start.musicxml
    """
    show = perform_from(disc, presets, assignments)
    write_one(show, "score", output, show.read_s, rows=rows, zoom=zoom)
