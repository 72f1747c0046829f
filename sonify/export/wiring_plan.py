"""The wiring plan of the matrix: the data line from lamp to lamp, and what the lamps draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import InputError, plural
from sonify.export.drawing.pdf import PAPERS
from sonify.export.sheet.page import (
    BODY,
    BOLD,
    INKS,
    SMALL,
    Box,
    Canvas,
    Circle,
    Line,
    Page,
)  # fmt: skip
from sonify.light.power import POWER_CAUTION
from sonify.light.wiring import WIRINGS, Wiring

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["SUFFIXES", "plan_pages", "wiring_plan"]

SUFFIXES = (".svg", ".pdf", ".png")
MOST_LAMPS = 20_000
"""Own limit: a lamp is then about a millimetre on A4."""
MARGIN = 12.0
WORDS = 52.0
LARGEST = 12.0
"""Of a lamp's square, in mm."""
NUMBERED = 4.6
"""From this size of square on, each lamp has its number."""
FEED = 100
"""Lamps after which strips are often fed again, lest the far ones turn dark and red: common
practice, no source."""


def wiring_plan(show: Performance, suffix: str, paper: str = "a4") -> bytes:
    """The bytes of the plan as a .svg, .pdf or .png file."""
    from sonify.export.sheet import page_bytes

    return page_bytes(plan_pages(show, paper), suffix)


def plan_pages(show: Performance, paper: str = "a4") -> list[Page]:
    """The plan on one page, wider than high, as the matrix is seen from the front.

    Raises
    ------
    InputError
        A paper that is not known, or a matrix too large to draw.
    """
    if paper not in PAPERS:
        raise InputError(f"'{paper}' is not a known paper; one of: {', '.join(PAPERS)}",
                         key="paper")  # fmt: skip
    matrix, wiring = show.setup.player.matrix, show.wiring
    if matrix.lamps > MOST_LAMPS:
        raise InputError(
            f"a plan of {matrix.lamps:,} lamps can't be read; at most {MOST_LAMPS:,} are drawn",
            place="player.matrix",
        )
    high, wide = sorted(PAPERS[paper])
    scale = wide / PAPERS["a4"][1]
    wide, room = wide / scale - 2 * MARGIN, high / scale - 2 * MARGIN - WORDS
    cell = min(wide / matrix.width, room / matrix.height, LARGEST)
    canvas = Canvas()
    title = f"Wiring of the matrix, {matrix.width} x {matrix.height} lamps, seen from the front"
    canvas.text(MARGIN, MARGIN + 2, title, 4.5, style=BOLD)
    left = MARGIN + (wide - cell * matrix.width) / 2
    _draw(canvas, wiring, cell, left, MARGIN + 9)
    y = MARGIN + 14 + cell * matrix.height
    for words in _notes(show):
        y = canvas.paragraph(MARGIN, y, wide, words, BODY) + 1.0
    canvas.paragraph(MARGIN, y + 1, wide, POWER_CAUTION, SMALL, colour="wrong")
    return [Page(wide * scale + 2 * MARGIN * scale, high, scale, INKS, title, canvas.shapes)]


