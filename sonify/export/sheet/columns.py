"""The columns of the sheet: each code unit with its bits, holes, lamps and notes."""

from __future__ import annotations

from math import cos, pi, sin

from sonify.export.sheet.facts import COLUMNS, MOST_COLUMNS, Facts, Unit, visible
from sonify.export.sheet.page import (
    BODY,
    BOLD,
    SMALL,
    Box,
    Canvas,
    Circle,
    Line,
    Link,
    Target,
    width_of,
)

__all__ = [
    "bands",
    "columns_height",
    "draw_columns",
    "draw_hole",
    "draw_lamp",
    "line_for",
    "place_values",
]

LABELS = 15.0
"""The width of the labels on the left."""
WIDEST = 40.0
NAME = 4.8
"""The size of a character, as type."""
LINE, MOST_LINE = 4.3, 5.6
"""The least and the largest height of a bit."""
TOP, BOTTOM = 13.8, 6.6
SPOT = 1.25
"""The radius of holes and lamps."""


def bands(facts: Facts) -> list[list[Unit]]:
    """The code units in bands of columns; a character of few units is not divided."""
    groups, most = [facts.groups[k] for k in facts.shown], facts.most_columns
    if most == MOST_COLUMNS and sum(map(len, groups)) == most + 1:
        most += 1  # one more fits without headings
    out: list[list[Unit]] = [[]]
    for group in groups:
        if out[-1] and len(out[-1]) + len(group) > most:
            out.append([])
        out[-1] += group
    return out


def columns_height(facts: Facts, line: float = LINE) -> float:
    """The height of a band of columns with bits of a height."""
    return TOP + line * facts.code.unit_bits + BOTTOM


def line_for(facts: Facts, room: float) -> float:
    """The height of a bit if a band of columns may be `room` higher than it needs."""
    return min(MOST_LINE, LINE + max(0.0, room) / facts.code.unit_bits)


def _middles(facts: Facts, wide: float) -> list[float]:
    """Where in a column its parts have their middles, with even gaps."""
    widths = [w for _, w in facts.parts]
    gap = (wide - sum(widths)) / (len(widths) + 1)
    return [gap * (k + 1) + sum(widths[:k]) + widths[k] / 2 for k in range(len(widths))]


def draw_columns(
    canvas: Canvas,
    facts: Facts,
    units: list[Unit],
    y: float,
    width: float,
    line: float = LINE,
    solved: int = 0,
) -> None:
    """Draw a band of columns from the left edge, with bits of a height; on a worksheet, `solved` of
    them are filled in."""
    _labels(canvas, facts, y, line)
    wide = min(max(WIDEST, 1.2 * facts.column), (width - LABELS) / len(units))
    blank = canvas.blank
    for k, unit in enumerate(units):
        canvas.blank = blank and k >= solved
        _column(canvas, facts, unit, LABELS + k * wide, y, wide, line)
    canvas.blank = blank


def place_values(facts: Facts) -> list[str]:
    """What each bit of a code unit counts, in the order of reading."""
    values = [str(1 << k) for k in range(facts.code.data_bits)]
    if facts.code.bit_order == "high-first":
        values.reverse()
    return values + ["parity"] * facts.code.parity


def _labels(canvas: Canvas, facts: Facts, y: float, line: float) -> None:
    end = y + TOP + line * facts.code.unit_bits
    labels = [("a one", y + 9.5), ("counts", y + 13.0), ("sum", end + 4.7)]
    values = enumerate(place_values(facts))
    labels += [(value, y + TOP + line * (k + 0.5) + 1.0) for k, value in values]
    for words, base in labels:
        canvas.text(LABELS - 1.5, base, words, SMALL, anchor="end", colour="soft")


