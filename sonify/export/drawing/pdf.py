"""The drawing as PDF at 1:1, with a bar to check the printer by, over as many pages as it takes."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.drawing.drawing import GROUPS, Drawing
from sonify.progress import report

__all__ = ["PAPERS", "Sheet", "pdf", "sheets"]

PAPERS: dict[str, tuple[float, float]] = {
    "a2": (420.0, 594.0),
    "a3": (297.0, 420.0),
    "a4": (210.0, 297.0),
    "a5": (148.0, 210.0),
    "letter": (215.9, 279.4),
    "legal": (215.9, 355.6),
    "tabloid": (279.4, 431.8),
}
"""Width and height in mm: ISO 216, and ANSI/ASME Y14.1 for letter and tabloid."""

POINT = 72 / 25.4
BORDER = 8.0
FOOT = 14.0
OVERLAP = 12.0
BAR = 50.0
CROSS = 4.0
HAIRLINE = 0.1
BULGE = 4 / 3 * (2**0.5 - 1)
"""How far the handles of a quarter circle reach, over its radius: the usual cubic one, which
leaves the circle by at most 0.03 % between its ends."""
MOST_SHEETS = 400


@dataclass(frozen=True)
class Sheet:
    """One page: its size, which part of the drawing its frame shows, and its place among the
    others. All in mm; `x`, `y` is the lower left corner of the part."""

    width: float
    height: float
    x: float
    y: float
    across: float
    up: float
    column: int
    line: int


def sheets(drawing: Drawing, paper: str) -> tuple[list[Sheet], int, int]:
    """The pages that a drawing takes, with how many columns and lines of them there are.

    Raises
    ------
    InputError
        A paper that is not known, or more pages than anyone would glue together.
    """
    if paper not in PAPERS:
        raise InputError(
            f"'{paper}' is not a known paper; one of: {', '.join(PAPERS)}", key="paper"
        )
    need = 2 * drawing.reach + 2 * HAIRLINE
    ways = []
    for width, height in (PAPERS[paper], PAPERS[paper][::-1]):
        across, up = width - 2 * BORDER, height - 2 * BORDER - FOOT
        columns, lines = (
            1 if need <= free else ceil((need - OVERLAP) / (free - OVERLAP))
            for free in (across, up)
        )
        ways.append((columns * lines, width > height, width, height, columns, lines))
    count, _, width, height, columns, lines = min(ways)
    if count > MOST_SHEETS:
        raise InputError(
            f"a disc of {drawing.diameter:g} mm takes {count:,} pages of {paper}; at most "
            f"{MOST_SHEETS}: a larger paper, or .svg or .dxf",
            key="paper",
        )
    across, up = width - 2 * BORDER, height - 2 * BORDER - FOOT
    total_across = columns * across - (columns - 1) * OVERLAP
    total_up = lines * up - (lines - 1) * OVERLAP
    out = [
        Sheet(
            width,
            height,
            -total_across / 2 + column * (across - OVERLAP),
            total_up / 2 - line * (up - OVERLAP) - up,
            across,
            up,
            column,
            line,
        )
        for line in range(lines)
        for column in range(columns)
    ]
    return out, columns, lines


def pdf(drawing: Drawing, paper: str = "a4") -> bytes:
    """The drawing as a PDF document."""
    import datetime

    from fpdf import FPDF

    pages, columns, lines = sheets(drawing, paper)
    # in points: with any other unit the library scales by a factor rounded to four digits,
    # which is 3 µm over a disc
    document: Any = FPDF(unit="pt")
    document.set_title(drawing.title)
    document.set_creator("sonify")
    document.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    document.set_auto_page_break(False)
    document.set_margin(0)
    for done, sheet in enumerate(pages):
        report(done / len(pages))
        document.add_page(format=(sheet.width * POINT, sheet.height * POINT))
        _page(document, drawing, sheet, columns, lines)
    return bytes(document.output())


def _page(document: Any, drawing: Drawing, sheet: Sheet, columns: int, lines: int) -> None:
    from fpdf.drawing import PaintedPath

    left, bottom = BORDER, BORDER + FOOT

    def at(x: Any, y: Any) -> tuple[Any, Any]:
        """From the drawing's mm to points from the page's upper left corner."""
        return (x - sheet.x + left) * POINT, (sheet.height - (y - sheet.y + bottom)) * POINT

    def path(colour: str, width: float = HAIRLINE) -> Any:
        out = PaintedPath()
        out.style.fill_color = None
        out.style.stroke_color = colour
        out.style.stroke_width = width * POINT
        out.style.auto_close = False
        return out

    frame = (left * POINT, BORDER * POINT, sheet.across * POINT, sheet.up * POINT)
    with document.rect_clip(*frame):
        for group in GROUPS.values():
            one = path(group.colour)
            some = _draw_circles(one, drawing.circles.get(group.id), sheet, at)
            for line in drawing.lines:
                if line.group == group.id:
                    some = True
                    points = [at(x, y) for x, y in line.points.tolist()]
                    one.move_to(*points[0])
                    for point in points[1:]:
                        one.line_to(*point)
                    if line.closed:
                        one.close()
            if some:
                with document.drawing_context() as context:
                    context.add_item(one)
    _foot(document, drawing, sheet, columns, lines, path)
    if columns * lines > 1:
        _crosses(document, sheet, columns, lines, at, path)


def _draw_circles(path: Any, circles: NDArray[np.void] | None, sheet: Sheet, at: Any) -> bool:
    if circles is None or not len(circles):
        return False
    radius = circles["diameter_mm"] / 2
    x, y = circles["x_mm"], circles["y_mm"]
    shown = (
        (x + radius >= sheet.x)
        & (x - radius <= sheet.x + sheet.across)
        & (y + radius >= sheet.y)
        & (y - radius <= sheet.y + sheet.up)
    )
    px, py = at(x[shown], y[shown])
    for cx, cy, r in zip(px.tolist(), py.tolist(), (radius[shown] * POINT).tolist(), strict=True):
        h = r * BULGE
        path.move_to(cx + r, cy)
        path.curve_to(cx + r, cy + h, cx + h, cy + r, cx, cy + r)
        path.curve_to(cx - h, cy + r, cx - r, cy + h, cx - r, cy)
        path.curve_to(cx - r, cy - h, cx - h, cy - r, cx, cy - r)
        path.curve_to(cx + h, cy - r, cx + r, cy - h, cx + r, cy)
        path.close()
    return bool(shown.any())


def _plain(text: str) -> str:
    """What the standard typefaces of PDF can show: Latin-1."""
    return (
        "".join(c if c.isprintable() else " " for c in text)
        .encode("latin-1", "replace")
        .decode("latin-1")
    )


def _foot(
    document: Any, drawing: Drawing, sheet: Sheet, columns: int, lines: int, path: Any
) -> None:
    """The bar to check the printer by, and what page this is."""
    y = (sheet.height - BORDER - 4.0) * POINT
    x = BORDER * POINT
    bar = path("#000000", 0.2)
    bar.move_to(x, y)
    bar.line_to(x + BAR * POINT, y)
    for k in range(6):
        end = x + k * 10 * POINT
        tick = 3.0 if k in (0, 5) else 1.5
        bar.move_to(end, y)
        bar.line_to(end, y - tick * POINT)
    with document.drawing_context() as context:
        context.add_item(bar)
    document.set_font("Helvetica", size=7)
    document.set_text_color(0)
    document.text(
        x, y + 9, "50 mm. Print at 100 % without fitting to the page, and measure this bar first."
    )
    about = f"{drawing.title}, {drawing.diameter:g} mm, seen from the {drawing.side}"
    if drawing.kerf:
        about += f", kerf {drawing.kerf:g} mm"
    if columns * lines > 1:
        about += (
            f"  -  page {sheet.line * columns + sheet.column + 1} of {columns * lines}: "
            f"column {sheet.column + 1} of {columns}, line {sheet.line + 1} of {lines}"
        )
    about = _plain(about)
    room = (sheet.width - 2 * BORDER - BAR - 6) * POINT
    while document.get_string_width(about) > room and len(about) > 8:
        about = about[:-5] + "..."
    document.text(x + (BAR + 5) * POINT, y, about)


def _crosses(document: Any, sheet: Sheet, columns: int, lines: int, at: Any, path: Any) -> None:
    """Register marks in the middle of each overlap: the same place on both pages."""
    xs = []
    if sheet.column > 0:
        xs.append(sheet.x + OVERLAP / 2)
    if sheet.column < columns - 1:
        xs.append(sheet.x + sheet.across - OVERLAP / 2)
    ys = []
    if sheet.line > 0:
        ys.append(sheet.y + sheet.up - OVERLAP / 2)
    if sheet.line < lines - 1:
        ys.append(sheet.y + OVERLAP / 2)
    third_x = [sheet.x + sheet.across * f for f in (0.25, 0.75)]
    third_y = [sheet.y + sheet.up * f for f in (0.25, 0.75)]
    spots = {(x, y) for x in xs for y in [*ys, *third_y]} | {(x, y) for y in ys for x in third_x}
    crosses = path("#000000")
    for x, y in sorted(spots):
        for dx, dy in ((CROSS, 0.0), (0.0, CROSS)):
            crosses.move_to(*at(x - dx, y - dy))
            crosses.line_to(*at(x + dx, y + dy))
    with document.drawing_context() as context:
        context.add_item(crosses)
