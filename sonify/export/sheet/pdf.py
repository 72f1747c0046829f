"""The sheet as PDF: pages of the exact size, drawn with their own operators."""

from __future__ import annotations

import logging

from sonify.export.drawing.pdf import BULGE, POINT, empty_pdf
from sonify.export.sheet.page import FONTS, Box, Circle, Line, Page, Target, Text
from sonify.light.dejavu import dejavu

__all__ = ["pdf"]


def pdf(pages: list[Page]) -> bytes:
    """The pages as a PDF document."""
    for chatty in ("fpdf", "fontTools"):
        logging.getLogger(chatty).setLevel(logging.ERROR)
    out = empty_pdf(pages[0].title)
    for name in FONTS.values():
        out.add_font(name, "", str(dejavu(name)))
    for page in pages:
        out.add_page(format=(page.width * POINT, page.height * POINT))
        step = page.scale * POINT
        # fpdf2 has no public way to add operators to a page
        for shape in page.shapes:
            if isinstance(shape, Text):
                out.set_font(FONTS[shape.style], size=shape.size * step)
                out.set_text_color(*bytes.fromhex(page.colours[shape.colour][1:]))
                out.text(shape.left * step, shape.y * step, shape.words)
            elif not isinstance(shape, Target):
                head = f"q {step:.6f} 0 0 {-step:.6f} 0 {page.height * POINT:.6f} cm"
                out._out(f"{head} {_drawn(shape, page.colours)} Q")
    return bytes(out.output())


def _drawn(shape: Circle | Box | Line, colours: dict[str, str]) -> str:
    """A shape's operators (ISO 32000-1, 8.5), with y down."""
    out = [_path(shape), {(True, True): "B", (True, False): "f", (False, True): "S"}[
        shape.fill is not None, shape.stroke is not None
    ]]  # fmt: skip
    if shape.stroke:
        out.insert(0, f"{_rgb(colours[shape.stroke])} RG {shape.width:g} w 1 j")
    if shape.fill:
        out.insert(0, f"{_rgb(colours[shape.fill])} rg")
    return " ".join(out)


def _path(shape: Circle | Box | Line) -> str:
    if isinstance(shape, Box):
        return f"{shape.x:.4f} {shape.y:.4f} {shape.w:.4f} {shape.h:.4f} re"
    if isinstance(shape, Line):
        steps = [f"{x:.4f} {y:.4f} {'l' if k else 'm'}" for k, (x, y) in enumerate(shape.points)]
        return " ".join(steps) + (" h" if shape.fill else "")
    x, y, r = shape.x, shape.y, shape.r
    out, (a, b) = [f"{x + r:.4f} {y:.4f} m"], (1, 0)
    for c, d in ((0, 1), (-1, 0), (0, -1), (1, 0)):
        ends = ((a + BULGE * c, b + BULGE * d), (c + BULGE * a, d + BULGE * b), (c, d))
        out += [f"{x + r * u:.4f} {y + r * v:.4f}" for u, v in ends] + ["c"]
        a, b = c, d
    return " ".join([*out, "h"])


def _rgb(colour: str) -> str:
    return " ".join(f"{c / 255:.4g}" for c in bytes.fromhex(colour[1:]))
