"""The words beside the disc on the sheet: how text becomes music, and what the signs mean."""

from __future__ import annotations

from collections.abc import Callable

from sonify.export.sheet.columns import draw_hole, draw_lamp, place_values
from sonify.export.sheet.facts import Facts, visible
from sonify.export.sheet.page import (
    BODY,
    BOLD,
    HEAD,
    LEADING,
    SMALL,
    Box,
    Canvas,
    Circle,
    Line,
)
from sonify.export.sheet.plan import draw_wrong

__all__ = ["draw_words"]

SIZES = (3.9, 3.7, 3.5, 3.3, BODY)
"""Of type, from which the largest that fits is chosen."""


def draw_words(
    canvas: Canvas, facts: Facts, wrong: bool, x: float, y: float, width: float, height: float
) -> None:
    """Draw the steps and the legend, in the largest type for which there is room."""
    for size in SIZES:
        trial = Canvas(canvas.blank)
        if _steps_and_signs(trial, facts, wrong, x, y, width, size) <= y + height:
            break
    canvas.add(*trial.shapes)


def _steps_and_signs(
    canvas: Canvas, facts: Facts, wrong: bool, x: float, y: float, width: float, size: float
) -> float:
    canvas.text(x, y + 3.6, "From text to music", HEAD, style=BOLD)
    y += 5.0
    for k, words in enumerate(_steps(facts)):
        base = y + (LEADING - 0.3) * size
        canvas.text(x, base, f"{k + 1}", size, style=BOLD, colour="accent")
        y = canvas.paragraph(x + 5, y, width - 5, words, size) + 0.3 * size
    return _legend(canvas, facts, wrong, x, y + 0.8 * size, width, size)


def _steps(facts: Facts) -> list[str]:
    disc, unit = facts.disc, facts.units[0]
    bits = facts.repaired[unit.first : unit.first + facts.code.data_bits].tolist()
    values = [v for v, bit in zip(place_values(facts), bits, strict=False) if bit > 0]
    what = visible(unit.char) if unit.char else "the first byte"
    numbered = f"In {facts.code.alphabet}, {what} is number {unit.told}"
    if unit.parts > 1:
        numbered = f"In utf-8, {what} takes {unit.parts} numbers; the first is {unit.told}"
    elif not unit.char:
        numbered = f"The first eight bits make the number {unit.told}"
    elif len(unit.char) > 1:
        numbered = f"In ita2, the shift to {what} is number {unit.told}"
    one, zero = ("a hole", "no hole") if disc.layout.hole_means else ("no hole", "a hole")
    inwards = "inwards" if disc.layout.reading == "outside-in" else "outwards"
    names = [f"\u201c{part.name}\u201d" for part in facts.voices]
    if len(names) > 1:
        names = [f"{k} {name}" for k, name in zip(facts.note_names, names, strict=True)]
        names = [", ".join(names[:-1]), names[-1]]
    notes = f"The notes are those of {' and '.join(names)}." if names else ""
    if facts.left_out:
        notes += f" Not shown: {', '.join(facts.left_out)}."
    steps = f", then steps {inwards} to the next row" * (disc.rows > 1)
    return [
        f"{numbered}: {' + '.join(values) or '0'}.",
        f"Its bits are {' '.join('01?'[b] for b in bits)}. A one is {one}; a zero is {zero}.",
        f"The disc turns {disc.layout.turning}. One detector stays on the clock row and counts the "
        f"positions; the other reads row 1{steps}. At a hole no light comes back: the line dips.",
        f"Each one lights a lamp. {notes}",
    ]  # fmt: skip


def _legend(
    canvas: Canvas, facts: Facts, wrong: bool, x: float, y: float, width: float, size: float
) -> float:
    """The signs, in two columns."""
    means = facts.disc.layout.hole_means

    def clock(sx: float, sy: float) -> None:
        canvas.add(Circle(sx, sy, 0.9, "paper", "ink", 0.2))

    def index(sx: float, sy: float) -> None:
        corners = ((sx, sy + 1.2), (sx - 1.3, sy - 1.1), (sx + 1.3, sy - 1.1))
        canvas.add(Line(corners, None, 0.2, "ink"))

    def tint(sx: float, sy: float) -> None:
        for k, colour in enumerate(("tint", "tint2")):
            canvas.add(Box(sx - 2.2 + 2.2 * k, sy - 1.3, 2.2, 2.6, colour))

    shown = range(facts.units[0].first, facts.units[-1].last + 1)
    played = [notes[bit] for notes in facts.notes for bit in shown if bit in notes]
    name = next((p.partition("+")[0] for p in played if p != "hit"), "D4")
    entries: list[tuple[Callable[[float, float], None], str]] = [
        (lambda sx, sy: draw_hole(canvas, sx, sy, means, means), "hole"),
        (lambda sx, sy: draw_hole(canvas, sx, sy, 1 - means, means), "no hole"),
        (clock, "clock row"),
        (index, "index: position 1"),
        (lambda sx, sy: draw_lamp(canvas, sx, sy, True), "lamp on"),
        (lambda sx, sy: draw_lamp(canvas, sx, sy, False), "lamp off"),
        (tint, "shown below"),
        (lambda sx, sy: canvas.text(sx, sy + 1, name, SMALL, anchor="middle"), "note"),
    ]
    chord = next((p for p in played if "+" in p), None)
    if chord is not None:
        more = chord.partition("+")[2]
        entries.append((
            lambda sx, sy: canvas.text(sx, sy + 1, f"+{more}", SMALL, anchor="middle"),
            f"and {more} more",
        ))  # fmt: skip
    if "hit" in played:
        entries.append(
            (lambda sx, sy: canvas.text(sx, sy + 1, "hit", SMALL, anchor="middle"), "drum")
        )
    if wrong:
        entries.append((lambda sx, sy: draw_wrong(canvas, sx, sy, 1.2), "wrong hole"))
    n = facts.disc.positions
    across = next((u for u in facts.units if u.first // n != u.last // n), None)
    if across is not None:
        row, position = facts.place(across.first)
        sign = f"{row}:{position}"
        entries.append((
            lambda sx, sy: canvas.text(sx, sy + 1, sign, SMALL, anchor="middle"),
            f"row {row}, place {position}",
        ))  # fmt: skip
    if (facts.flat < 0).any():
        entries.append((lambda sx, sy: draw_hole(canvas, sx, sy, -1, means), "unknown"))
    canvas.text(x, y + 3.6, "What the signs mean", HEAD, style=BOLD)
    y += 5.6
    half, entry = -(-len(entries) // 2), 1.45 * size
    for k, (draw, words) in enumerate(entries):
        sx, sy = x + 2.8 + (k // half) * width * 0.53, y + entry * (k % half + 0.5)
        draw(sx, sy)
        canvas.text(sx + 4.2, sy + 1.1, words, BODY)
    return y + entry * half
