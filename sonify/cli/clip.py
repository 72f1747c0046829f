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
from sonify.light.clip import SCENES

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
                type=click.Choice(["draft", "good", "best"]),
                help="A quick look, good, or the largest file. [default: good]",
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
    "--scenes",
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
    scenes: str | None,
    silent: bool,
    **options: Any,
) -> None:
    """Make a clip of the show with its sound, as a video maker would use it.

    Scenes: the lamps (matrix), the turning disc (disc), the notes by voice (notes), the characters
    as they are decoded and the scroll behind them (message), and title and credits (title; listed
    last it comes last). With --set light.background=none the picture can be laid over footage.

    \b
    Examples:
      sonify clip cairn-small
      sonify clip my.toml --scenes title,disc,matrix,message --size portrait -o my.mp4
      sonify clip my.toml -p cutout --fps 29.97 -o over.mov
      sonify clip my.toml --rows 1-2 --loop 4 --calm -o loop.webm
    """
    own = [] if scenes is None else [f"clip.scenes={_listed(scenes)}"]
    show = perform_from(disc, presets, (*assignments, *own))
    caution_letters(show)
    _caution_scenes(show)
    write_one(show, "clip", output, None, sound=not silent, **options)


def _listed(text: str) -> str:
    names = [n.strip() for n in text.split(",") if n.strip()]
    if not names:
        raise InputError(f"it names no scene; some of: {', '.join(SCENES)}", place="--scenes")
    for name in names:
        if name not in SCENES:
            raise InputError(
                f"there is no scene '{name}'{close_matches(name, SCENES)}; "
                f"some of: {', '.join(SCENES)}",
                place="--scenes",
            )
    return "[" + ", ".join(f'"{n}"' for n in names) + "]"


def _caution_scenes(show: Performance) -> None:
    from sonify.cli.common import caution

    scenes = show.setup.clip.scenes
    if "disc" in scenes and show.disc.geometry is None:
        caution("this disc has no sizes; some that fit were taken for the picture")
    if "message" in scenes and show.scroll is None:
        caution("this disc has no message, so there is none to show")