def _column(
    canvas: Canvas, facts: Facts, unit: Unit, x: float, y: float, wide: float, line: float
) -> None:
    middle, high = x + wide / 2, columns_height(facts, line)
    canvas.add(
        Box(x + 0.4, y, wide - 0.8, 6.6, unit.tint),
        Box(x + 0.4, y, wide - 0.8, high, None, "line", 0.25, unit.link),
    )
    name = visible(unit.char) if unit.char else "bits"
    if unit.parts > 1:
        between = " of " if len(name) == 1 else "/"
        name += f" {unit.part + 1}{between}{unit.parts}"
    if unit.failed:
        name += "?"
    size = min(NAME, NAME * (wide - 3) / width_of(name, NAME, BOLD))
    canvas.asked(middle, y + 5.0, name, size, anchor="middle", style=BOLD)
    where = facts.span(unit.first, unit.last)
    canvas.text(middle, y + 9.5, where, SMALL, anchor="middle", colour="soft")
    if wide >= COLUMNS / MOST_COLUMNS:
        for at, (word, _) in zip(_middles(facts, wide), facts.parts, strict=True):
            canvas.text(x + at, y + 13.0, word, SMALL, anchor="middle", colour="soft")
    about = f"{name}, {where}, number {unit.told}" if not canvas.blank else where
    canvas.add(Target(x, y, wide, TOP, unit.link, about, stop=True))
    for k in range(facts.code.unit_bits):
        _line(canvas, facts, unit.first + k, x, y + TOP + line * (k + 0.5), wide, line)
    end = y + TOP + line * facts.code.unit_bits
    canvas.add(Line(((x + 2, end + 0.4), (x + wide - 2, end + 0.4)), "ink", 0.25))
    canvas.asked(middle - 1, end + 4.8, unit.told, BODY, anchor="end", style=BOLD)
    if unit.number is not None and not canvas.blank:
        canvas.text(middle + 1, end + 4.8, f"hex {unit.number:02X}", SMALL, colour="soft")


def _line(
    canvas: Canvas, facts: Facts, bit: int, x: float, y: float, wide: float, line: float
) -> None:
    """A bit with its hole, lamp and note."""
    value, link = int(facts.flat[bit]), (bit, bit)
    at = [x + middle for middle in _middles(facts, wide)]
    canvas.asked(at[0], y + 1.1, "01?"[value], BODY, box=3.6, anchor="middle", style=BOLD)
    draw_hole(canvas, at[1], y, value, facts.disc.layout.hole_means, link)
    draw_lamp(canvas, at[2], y, value > 0 and not canvas.blank, link)
    for middle, played in zip(at[3:], facts.notes, strict=False):
        if bit in played:
            right = min(middle + width_of(played[bit], SMALL) / 2, x + wide - 0.8)
            canvas.text(right, y + 1.0, played[bit], SMALL, anchor="end")
    canvas.add(Target(x + 0.8, y - line / 2, wide - 1.6, line, link, facts.about(bit)))


def draw_hole(
    canvas: Canvas, x: float, y: float, value: int, hole_means: int, link: Link | None = None
) -> None:
    """Draw a place on a disc: a hole, none, or an unknown bit."""
    if value < 0:
        canvas.add(Circle(x, y, SPOT, "paper", "soft", 0.2, link))
        canvas.text(x, y + 0.9, "?", SMALL, anchor="middle")
    elif value == hole_means:
        canvas.add(Circle(x, y, SPOT, "hole", "hole", 0.2, link))
    else:
        canvas.add(Circle(x, y, 0.3, "soft", None, 0.2, link))


def draw_lamp(canvas: Canvas, x: float, y: float, lit: bool, link: Link | None = None) -> None:
    """Draw a lamp; one that is lit has rays, so that it shows in black and white too."""
    canvas.add(Circle(x, y, SPOT * 0.75, "lamp" if lit else "paper", "soft", 0.2, link))
    for k in range(8 * lit):
        a = (cos(k * pi / 4), sin(k * pi / 4))
        ends = tuple((x + r * SPOT * a[0], y + r * SPOT * a[1]) for r in (1.05, 1.5))
        canvas.add(Line(ends, "ink", 0.25))
