"""The sheet: how the text of a disc becomes holes, bits, lamps and notes, on pages for teaching."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sonify.errors import plural
from sonify.export.drawing.pdf import PAPERS
from sonify.export.sheet.check import Check, draw_check
from sonify.export.sheet.columns import bands, columns_height, draw_columns, line_for
from sonify.export.sheet.facts import Facts, visible
from sonify.export.sheet.page import (
    BODY,
    BOLD,
    GREYS,
    HEAD,
    INKS,
    LEADING,
    Canvas,
    Line,
    Page,
    Shape,
    width_of,
    wrapped,
)
from sonify.export.sheet.plan import LABELS, draw_plan
from sonify.export.sheet.turn import draw_turn, turn_height
from sonify.export.sheet.words import draw_words

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["pages_of"]

A4_WIDTH, LETTER_HEIGHT = PAPERS["a4"][0], PAPERS["letter"][1]
"""What every page has room for; larger papers show it enlarged."""
MARGIN = 10.0
PANEL_GAP = 5.0
TITLE, HEADING = 6.2, 5.4
FRAMES = {"plain": "", "framed": "between SYN SYN STX and ETX; "}
LEAST_TEXT = 70.0
"""The least width of the words beside the disc."""


def pages_of(
    show: Performance,
    *,
    paper: str = "a4",
    characters: str | None = None,
    voice: str | None = None,
    worksheet: bool = False,
    grey: bool = False,
) -> list[Page]:
    """The pages of a sheet.

    Parameters
    ----------
    show : Performance
    paper : str
        A name in `PAPERS`.
    characters : str or None
        Which characters are shown, such as "1-8"; None for as many as fit on one page.
    voice : str or None
        Which voices' notes are shown, by name or number; None for all that play, if not too many.
    worksheet : bool
        With blanks to fill in, and the solution on as many pages after it.
    grey : bool
        In black and white.

    Raises
    ------
    InputError
        Characters or voices that don't exist, or a disc that can't be drawn.
    """
    facts = Facts(show, characters, voice)
    width, height = PAPERS[paper]
    scale = min(width / A4_WIDTH, height / LETTER_HEIGHT)
    title = f"{show.disc.display_name}: from text to sound"
    out = []
    for blank in (True, False) if worksheet else (False,):
        head = {(True, True): "Worksheet", (True, False): "Solution"}.get((worksheet, blank), "")
        for shapes in _contents(facts, blank, head, width / scale, height / scale):
            out.append(Page(width, height, scale, GREYS if grey else INKS, title, shapes))
    return out


def _contents(
    facts: Facts, blank: bool, head: str, width: float, height: float
) -> list[list[Shape]]:
    """The shapes of each page: the first has everything, the others more characters."""
    wide, high = width - 2 * MARGIN, height - 2 * MARGIN
    first, *more = bands(facts)
    check = Check(facts)
    canvas = Canvas(blank)
    top = _header(canvas, facts, head, wide)
    # the disc is as large as its width allows; lines of columns and gaps share what is left
    low = Canvas(blank)
    side = wide - LEAST_TEXT - LABELS - PANEL_GAP
    fixed = draw_check(Canvas(), check, 0, wide) + turn_height(facts) + HEADING + 3 * PANEL_GAP
    spare = high - top - fixed - columns_height(facts) - side
    line = line_for(facts, spare)
    what = "character" if facts.has_characters else "eight bits"
    y = _title(low, f"Each {what}: bits, holes, lamps and notes", 0)
    draw_columns(low, facts, first, y, wide, line, solved=int(len(facts.units) > 1))
    taken = columns_height(facts, line)
    gap = PANEL_GAP + max(0.0, high - top - fixed - taken - side) / 4
    y = draw_check(low, check, y + taken + gap, wide) + gap
    draw_turn(low, facts, y, wide)
    block = high - top - (y + turn_height(facts)) - gap
    _beside(canvas, facts, check, top, wide, block)
    where = high - y - turn_height(facts)
    pages = [[*canvas.shapes, *_moved(low.shapes, 0, where)]]
    each = columns_height(facts) + PANEL_GAP
    fit = int((high - 12) // each)
    for k in range(0, len(more), fit):
        rest = Canvas(blank)
        y = _title(rest, " - ".join(filter(None, [head, "More characters"])), 0) + 2
        some = more[k : k + fit]
        line = line_for(facts, (high - y) / len(some) - each)
        step = columns_height(facts, line) + PANEL_GAP
        for n, units in enumerate(some):
            draw_columns(rest, facts, units, y + n * step, wide, line)
        pages.append(rest.shapes)
    return [_moved(shapes, MARGIN, MARGIN) for shapes in pages]


def _title(canvas: Canvas, words: str, y: float) -> float:
    canvas.text(0, y + 3.6, words, HEAD, style=BOLD)
    return y + HEADING


def _header(canvas: Canvas, facts: Facts, head: str, wide: float) -> float:
    """The title, the message, and the code in words; returns where they end."""
    disc, code = facts.disc, facts.code
    title = _shown(disc.display_name)
    size = max(HEAD, min(TITLE, TITLE * (wide - 40) / width_of(title, TITLE, BOLD)))
    canvas.text(0, 5.2, wrapped(title, wide - 40, size, BOLD)[0], size, style=BOLD)
    if head:
        canvas.text(wide, 5.2, head, HEAD, anchor="end", style=BOLD, colour="accent")
    y = 7.4
    message = disc.message if facts.has_characters else None
    if message and not canvas.blank:
        lines = wrapped(f"\u201c{_shown(message)}\u201d", wide, BODY)
        if len(lines) > 2:
            lines[1] = lines[1][:-4] + " ...\u201d"
        for line in lines[:2]:
            y += BODY * LEADING
            canvas.text(0, y - 0.9, line, BODY)
    elif message:
        canvas.text(0, y + 3.4, "What does the disc say? Fill in the boxes, and find out.", BODY)
        y += BODY * LEADING
    told = "Bare bits, eight at a time"
    if message:
        high = code.bit_order == "high-first"
        told = (
            f"{plural(len(facts.groups), 'character')} in {code.alphabet}, {code.data_bits} bits"
            f"{_more_bits(facts)}, {'highest' if high else 'lowest'} first; {FRAMES[code.framing]}"
            f"check {code.check}"
        )
    way = "inwards" if disc.layout.reading == "outside-in" else "outwards"
    told += f". {plural(disc.rows, 'row')} of {disc.positions} positions, read {way}."
    return canvas.paragraph(0, y, wide, told, BODY, colour="soft") + 2.5


def _more_bits(facts: Facts) -> str:
    if facts.code.alphabet == "utf-8":
        return " or more each"
    return " and a parity bit each" if facts.code.parity else " each"


def _shown(text: str) -> str:
    return "".join(c if c == " " or len(visible(c)) == 1 else "\u25a1" for c in text)


def _beside(canvas: Canvas, facts: Facts, check: Check, y: float, wide: float, high: float) -> None:
    """The disc, and beside it what there is to see and how it works."""
    side = min(high, wide - LEAST_TEXT - LABELS - PANEL_GAP)
    draw_plan(canvas, facts, 0, y + (high - side) / 2, side, check.bit)
    x = side + LABELS + PANEL_GAP
    draw_words(canvas, facts, check.bit is not None, x, y, wide - x, high)


def _moved(shapes: list[Shape], x: float, y: float) -> list[Shape]:
    """Shapes shifted to the right and down."""
    return [
        shape._replace(points=tuple((u + x, v + y) for u, v in shape.points))
        if isinstance(shape, Line)
        else shape._replace(x=shape.x + x, y=shape.y + y)
        for shape in shapes
    ]
