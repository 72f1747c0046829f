"""Scores: MusicXML, and engraved as SVG, PNG and PDF."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec

from sonify.atomic import atomic_write
from sonify.errors import OutputError
from sonify.extras import require
from sonify.light.dejavu import dejavu
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.export.score.engrave import Page
    from sonify.performance import Performance

__all__ = ["ROLL", "Options", "score_bytes", "write"]

MAX_PIXELS = 150_000_000
ROLL = "roll"
"""One page as long as the music, in place of a paper."""


class Options(Settings, frozen=True):
    """`rows` chooses some rows, such as "1-4"; `zoom` is pixels of a .png per 1/96 inch; `paper` is
    "roll" (the usual for .svg) or a size of paper ("a4" is the usual for the others);
    `quarter_tones` are written with "signs", or as the nearest semitone with the "cents"."""

    rows: str | None = None
    zoom: Annotated[float, msgspec.Meta(gt=0, le=8)] = 2.0
    paper: Literal["roll", "a2", "a3", "a4", "a5", "letter", "legal", "tabloid"] | None = None
    quarter_tones: Literal["signs", "cents"] = "signs"


def write(show: Performance, path: Path, options: Options) -> tuple[Path, ...]:
    """Write the score of a performance; the kind of file follows the suffix.

    Returns
    -------
    tuple of Path
        The files: one, or for .svg and .png one a page (`fog.png`, `fog-2.png`, ...).
    """
    pages = score_bytes(show, path.suffix.casefold(), options)
    later = (path.with_name(f"{path.stem}-{n}{path.suffix}") for n in range(2, len(pages) + 1))
    files = (path, *later)
    with contextlib.ExitStack() as stack:
        # all or none
        beside = [stack.enter_context(atomic_write(file)) for file in files]
        for place, data in zip(beside, pages, strict=True):
            place.write_bytes(data)
    return files


def score_bytes(show: Performance, suffix: str, options: Options | None = None) -> list[bytes]:
    """Make the bytes of a score as a .musicxml, .svg, .png or .pdf file, or of one file a page.

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
    xml = musicxml(show, options.rows, options.quarter_tones == "signs")
    if suffix in (".musicxml", ".xml"):
        return [xml]
    from sonify.export.drawing.pdf import PAPERS
    from sonify.export.score.engrave import engraved, svg

    paper = options.paper or (ROLL if suffix == ".svg" else "a4")
    pages = engraved(xml, PAPERS.get(paper))
    title = show.disc.display_name
    if suffix == ".pdf":
        from sonify.export.score.pdf import pdf

        return [pdf(pages, title, _fonts())]
    files = [pages] if paper == ROLL else [[page] for page in pages]
    if suffix == ".svg":
        return [svg(file, title).encode("utf-8") for file in files]
    return [_png(file, title, options.zoom) for file in files]


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
