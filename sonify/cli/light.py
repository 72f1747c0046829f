"""The pictures of the show: the commands `lights`, `message`, `clip` and `stills`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from click import Choice, FloatRange, IntRange, option

from sonify.cli.common import (
    RANGE,
    SETTINGS,
    Decorator,
    Request,
    cautions_shown,
    chosen,
    disc_command,
    output_option,
    result,
)
from sonify.cli.outputs import caution_letters, destination, write_one
from sonify.cli.progress import progress_shown
from sonify.cli.usual import caution, wrote
from sonify.errors import plural
from sonify.export.drawing.pdf import PAPERS
from sonify.light.clip_settings import VIEWS

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["clip", "lights", "message", "stills"]

FLASHING = (
    "Caution: flashing light can harm people with photosensitive epilepsy. Every animation is "
    "measured against WCAG 2.2 SC 2.3.1, and the flashes of its worst second are printed; --calm "
    "softens it until it passes. Broadcasters and venues have their own rules: ask them."
)

FOLDER = "DIR/ for a folder of numbered pictures"
ANIMATION = f".gif, .png (APNG), .webp, .mp4, .webm or .mov; {FOLDER}"

PICTURE: tuple[Decorator, ...] = (
    option(
        "--size", metavar="S",
        help="Such as 1920x1080 (even numbers), or landscape, portrait, square, sticker, 720p, "
        "1080p, 1440p, 2160p.",
    ),
    option(
        "--fps", type=float, metavar="N",
        help="Frames per second: 1 to 120, or 23.976, 29.97, 59.94. Browsers show at most 50 of "
        "a .gif.",
    ),
    option(
        "--quality", type=Choice(["rough", "normal", "fine"]),
        help="From rough (quick to make) to fine (a large file). [default: normal]",
    ),
    option(
        "--max-size", metavar="SIZE",
        help="The most that the file may take, such as 5MB or 500kB. To fit it is compressed more; "
        "then frame rate, size and in the end length are cut. What was changed is printed.",
    ),
    option("--calm", is_flag=True, help="Soften what flashes until it passes."),
)  # fmt: skip

LENGTH: tuple[Decorator, ...] = (
    option(
        "--duration", type=FloatRange(0, 43200, min_open=True), metavar="S",
        help="Last exactly S seconds, titles and all: what is longer is cut; of what is shorter, "
        "the last picture stays.",
    ),
    option("--seamless", is_flag=True, help="Join the end to the start, picture and sound."),
    option(
        "--poster", type=FloatRange(0), metavar="S",
        help="Also write the picture at second S as FILE-poster.png.",
    ),
)  # fmt: skip

VIEWS_SHOWN = option(
    "--views", metavar="LIST",
    help=f"Any of {','.join(VIEWS)}; the first gets the most space.",
)  # fmt: skip

LOOP = option(
    "--loop", type=IntRange(0, 65535), default=0, metavar="N",
    help="Play it N times; 0 means forever (in video: once, or as often as --duration needs).",
)  # fmt: skip


@disc_command(
    output_option(f"The file: {ANIMATION}. [default: out/DISC-lights.gif]"),
    *SETTINGS, *RANGE, *LENGTH, *PICTURE, LOOP,
    option(
        "--test-pattern", is_flag=True,
        help="Instead, light all lamps, then one after the other along the strip (player.matrix."
        "wiring): what a machine shows if it is wired so. .gif, .png or .webp.",
    ),
    option(
        "--check-strip", metavar="FILE",
        help="Instead, compare the real strip with the wiring: a .csv file with the columns "
        "column,row,lamp, counted from 1, as you saw the lamps of the test pattern light; or a "
        "film of it (.mp4, .mov, .webm).",
    ),
    epilog=FLASHING,
)  # fmt: skip
def lights(
    request: Request, output: str | None, test_pattern: bool, check_strip: str | None,
    **options: Any,
) -> None:  # fmt: skip
    """Show how the LED matrix fills while the disc is read, as an animation.

    \b
    Examples:
      sonify lights cairn-small
      sonify lights cairn-large --rows 1-4 -p glacier -o start.webp
      sonify lights my.toml -p cutout --size sticker --max-size 500kB -o sticker.webp
      sonify lights my.toml --set player.matrix.wiring=serpentine-rows --test-pattern
    """
    show = request.perform()
    if check_strip is not None:
        _check(show, check_strip)
    elif test_pattern:
        _test_pattern(show, output)
    else:
        write_one(show, "lights", output, **options)


def _test_pattern(show: Performance, output: str | None) -> None:
    from sonify.export.lights import write_pattern
    from sonify.light.test_pattern import pattern_s

    with destination(output, f"{show.disc.name}-test.gif") as path, progress_shown("test pattern"):
        write_pattern(show, path)
    result(path, pattern_s(show.wiring))


def _check(show: Performance, file: str) -> None:
    import click

    from sonify.light.wiring import check_strip
    from sonify.recover.strip import seen_strip

    matrix = show.setup.player.matrix
    told = check_strip(matrix, seen_strip(Path(file), matrix, show.wiring.length))
    for line in told or ["the strip is wired as the settings say"]:
        click.echo(line)
    if told:
        raise SystemExit(1)


@disc_command(
    output_option(f"The file: {ANIMATION}. [default: out/DISC-message.gif]"),
    *SETTINGS, *LENGTH, *PICTURE, LOOP, epilog=FLASHING,
)  # fmt: skip
def message(request: Request, output: str | None, **options: Any) -> None:
    """Show how the message scrolls across the LED matrix after the last row, as an animation.

    \b
    Examples:
      sonify message cairn-small
      sonify message my.toml --set player.matrix.scroll=20 -o my.gif
    """
    from sonify.export.animation.options import needed_scroll

    show = request.perform()
    needed_scroll(show, request.disc)
    caution_letters(show)
    write_one(show, "message", output, **options)


@disc_command(
    output_option(
        f"The file: .mp4, .webm, .mov (with alpha), .gif, .png (APNG) or .webp; {FOLDER}; - for "
        "an .mp4 on standard output. [default: out/DISC-clip.mp4]"
    ),
    *SETTINGS,
    VIEWS_SHOWN,
    *RANGE,
    *LENGTH,
    *PICTURE,
    option(
        "--loop", type=IntRange(0, 65535), metavar="N",
        help="Play it N times: a video holds all passes (with 0, as many as --duration needs); in "
        ".gif, .png and .webp 0 means forever. [default: 1, or forever]",
    ),
    option(
        "--start-at", "timecode", metavar="TC",
        help="The timecode of the first frame of a .mov, HH:MM:SS:FF. [default: 00:00:00:00]",
    ),
    option("--subtitles", is_flag=True, help="Also write the message as .srt and .vtt captions."),
    option("--silent", is_flag=True, help="Leave out the sound."),
    epilog=FLASHING,
)  # fmt: skip
def clip(
    request: Request, output: str | None, views: str | None, silent: bool, **options: Any
) -> None:
    """Make a video of the show with its sound.

    The views are the LED matrix (matrix), the turning disc (disc), the notes by voice (notes), the
    message as it is decoded and scrolls (message), and title and credits (title; at the end if you
    list it last). To lay the picture over other footage, use --set light.background=none.

    \b
    Examples:
      sonify clip cairn-small
      sonify clip my.toml --views title,disc,matrix,message --size portrait -o my.mp4
      sonify clip my.toml -p cutout --fps 29.97 -o over.mov
      sonify clip my.toml --rows 1-2 --loop 4 --calm -o loop.webm
      sonify clip my.toml --rows 3 --seamless --silent -o loop.gif
      sonify clip my.toml --duration 30 --start-at 10:00:00:00 -o part.mov
    """
    show = request.perform(*_own_views(views))
    caution_letters(show)
    shown = show.setup.clip.views
    if "disc" in shown and show.disc.geometry is None:
        caution("the disc file has no sizes; the picture shows sizes that fit")
    if "message" in shown and show.scroll is None:
        caution("this disc has no message to show")
    write_one(show, "clip", output, sound=not silent, **options)


def _own_views(views: str | None) -> tuple[str, ...]:
    """The assignment of --views, if it is given."""
    return () if views is None else (f"clip.views={chosen(views, VIEWS, 'view', 'views')}",)


@disc_command(
    output_option("The file: .pdf or .png. [default: out/DISC-stills.pdf]"),
    *SETTINGS,
    VIEWS_SHOWN,
    *RANGE,
    option(
        "--layout", type=Choice(["sheet", "strips"]), default="sheet", show_default=True,
        help="A contact sheet, or film strips to cut out.",
    ),
    option("--count", type=IntRange(2, 400), default=24, show_default=True, metavar="N",
           help="How many pictures, evenly spaced in time."),
    option("--columns", type=IntRange(1, 12), default=4, show_default=True, metavar="N",
           help="How many pictures side by side."),
    option("--paper", type=Choice(list(PAPERS)), default="a4", show_default=True,
           help="The page of a .pdf; a .png is as wide, and as high as it needs."),
)  # fmt: skip
def stills(request: Request, output: str | None, views: str | None, **options: Any) -> None:
    """Lay out pictures from a clip for print, as a contact sheet or film strips.

    Pictures have the proportions of clip.size and are printed at 300 dots per inch, each with its
    time and row.

    \b
    Examples:
      sonify stills cairn-small
      sonify stills my.toml --views disc,matrix --count 12 --columns 3 -o sheet.pdf
      sonify stills my.toml --rows 2 --layout strips --paper a3 -o strips.png
    """
    from sonify.export.clip.print_sheet import PrintOptions, write

    show = request.perform(*_own_views(views))
    with (
        destination(output, f"{show.disc.name}-stills.pdf") as path,
        cautions_shown(),
        progress_shown("stills"),
    ):
        count, pages = write(show, path, PrintOptions(**options))
    told = f"{count} pictures on {plural(pages, 'page')}"
    wrote(path, told, pictures=count, pages=pages)
