"""`sonify score`: a disc's music in staff notation."""

from __future__ import annotations

from typing import Any

from click import Choice, FloatRange, option

from sonify.cli.common import ROWS, TIMED, Request, disc_command, output_option, result
from sonify.cli.outputs import caution_bars, destination
from sonify.cli.progress import progress_shown
from sonify.errors import InputError
from sonify.export.drawing.pdf import PAPERS
from sonify.export.score import ROLL

__all__ = ["score"]


@disc_command(
    output_option("The file: .musicxml, .svg, .png or .pdf. [default: out/DISC-score.musicxml]"),
    *TIMED,
    ROWS,
    option(
        "--paper", type=Choice([ROLL, *PAPERS]),
        help="The pages; roll is one page as long as the music. A .svg or .png has one file a "
             "page. [default: roll for .svg, a4 for .pdf and .png]",
    ),
    option(
        "--quarter-tones", type=Choice(["signs", "cents"]), default="signs", show_default=True,
        help="Signs, or the nearest semitone with the cents above it, for programs that do not "
             "know the signs.",
    ),
    option(
        "--zoom", type=FloatRange(0, 8, min_open=True), default=2.0, show_default=True,
        help="Scale of a .png: pixels per 1/96 inch.",
    ),
)  # fmt: skip
def score(request: Request, output: str | None, **options: Any) -> None:
    """Write the music in staff notation, one staff per voice, with the message as lyrics.

    Notation programs open MusicXML; the other formats are engraved, ready to read or print. Swing,
    gate and humanising are written as straight notes with a direction in words. Drums have the
    usual places and heads of a drum set. The lyrics are below the melody: the staff in which most
    characters have a note of their own.

    \b
    Examples:
      sonify score cairn-small -o fog.pdf --paper letter
      sonify score my.toml -p hut-band --rows 1-4 -o start.musicxml
    """
    from sonify.export.file_formats import run

    show = request.perform()
    with (
        destination(output, f"{show.disc.name}-score.musicxml") as path,
        progress_shown("score"),
    ):
        files = run(show, path, "score", options)
        if output == "-" and len(files) > 1:
            raise InputError(
                f"the score has {len(files)} pages, a file each; standard output takes one",
                hint="choose {rows}, or {paper} roll",
            )
    for file in files:
        result(file, show.read_s)
    caution_bars(show)
