"""The drawing as PDF at 1:1, on as many pages as needed, each with a bar to check the printer."""

from __future__ import annotations

from math import ceil
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.export.drawing.drawing import GROUPS, Drawing
from sonify.progress import report

__all__ = ["PAPERS", "Sheet", "empty_pdf", "pdf", "sheets"]

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
STROKE = 0.1
BULGE = 4 / 3 * (2**0.5 - 1)
"""The length of a quarter circle's handles, over its radius: the usual cubic, which departs from
the circle by at most 0.03 %."""
MOST_SHEETS = 400
"""More than anyone would glue together."""
QUARTERS = np.array([[1, 0], [0, 1], [-1, 0], [0, -1], [1, 0]])


class Sheet(NamedTuple):
    """One page: its size, the part of the drawing that it shows, and its place among the others.
    All in mm; `x`, `y` is the lower left corner of the part."""

    width: float
    height: float
    x: float
    y: float
    across: float
    up: float
    column: int
    line: int


def sheets(drawing: Drawing, paper: str, stroke: float = STROKE) -> tuple[list[Sheet], int, int]:
    """The pages that a drawing takes, and how many columns and lines of them there are.

    Raises
    ------
    InputError
        A paper that is not known, or too many pages.
    """
    if paper not in PAPERS:
        raise InputError(
            f"'{paper}' is not a known paper; choose one of: {', '.join(PAPERS)}", key="paper"
        )
    need = 2 * drawing.reach + 2 * stroke
    ways = []
    for width, height in (PAPERS[paper], PAPERS[paper][::-1]):
        across, up = width - 2 * BORDER, height - 2 * BORDER - FOOT
        columns, lines = (
            1 if need <= free else ceil((need - OVERLAP) / (free - OVERLAP))
            for free in (across, up)
        )
        ways.append((columns * lines, width > height, width, height, across, up, columns, lines))
    count, _, width, height, across, up, columns, lines = min(ways)
    if count > MOST_SHEETS:
        raise InputError(
            f"a disc of {drawing.diameter:g} mm takes {count:,} pages of {paper}, and at most "
            f"{MOST_SHEETS} are allowed; use a larger paper, .svg or .dxf",
            key="paper",
        )
    left = -(columns * across - (columns - 1) * OVERLAP) / 2
    top = (lines * up - (lines - 1) * OVERLAP) / 2
    out = [
        Sheet(width, height, left + column * (across - OVERLAP),
              top - line * (up - OVERLAP) - up, across, up, column, line)
        for line in range(lines)
        for column in range(columns)
    ]  # fmt: skip
    return out, columns, lines


def empty_pdf(title: str, unit: str = "pt") -> Any:
    """A document without pages or margins, whose bytes depend on nothing but what is drawn."""
    import datetime

    from fpdf import FPDF

    out: Any = FPDF(unit=unit)
    out.set_title(title)
    out.set_creator("sonify")
    out.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    out.set_auto_page_break(False)
    out.set_margin(0)
    return out


def pdf(drawing: Drawing, paper: str = "a4", stroke: float = STROKE) -> bytes:
    """The drawing as a PDF document."""
    from fpdf.prefs import ViewerPreferences

    pages, columns, lines = sheets(drawing, paper, stroke)
    document = empty_pdf(drawing.title)
    # so that print dialogues offer real size first (ISO 32000-1, 12.2)
    document.viewer_preferences = ViewerPreferences(print_scaling="None")
    for done, sheet in enumerate(pages):
        report(done / len(pages))
        document.add_page(format=(sheet.width * POINT, sheet.height * POINT))
        document._out("\n".join(_page(drawing, sheet, columns, lines, stroke)))
        _foot(document, drawing, sheet, columns, lines)
    return bytes(document.output())