def _draw(canvas: Canvas, wiring: Wiring, cell: float, left: float, top: float) -> None:
    height, width = wiring.strip.shape
    for y, x in np.argwhere(wiring.strip < 0).tolist():
        canvas.add(Box(left + x * cell, top + y * cell, cell, cell, "check", None))
    canvas.add(Box(left, top, width * cell, height * cell, None, "line"))
    for panel in wiring.panels:
        across, down = left + (panel.column - 1) * cell, top + (panel.row - 1) * cell
        canvas.add(Box(across, down, panel.width * cell, panel.height * cell, None, "soft", 0.4))
    order = wiring.order
    numbers = np.flatnonzero(order >= 0)
    rows, columns = np.divmod(order[numbers], width)
    at = [(left + (x + 0.5) * cell, top + (y + 0.5) * cell)
          for x, y in zip(columns.tolist(), rows.tolist(), strict=True)]  # fmt: skip
    steps = np.stack([np.diff(columns), np.diff(rows)], axis=1)
    # a run goes straight on from lamp to lamp
    turns = np.ones(len(at) + 1, bool)[: len(at)]
    turns[1:-1] = (steps[1:] != steps[:-1]).any(axis=1)
    for k, ((x, y), (dx, dy)) in enumerate(zip(at[:-1], steps.tolist(), strict=True)):
        far = abs(dx) + abs(dy) > 1
        canvas.add(Line(((x, y), at[k + 1]), "line" if far else "accent", 0.2 if far else 0.45))
        if (turns[k] or far) and (x, y) != at[k + 1]:
            _arrow(canvas, (x, y), at[k + 1], cell, "soft" if far else "accent")
    radius = min(0.36 * cell, 2.6)
    size = min(SMALL, 0.34 * cell)
    for k, (x, y) in enumerate(at):
        ends = k in (0, len(at) - 1)
        fill = "lamp" if ends else "paper"
        canvas.add(Circle(x, y, radius, fill, "soft", 0.15))
        if cell >= NUMBERED:
            number = str(int(numbers[k]) + 1)
            canvas.text(x, y + 0.36 * size, number, size, anchor="middle")
    for k, words in ((0, "data in"), (len(at) - 1, "last lamp")) if at else ():
        x, y = at[k]
        side = y < top + height * cell / 2
        edge = top - 1.2 if side else top + height * cell + SMALL
        anchor = "start" if x < left + width * cell / 2 else "end"
        x += (-cell if anchor == "start" else cell) / 2
        canvas.text(x, edge, words, SMALL, anchor=anchor, style=BOLD, colour="accent")


def _arrow(
    canvas: Canvas, a: tuple[float, float], b: tuple[float, float], cell: float, ink: str
) -> None:
    """A head in the middle between two lamps."""
    along = np.array(b) - a
    along /= np.hypot(*along)
    across = np.array([-along[1], along[0]])
    size = min(0.3 * cell, 1.6)
    tip = (np.array(a) + b) / 2 + size / 2 * along
    corners = (tip, tip - size * along + size / 2 * across, tip - size * along - size / 2 * across)
    canvas.add(Line(tuple((float(x), float(y)) for x, y in corners), None, 0.0, ink))


def _notes(show: Performance) -> list[str]:
    matrix, wiring, power = show.setup.player.matrix, show.wiring, show.power
    there = int((wiring.strip >= 0).sum())
    first = f"The strip has {plural(wiring.length, 'lamp')}"
    if there != wiring.length:
        first += f", {there:,} of them on the matrix"
    first += f"; arrows show the direction of the data. Colour order {matrix.colour_order.upper()}"
    if matrix.wiring in WIRINGS:
        first += f"; wiring {matrix.wiring}, beginning {matrix.first_lamp.replace('-', ' ')}"
    out = [first + "."]
    if matrix.panels:
        told = []
        for n, p in enumerate(matrix.panels, 1):
            turned = f", turned {p.turned} degrees clockwise" if p.turned else ""
            mirrored = ", mirrored" if p.mirrored else ""
            told.append(f"{n} at column {p.column}, row {p.row}{mirrored}{turned}")
        shown = "; ".join(told[:12]) + ("; ..." if len(told) > 12 else "")
        out.append(f"Panels in the order of the data line: {shown}.")
    given = "" if matrix.supply is None else f" The supply gives {matrix.supply:g} A."
    feeds = -(-wiring.length // FEED)
    out.append(
        f"Estimated current (at {matrix.lamp_current:g} mA for each colour of a "
        f"lamp): {power}.{given} At {matrix.brightness:.0%} brightness. Feed the strip "
        f"{'at its start' if feeds < 2 else f'at its start and again every {FEED} lamps or so'}; "
        "join the grounds of supply, strip and controller."
    )
    return out
