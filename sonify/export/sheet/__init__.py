"""The sheet: how a disc's text becomes holes, bits, lamps and notes, for teaching."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from sonify.atomic import write_data
from sonify.errors import OutputError
from sonify.extras import require
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.export.sheet.page import Page
    from sonify.performance import Performance

__all__ = ["Options", "page_bytes", "sheet_bytes", "write"]

DOTS_PER_INCH = 200
"""Of a .png: at this, the smallest type is 20 pixels high."""
MAX_PIXELS = 150_000_000
"""The most of a .png, as of a score."""


class Options(Settings, frozen=True):
    """`paper` is a size of paper, `characters` a part of the message such as "1-8", `voice` the
    names or numbers of voices; a `worksheet` has blanks, and its solution after it;
    `black_and_white` uses no colours."""

    paper: Literal["a4", "letter", "a3", "a2", "legal", "tabloid"] = "a4"
    characters: str | None = None
    voice: str | None = None
    worksheet: bool = False
    black_and_white: bool = False


def write(show: Performance, path: Path, options: Options) -> int:
    """Write the sheet of a performance; the kind of file follows the suffix. Returns how many
    pages it has."""
    pages, data = sheet_bytes(show, path.suffix.casefold(), options)
    write_data(path, data)
    return pages


def sheet_bytes(
    show: Performance, suffix: str, options: Options | None = None
) -> tuple[int, bytes]:
    """How many pages a sheet has, and the bytes of it as a .pdf, .svg, .html or .png file.

    Raises
    ------
    InputError
        Characters or voices that don't exist, or a disc that can't be drawn.
    OutputError
        The picture would be too large.
    """
    require("score")
    from sonify.export.sheet.sheet import pages_of

    options = options or Options()
    pages = pages_of(
        show,
        paper=options.paper,
        characters=options.characters,
        voice=options.voice,
        worksheet=options.worksheet,
        grey=options.black_and_white,
    )
    return len(pages), page_bytes(pages, suffix)


def page_bytes(pages: list[Page], suffix: str) -> bytes:
    """The bytes of pages as a .pdf, .svg, .html or .png file."""
    if suffix == ".pdf":
        from sonify.export.sheet.pdf import pdf

        return pdf(pages)
    from sonify.export.sheet.svg import html, svg

    if suffix == ".html":
        return html(pages).encode("utf-8")
    if suffix == ".svg":
        return svg(pages).encode("utf-8")
    return _png(pages)


def _png(pages: list[Page]) -> bytes:
    import resvg_py

    from sonify.export.sheet.page import FONTS
    from sonify.export.sheet.svg import svg
    from sonify.light.dejavu import dejavu

    first = pages[0]
    pixels = first.width * first.height * len(pages) * (DOTS_PER_INCH / 25.4) ** 2
    if pixels > MAX_PIXELS:
        raise OutputError(
            f"the picture of {len(pages)} pages would have {pixels / 1e6:,.0f} million pixels",
            hint="write .pdf, or choose fewer with {characters}",
        )
    files = [str(dejavu(name)) for name in FONTS.values()]
    data = resvg_py.svg_to_bytes(
        svg_string=svg(pages), dpi=DOTS_PER_INCH, background="#ffffff",
        skip_system_fonts=True, font_files=files, font_family="DejaVu Sans",
        sans_serif_family="DejaVu Sans", monospace_family="DejaVu Sans Mono",
    )  # fmt: skip
    return bytes(data)
