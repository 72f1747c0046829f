"""Scores: MusicXML, and engraved as SVG, PNG and PDF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec

from sonify.atomic import atomic_write
from sonify.errors import OutputError
from sonify.extras import require
from sonify.light.dejavu import dejavu
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.export.score.engrave import Page
    from sonify.performance import Performance

__all__ = ["Options", "score_bytes", "write"]

MAX_PIXELS = 150_000_000


class Options(Settings, frozen=True):
    """`rows` chooses some rows, such as "1-4"; `zoom` is pixels of a .png per 1/96 inch."""

    rows: str | None = None
    zoom: Annotated[float, msgspec.Meta(gt=0, le=8)] = 2.0


def write(show: Performance, path: Path, options: Options) -> None:
    """Write the score of a performance; the kind of file follows the suffix."""
    data = score_bytes(show, path.suffix.casefold(), options)
    with atomic_write(path) as beside:
        beside.write_bytes(data)


def score_bytes(show: Performance, suffix: str, options: Options | None = None) -> bytes:
    """Make the bytes of a score as a .musicxml, .svg, .png or .pdf file.

    Raises
    ------
    InputError
        Nothing to write, or more than a score can hold.
    OutputError
        It can't be engraved, or the picture would be too large.
    """
    require("score")
    from sonify.export.score.musicxml import musicxml

    options = options or Options()
    xml = musicxml(show, options.rows)
    if suffix in (".musicxml", ".xml"):
        return xml
    from sonify.export.score.engrave import engraved, svg

    pages = engraved(xml, paged=suffix == ".pdf")
    title = show.disc.display_name
    if suffix == ".svg":
        return svg(pages, title).encode("utf-8")
    if suffix == ".pdf":
        from sonify.export.score.pdf import pdf

        return pdf(pages, title, _fonts())
    return _png(pages, title, options.zoom)


def _fonts() -> dict[str, Path]:
    """Font files by style."""
    files = {"": "DejaVuSerif", "B": "DejaVuSerif-Bold", "I": "DejaVuSerif-Italic"}
    return {style: dejavu(name) for style, name in files.items()}


def _png(pages: list[Page], title: str, zoom: float) -> bytes:
    import resvg_py

    from sonify.export.score.engrave import UNITS, svg

    width = max(p.width for p in pages) / UNITS * zoom
    height = sum(p.height for p in pages) / UNITS * zoom
    if width * height > MAX_PIXELS:
        raise OutputError(
            f"the picture would be {width:,.0f} x {height:,.0f} pixels",
            hint="write .pdf or .svg, or choose rows with {rows}",
        )
    serif, files = "DejaVu Serif", [str(f) for f in _fonts().values()]
    data = resvg_py.svg_to_bytes(
        svg_string=svg(pages, title), zoom=zoom, background="#ffffff",
        skip_system_fonts=True, font_files=files, font_family=serif, serif_family=serif,
    )  # fmt: skip
    return bytes(data)
