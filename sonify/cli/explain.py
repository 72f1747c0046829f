"""`sonify explain`: how a disc's text becomes holes, bits, lamps and notes."""

from __future__ import annotations

from typing import Any

from click import Choice, option

from sonify.cli.common import SETTINGS, Request, disc_command, output_option
from sonify.cli.outputs import destination
from sonify.cli.progress import progress_shown
from sonify.cli.usual import wrote
from sonify.errors import plural

__all__ = ["explain"]


@disc_command(
    output_option("The file: .pdf, .svg, .html or .png. [default: out/DISC-sheet.pdf]"),
    option(
        "--characters", metavar="A-B",
        help="Which characters, counted from 1. [default: the first that fit on one page]",
    ),
    option(
        "--voice", metavar="NAMES",
        help="Which voices' notes, by name or number, with commas. [default: all, or four of them]",
    ),
    option("--worksheet", is_flag=True, help="Leave blanks to fill in; the solution follows."),
    option(
        "--paper", type=Choice(["a4", "letter", "a3", "a2", "legal", "tabloid"]), default="a4",
        show_default=True, help="Larger papers show the same sheet enlarged, for a wall.",
    ),
    option("--black-and-white", is_flag=True, help="Use no colours."),
    *SETTINGS,
)  # fmt: skip
def explain(request: Request, output: str | None, **options: Any) -> None:
    """Show on a sheet how the disc's text becomes holes, bits, lamps and notes, for teaching.

    The sheet has the disc with its rows, positions, index and clock row; each character with its
    bits, holes, lamps and notes; how the disc's check catches a wrong hole; and the timeline of one
    row. On the .html page, point at one of them to see the others.

    \b
    Examples:
      sonify explain cairn-small
      sonify explain my.toml --characters 1-8 --worksheet -o lesson.pdf
      sonify explain my.toml -p music-box -o sheet.html
    """
    from sonify.export.file_formats import run

    show = request.perform()
    with (
        destination(output, f"{show.disc.name}-sheet.pdf") as path,
        progress_shown("sheet"),
    ):
        pages = run(show, path, "explain", options)
    told = f"{plural(pages, 'page')} of {options['paper']}"
    wrote(path, told, pages=pages)
