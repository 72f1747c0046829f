"""The drawing as SVG: real size, hairlines, a group each for what is cut and engraved."""

from __future__ import annotations

from html import escape

import numpy as np
from numpy.typing import NDArray

from sonify.export.drawing.drawing import GROUPS, Drawing, Line

__all__ = ["svg"]

HAIRLINE = 0.02
MARGIN = 1.0


def svg(drawing: Drawing) -> bytes:
    """The drawing as an SVG document. y runs down in SVG, so it is turned over here."""
    reach = drawing.reach + MARGIN
    size = _number(2 * reach)
    corner = _number(-reach)
    about = (
        f"Seen from the {drawing.side}, in mm, at real size. "
        + (f"Kerf of {drawing.kerf:g} mm taken into account. " if drawing.kerf else "")
        + "Cut the holes first and the outline last."
    )
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{size}mm" '
        f'height="{size}mm" viewBox="{corner} {corner} {size} {size}">',
        f"<title>{_text(drawing.title)}</title>",
        f"<desc>{_text(about)}</desc>",
    ]
    for group in GROUPS.values():
        inside = [
            *_circles(drawing.circles.get(group.id), group.id),
            *(_line(n) for n in drawing.lines if n.group == group.id),
        ]
        if not inside:
            continue
        out.append(
            f'<g id="{group.id}" fill="none" stroke="{group.colour}" stroke-width="{HAIRLINE}">'
            f"<title>{_text(group.title)}</title>"
        )
        out.extend(inside)
        out.append("</g>")
    out.append("</svg>\n")
    return "\n".join(out).encode("utf-8")


def _number(value: float) -> str:
    """At most a millionth of a mm off, and exact where the value is short."""
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _text(text: str) -> str:
    return escape("".join(c if c.isprintable() else " " for c in text))


def _circles(circles: NDArray[np.void] | None, name: str) -> list[str]:
    if circles is None or not len(circles):
        return []
    lines = [
        f'<circle cx="{_number(x)}" cy="{_number(-y)}" r="{d / 2!r}"/>'
        for x, y, d in zip(
            circles["x_mm"].tolist(),
            circles["y_mm"].tolist(),
            circles["diameter_mm"].tolist(),
            strict=True,
        )
    ]
    if name != "holes":
        return lines
    out: list[str] = []
    rows = circles["row"]
    starts = np.flatnonzero(np.diff(rows, prepend=-1))
    for start, end in zip(starts, [*starts[1:], len(rows)], strict=True):
        number = int(rows[start]) + 1
        out.append(f'<g id="row-{number}"><title>row {number}</title>')
        out.extend(lines[start:end])
        out.append("</g>")
    return out


def _line(line: Line) -> str:
    points = " ".join(f"{_number(x)},{_number(-y)}" for x, y in line.points.tolist())
    return f'<{"polygon" if line.closed else "polyline"} points="{points}"/>'
