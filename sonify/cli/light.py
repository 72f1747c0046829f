"""The commands `lights` and `message`: the matrix by itself."""

from __future__ import annotations

from typing import Any

import click

from sonify.cli.clip import FLASHING, picture_options
from sonify.cli.common import (
    disc_argument,
    output_option,
    perform_from,
    range_options,
    setting_options,
)
from sonify.cli.outputs import caution_letters, write_one
from sonify.export.animation.options import needed_scroll

__all__ = ["lights", "message"]

KINDS = (
    "The file: .gif, .png (APNG), .webp, .mp4, .webm or .mov; DIR/ for a folder of numbered "
    "pictures."
)

loop_option = click.option(
    "--loop",
    type=click.IntRange(0, 65535),
    default=0,
    help="Times to play; 0: for ever (in video: once).",
)


@click.command(epilog=FLASHING)
@disc_argument
@output_option(f"{KINDS} [default: out/DISC-lights.gif]")
@setting_options
@picture_options
@range_options
@loop_option
def lights(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    **options: Any,
) -> None:
    """Write the matrix as it fills while the disc is read.

    \b
    Examples:
      sonify lights cairn-small
      sonify lights cairn-large --rows 1-4 -p glacier -o start.webp
    """
    show = perform_from(disc, presets, assignments)
    write_one(show, "lights", output, None, **options)


@click.command(epilog=FLASHING)
@disc_argument
@output_option(f"{KINDS} [default: out/DISC-message.gif]")
@setting_options
@picture_options
@loop_option
def message(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    **options: Any,
) -> None:
    """Write the message as it scrolls by after the last row.

    \b
    Examples:
      sonify message cairn-small
      sonify message my.toml --set player.matrix.scroll=20 -o my.gif
    """
    show = perform_from(disc, presets, assignments)
    needed_scroll(show, disc)
    caution_letters(show)
    write_one(show, "message", output, None, **options)
