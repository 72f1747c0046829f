"""`sonify clip`: the show as a clip, with its sound."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from sonify.cli.common import (
    disc_argument,
    output_option,
    perform_from,
    range_options,
    setting_options,
)
from sonify.cli.outputs import caution_letters, write_one
from sonify.errors import InputError, close_matches
from sonify.light.clip_settings import VIEWS

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["FLASHING", "clip", "picture_options"]

FLASHING = (
    "Caution: flashing light can harm people with photosensitive epilepsy. Every clip is measured "
    "against WCAG 2.2 SC 2.3.1 and what its worst second flashes is printed; --calm softens it "
    "until it passes. The measure does not replace the rules of a broadcaster or a venue: ask them."
)


def picture_options(function: Any) -> Any:
    """The options that clip, lights and message share."""
    for option in reversed(
        (
            click.option(
                "--size",
                metavar="S",
                help="Such as 1920x1080 (even sides), or landscape, portrait, square, 720p, 1080p, "
                "1440p, 2160p.",
            ),
            click.option(
                "--fps",
                type=float,
                metavar="N",
                help="Frames a second: 24 to 120, or 23.976, 29.97, 59.94.",
            ),
            click.option(
                "--quality",
                type=click.Choice(["rough", "normal", "fine"]),
                help="From quick to make to the largest file. [default: normal]",
            ),
            click.option("--calm", is_flag=True, help="Soften what flashes until it passes."),
        )
    ):
        function = option(function)
    return function


@click.command(epilog=FLASHING)
@disc_argument
@output_option(
    "The file: .mp4, .webm, .mov (with alpha), .gif, .png (APNG) or .webp; DIR/ for a folder of "
    "numbered pictures; - for an .mp4 on standard output. [default: out/DISC-clip.mp4]"
)
@setting_options
@picture_options
@click.option(
    "--views",
    metavar="LIST",
    help="Some of title,matrix,disc,notes,message, in the order of their weight.",
)
@range_options
@click.option(
    "--loop",
    type=click.IntRange(0, 65535),
    help="Times to play: in video one after the other, in .gif, .png and .webp as a mark in the "
    "file (0: for ever). [default: 1, or for ever]",
)
@click.option("--subtitles", is_flag=True, help="Also write the captions as .srt and .vtt.")
@click.option("--silent", is_flag=True, help="Without sound.")
def clip(
    disc: str,
    output: str | None,
    presets: tuple[str, ...],
    assignments: tuple[str, ...],
    views: str | None,
    silent: bool,
    **options: Any,
) -> None:
    """Make a clip of the show with its sound, as a video maker would use it.

    Views: the lamps (matrix), the turning disc (disc), the notes by voice (notes), the characters
    as they are decoded and the scroll behind them (message), and title and credits (title; listed
    last it comes last). With --set light.background=none the picture can be laid over footage.

    \b
    Examples:
      sonify clip cairn-small
      sonify clip my.toml --views title,disc,matrix,message --size portrait -o my.mp4
      sonify clip my.toml -p cutout --fps 29.97 -o over.mov
      sonify clip my.toml --rows 1-2 --loop 4 --calm -o loop.webm
    """
    own = [] if views is None else [f"clip.views={_listed(views)}"]
    show = perform_from(disc, presets, (*assignments, *own))
    caution_letters(show)
    _caution_views(show)
    write_one(show, "clip", output, None, sound=not silent, **options)


def _listed(text: str) -> str:
    names = [n.strip() for n in text.split(",") if n.strip()]
    if not names:
        raise InputError(f"no view is named; name some of: {', '.join(VIEWS)}", key="views")
    for name in names:
        if name not in VIEWS:
            raise InputError(
                f"there is no view '{name}'{close_matches(name, VIEWS)}; "
                f"some of: {', '.join(VIEWS)}",
                key="views",
            )
    return "[" + ", ".join(f'"{n}"' for n in names) + "]"


def _caution_views(show: Performance) -> None:
    from sonify.cli.common import caution

    views = show.setup.clip.views
    if "disc" in views and show.disc.geometry is None:
        caution("this disc has no sizes; some that fit were taken for the picture")
    if "message" in views and show.scroll is None:
        caution("this disc has no message, so there is none to show")