def _page(drawing: Drawing, sheet: Sheet, columns: int, lines: int, stroke: float) -> list[str]:
    """A page's own operators (ISO 32000-1, 8.2), in mm of the drawing."""
    left, bottom = (BORDER - sheet.x) * POINT, (BORDER + FOOT - sheet.y) * POINT
    out = [
        f"q {POINT:.12f} 0 0 {POINT:.12f} {left:.6f} {bottom:.6f} cm {stroke:g} w 0 G",
        f"q {sheet.x:.6f} {sheet.y:.6f} {sheet.across:.6f} {sheet.up:.6f} re W n",
    ]
    for group in GROUPS.values():
        circles, marks = drawing.of(group.id)
        path = _circles(circles, sheet)
        path += [_line(n.points, " h" if n.closed else "") for n in marks]
        if path:
            colour = " ".join(f"{c / 255:.6g}" for c in bytes.fromhex(group.colour[1:]))
            out += [f"{colour} RG", *path, "S"]
    out.append(f"Q {STROKE} w")
    for x, y in _crosses(sheet, columns, lines):
        for step in ((CROSS, 0.0), (0.0, CROSS)):
            out.append(_line(np.array([(x, y)]) + np.outer((-1, 1), step), " S"))
    # the bar for checking the printer
    x, y = sheet.x, sheet.y - FOOT + 4.0
    out += ["0.2 w", _line(np.array([(x, y), (x + BAR, y)]), "")]
    for k in range(6):
        tick = np.array([(x + 10 * k, y), (x + 10 * k, y + (3.0 if k in (0, 5) else 1.5))])
        out.append(_line(tick, ""))
    return [*out, "S Q"]


def _line(points: NDArray[np.float64], end: str) -> str:
    return " ".join(f"{x:.6f} {y:.6f} {'l' if k else 'm'}" for k, (x, y) in enumerate(points)) + end


def _circles(circles: NDArray[np.void], sheet: Sheet) -> list[str]:
    """The circles that a sheet shows, four curves each."""
    x, y, r = circles["x_mm"], circles["y_mm"], circles["diameter_mm"] / 2
    shown = (x + r >= sheet.x) & (x - r <= sheet.x + sheet.across)
    shown &= (y + r >= sheet.y) & (y - r <= sheet.y + sheet.up)
    # start, then two handles and an end for each quarter
    ends = QUARTERS[1:]
    unit = np.stack((QUARTERS[:-1] + BULGE * ends, ends + BULGE * QUARTERS[:-1], ends), axis=1)
    unit = np.concatenate((QUARTERS[:1], unit.reshape(-1, 2)))
    points = np.stack((x, y), axis=1)[shown, None] + unit * r[shown, None, None]
    curve = "{:.6f} {:.6f} {:.6f} {:.6f} {:.6f} {:.6f} c "
    form = "{:.6f} {:.6f} m " + 4 * curve + "h"
    return [form.format(*one) for one in points.reshape(-1, 26).tolist()]


def _foot(document: Any, drawing: Drawing, sheet: Sheet, columns: int, lines: int) -> None:
    """Write what the bar is for, and which page this is."""
    x, y = BORDER * POINT, (sheet.height - BORDER - 4.0) * POINT
    document.set_font("Helvetica", size=7)
    document.text(
        x, y + 9, "50 mm. Print at 100 %, do not fit to the page, and measure this bar first."
    )
    about = f"{drawing.title}, {drawing.diameter:g} mm, seen from the {drawing.side}"
    if drawing.kerf:
        about += f", kerf {drawing.kerf:g} mm"
    if columns * lines > 1:
        about += (
            f"  -  page {sheet.line * columns + sheet.column + 1} of {columns * lines}: "
            f"column {sheet.column + 1} of {columns}, line {sheet.line + 1} of {lines}"
        )
    # PDF's standard typefaces have only Latin-1
    about = "".join(c if c.isprintable() else " " for c in about)
    about = about.encode("latin-1", "replace").decode("latin-1")
    room = (sheet.width - 2 * BORDER - BAR - 6) * POINT
    while document.get_string_width(about) > room and len(about) > 8:
        about = about[:-5] + "..."
    document.text(x + (BAR + 5) * POINT, y, about)


def _crosses(sheet: Sheet, columns: int, lines: int) -> list[tuple[float, float]]:
    """Register marks in the middle of each overlap, at the same places on both pages."""
    sides_x = ((sheet.column > 0, sheet.x + OVERLAP / 2),
               (sheet.column < columns - 1, sheet.x + sheet.across - OVERLAP / 2))  # fmt: skip
    sides_y = ((sheet.line > 0, sheet.y + sheet.up - OVERLAP / 2),
               (sheet.line < lines - 1, sheet.y + OVERLAP / 2))  # fmt: skip
    xs, ys = ([v for there, v in sides if there] for sides in (sides_x, sides_y))
    more_x, more_y = ([low + size * f for f in (0.25, 0.75)]
                      for low, size in ((sheet.x, sheet.across), (sheet.y, sheet.up)))  # fmt: skip
    return sorted({(x, y) for x in xs for y in ys + more_y} | {(x, y) for x in more_x for y in ys})
