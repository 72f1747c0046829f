"""Pictures of a clip for print: a contact sheet, or film strips to cut out, as .pdf or .png."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import msgspec
import numpy as np

from sonify.atomic import atomic_write
from sonify.errors import InputError
from sonify.export.animation.options import ClipOptions
from sonify.export.clip.film import Film
from sonify.export.clip.job import Job
from sonify.export.clip.plan import FramePlan, plan_of
from sonify.export.drawing.pdf import PAPERS, empty_pdf
from sonify.export.span import SpanOptions
from sonify.light.clip_settings import picture_size
from sonify.light.dejavu import letters
from sonify.progress import report

if TYPE_CHECKING:
    from PIL.Image import Image

    from sonify.performance import Performance

__all__ = ["PrintOptions", "write"]

# 300 dots per inch is what printers ask for (common practice, no source)
_DPI = 300
# in mm, own choice
_MARGIN, _GAP, _HEAD, _CAPTION, _BAND, _BAR = 12.0, 4.0, 11.0, 4.5, 6.0, 1.5
_TEXT = 2.0  # height of a capital
_INK, _QUIET, _PAPER, _FILM = (20, 20, 20), (110, 110, 110), (255, 255, 255), (16, 16, 16)
_RATE = 25.0


class PrintOptions(SpanOptions, frozen=True):
    """What to print: `count` pictures in so many `columns`, as a sheet or as strips."""

    layout: Literal["sheet", "strips"] = "sheet"
    count: Annotated[int, msgspec.Meta(ge=2, le=400)] = 24
    columns: Annotated[int, msgspec.Meta(ge=1, le=12)] = 4
    paper: str = "a4"


@dataclass(frozen=True)
class _Layout:
    """Where pictures lie on a page, in pixels."""

    width: int
    height: int
    picture: tuple[int, int]
    columns: int
    lines: int
    step: tuple[int, int]
    top: int
    strips: bool

    @classmethod
    def of(cls, options: PrintOptions, shape: tuple[int, int], whole: bool) -> _Layout:
        """The layout for pictures of some proportions; with `whole` all are on one page."""
        paper, strips = PAPERS[options.paper], options.layout == "strips"
        gap = _px(_BAR if strips else _GAP)
        width = (_px(paper[0]) - 2 * _px(_MARGIN) - (options.columns - 1) * gap) // options.columns
        w = width & ~1
        h = round(w * shape[1] / shape[0] / 2) * 2
        under = 2 * _px(_BAND) + _px(_GAP) if strips else _px(_CAPTION + _GAP)
        top = _px(_MARGIN + _HEAD)
        lines = max(1, (_px(paper[1]) - top - _px(_MARGIN) + _px(_GAP)) // (h + under))
        height = _px(paper[1])
        if whole:
            lines = -(-options.count // options.columns)
            height = top + lines * (h + under) + _px(_MARGIN)
        return cls(
            _px(paper[0]), height, (w, h), options.columns, lines, (w + gap, h + under), top, strips
        )


def write(show: Performance, path: Path, options: PrintOptions) -> tuple[int, int]:
    """Write pictures of a clip, and return how many pictures and pages there are.

    Raises
    ------
    InputError
        Another suffix than .pdf or .png, a range outside the piece, or pictures too small.
    """
    suffix = path.suffix.casefold()
    if suffix not in (".pdf", ".png"):
        raise InputError(f"'{path.suffix}' is not offered; give .pdf or .png", file=path)
    layout = _Layout.of(options, picture_size(show.setup.clip.size), suffix == ".png")
    w, h = layout.picture
    clip = ClipOptions(
        size=f"{w}x{h}", fps=_RATE, sound=False, rows=options.rows, from_s=options.from_s,
        to_s=options.to_s,
    )  # fmt: skip
    job = Job(show, clip, "clip")
    plan = plan_of(job, ".mp4")
    count = min(options.count, plan.frames)
    numbers = [int((k + 0.5) * plan.frames / count) for k in range(count)]
    heading = f"{count} pictures, one every {plan.seconds / count:.2f} s"
    pages = list(_pages(layout, show.disc.display_name, heading, _pictures(job, plan, numbers)))
    with atomic_write(path) as beside, beside.open("wb") as file:
        if suffix == ".png":
            pages[0].save(file, "PNG", dpi=(_DPI, _DPI))
        else:
            file.write(_pdf(pages, show.disc.display_name))
    return count, len(pages)


def _px(mm: float) -> int:
    return round(mm / 25.4 * _DPI)


def _pictures(job: Job, plan: FramePlan, numbers: list[int]) -> Iterator[tuple[Image, str]]:
    """The pictures of some frames, and what to write under them."""
    from PIL import Image

    film = Film(job, plan, job.rgb)
    for done, (number, _) in enumerate(zip(numbers, film.frames(numbers), strict=True)):
        report(done / len(numbers))
        planes = film.picture.planes
        yield Image.fromarray(np.dstack(planes)), _caption(job.show, plan, number)


def _caption(show: Performance, plan: FramePlan, number: int) -> str:
    part = next(p for p in reversed(plan.parts) if p.first <= number)
    if part.kind != "piece":
        return part.kind
    time_s = plan.piece_time(part, number)
    row = int(np.searchsorted(show.timeline.row_start_s(), time_s, side="right"))
    where = "message" if time_s >= show.message_s else f"row {max(row, 1)}"
    return f"{int(time_s // 60)}:{time_s % 60:04.1f}  {where}"


def _pages(
    layout: _Layout, title: str, heading: str, pictures: Iterator[tuple[Image, str]]
) -> Iterator[Image]:
    from PIL import Image

    margin, room = _px(_MARGIN), layout.columns * layout.lines
    page: Image.Image | None = None
    for k, (picture, caption) in enumerate(pictures):
        if k % room == 0:
            if page is not None:
                yield page
            page = Image.new("RGB", (layout.width, layout.height), _PAPER)
            _text(page, (margin, margin), title, 1.5 * _TEXT, _INK)
            _text(page, (margin, margin + _px(3 * _TEXT)), heading, 0.8 * _TEXT, _QUIET)
        assert page is not None
        line, column = divmod(k % room, layout.columns)
        x, y = margin + column * layout.step[0], layout.top + line * layout.step[1]
        ink, below = _QUIET, _px(1.2)
        if layout.strips:
            bar = _px(_BAR)
            right, bottom = x + layout.picture[0] + bar, y + layout.picture[1] + 2 * _px(_BAND)
            band = (x - bar, y, right, bottom)
            page.paste(_FILM, band)
            y, ink, below = y + _px(_BAND), (200, 200, 200), _px(2.0)
        page.paste(picture, (x, y), picture if picture.mode == "RGBA" else None)
        indent = _px(1.5) if layout.strips else 0
        _text(page, (x + indent, y + layout.picture[1] + below), caption, 0.8 * _TEXT, ink)
    if page is not None:
        yield page


def _text(
    page: Image, at: tuple[int, int], text: str, height: float, ink: tuple[int, int, int]
) -> None:
    """Write a line of text with its capitals below a point."""
    from PIL import ImageDraw

    # a capital is 0.73 of the size
    font = letters("DejaVuSans", round(_px(height) / 0.73))
    ImageDraw.Draw(page).text((at[0], at[1] + _px(height)), text, fill=ink, font=font, anchor="ls")


def _pdf(pages: list[Image], title: str) -> bytes:
    out = empty_pdf(title, "mm")
    for page in pages:
        width, height = (v / _DPI * 25.4 for v in page.size)
        out.add_page(format=(width, height))
        out.image(page, 0, 0, width, height)
    return bytes(out.output())
