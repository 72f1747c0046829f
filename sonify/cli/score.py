"""`sonify score`: a disc's music in staff notation."""

from __future__ import annotations

from typing import Any

from click import FloatRange, option

from sonify.cli.common import ROWS, TIMED, Request, disc_command, output_option
from sonify.cli.outputs import write_one

__all__ = ["score"]


@disc_command(
    output_option("The file: .musicxml, .svg, .png or .pdf. [default: out/DISC-score.musicxml]"),
    *TIMED,
    ROWS,
    option(
        "--zoom", type=FloatRange(0, 8, min_open=True), default=2.0, show_default=True,
        help="Scale of a .png: pixels per 1/96 inch.",
    ),
)  # fmt: skip
def score(request: Request, output: str | None, **options: Any) -> None:
    """Write the music in staff notation, one staff per voice, with the message as lyrics.

    Notation programs open MusicXML; the other formats are engraved, ready to read or print. Swing,
    gate and humanising are written as straight notes with a direction in words.

    \b
    Examples:
      sonify score cairn-small -o fog.pdf
      sonify score my.toml -p hut-band --rows 1-4 -o start.musicxml
    """
    show = request.perform()
    write_one(show, "score", output, show.read_s, **options)
