"""The drawing as SVG: real size, with a group for each kind of line.

The groups are layers in Inkscape, by its attributes `groupmode` and `label` (Inkscape 1.2, "Layers
and objects").
"""

from __future__ import annotations

from html import escape
from itertools import groupby

from sonify.export.drawing.drawing import GROUPS, Drawing, Line

__all__ = ["svg"]

STROKE = 0.25
"""The width of lines in mm: about a pixel at 96 an inch, so that they can be seen."""
MARGIN = 1.0
_INKSCAPE = "http://www.inkscape.org/namespaces/inkscape"


def svg(drawing: Drawing, stroke: float = STROKE) -> bytes:
    """The drawing as an SVG document. In SVG y runs down, so its sign changes here."""
    reach = drawing.reach + MARGIN
    size, corner = _number(2 * reach), _number(-reach)
    kerf = f"Compensated for a kerf of {drawing.kerf:g} mm. " if drawing.kerf else ""
    about = (
        f"Seen from the {drawing.side}, in mm, at real size. {kerf}"
        "Cut the holes first and the outline last."
    )
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:inkscape="{_INKSCAPE}" version="1.1" '
        f'width="{size}mm" '
        f'height="{size}mm" viewBox="{corner} {corner} {size} {size}">',
        f"<title>{_text(drawing.title)}</title>",
        f"<desc>{_text(about)}</desc>",
    ]
    for group in GROUPS.values():
        circles, lines = drawing.of(group.id)
        if not len(circles) and not lines:
            continue
        out.append(
            f'<g id="{group.id}" inkscape:groupmode="layer" inkscape:label="{_text(group.title)}" '
            f'fill="none" stroke="{group.colour}" stroke-width="{stroke:g}">'
            f"<title>{_text(group.title)}</title>"
        )
        for row, some in groupby(circles.tolist(), key=lambda circle: circle[3]):
            one = [
                f'<circle cx="{_number(x)}" cy="{_number(-y)}" r="{d / 2!r}"/>'
                for x, y, d, _ in some
            ]
            if row >= 0:
                one = [f'<g id="row-{row + 1}"><title>row {row + 1}</title>', *one, "</g>"]
            out += one
        out += [*map(_line, lines), "</g>"]
    out.append("</svg>\n")
    return "\n".join(out).encode("utf-8")


def _number(value: float) -> str:
    """A number rounded to a millionth of a mm."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _text(text: str) -> str:
    return escape("".join(c if c.isprintable() else " " for c in text))


def _line(line: Line) -> str:
    points = " ".join(f"{_number(x)},{_number(-y)}" for x, y in line.points.tolist())
    return f'<{"polygon" if line.closed else "polyline"} points="{points}"/>'
