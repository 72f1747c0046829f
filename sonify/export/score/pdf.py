"""Engraved pages as a PDF, drawn with the operators of its page description.

Source: ISO 32000-1:2008, 8.4 and 8.5 (graphics state, path construction and painting). fpdf2 makes
the file, its pages and its fonts; its own reader of drawings copies every object many times over,
which takes a minute where these operators take a second.
"""

from __future__ import annotations

import datetime
import importlib
import logging
import re
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from sonify.export.score.engrave import UNITS, Page

__all__ = ["pdf"]

_POINTS = 72 / 96 / UNITS
# a quarter of a circle as a Bezier curve: 4/3 (sqrt 2 - 1)
_ARC = 0.5522847498
_LINK = "xlink:href"


def pdf(pages: list[Page], title: str, fonts: dict[str, Path]) -> bytes:
    """A file of engraved pages.

    Parameters
    ----------
    pages : list of Page
    title : str
    fonts : dict
        Font files by style: "", "B" and "I".
    """
    from fpdf import FPDF

    for chatty in ("fpdf", "fontTools"):
        logging.getLogger(chatty).setLevel(logging.ERROR)
    out = FPDF(unit="pt")
    # the same score gives the same bytes
    out.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    out.set_title(title)
    out.set_auto_page_break(False)
    for style, file in fonts.items():
        out.add_font("score", style, str(file))
    for page in pages:
        out.add_page(format=(page.width * _POINTS, page.height * _POINTS))
        # fpdf2 offers no other door to a page's operators
        out._out("\n".join(_drawing(page)))
        for text in page.texts:
            out.set_font("score", "B" if text.bold else "I" if text.italic else "", 12)
            out.set_font_size(text.size * _POINTS)
            wide = out.get_string_width(text.words)
            left = {"middle": wide / 2, "end": wide}.get(text.anchor, 0.0)
            out.text(text.x * _POINTS - left, text.y * _POINTS, text.words)
    return bytes(out.output())


def _drawing(page: Page) -> list[str]:
    """A page's operators. Its own units run down the page, a PDF's up."""
    out = ["q", f"{_POINTS:.6f} 0 0 {-_POINTS:.6f} 0 {page.height * _POINTS:.3f} cm", "0 g 0 G"]
    for text in page.drawing:
        node = ElementTree.fromstring(text.replace(_LINK, "href"))
        out.append("q")
        out += _moves(node.get("transform", ""))
        out += _SHAPES[node.tag](node, page)
        out.append("Q")
    out.append("Q")
    return out


def _moves(transform: str) -> list[str]:
    out = []
    for kind, values in re.findall(r"(translate|scale)\(([^)]*)\)", transform):
        a, *more = (float(v) for v in re.split(r"[\s,]+", values.strip()))
        b = more[0] if more else (a if kind == "scale" else 0.0)
        out.append(f"1 0 0 1 {a:g} {b:g} cm" if kind == "translate" else f"{a:g} 0 0 {b:g} 0 0 cm")
    return out


def _painted(node: Any, path: str) -> list[str]:
    """A path, filled and stroked as the shape says."""
    width = float(node.get("stroke-width", "1"))
    filled = node.get("fill") != "none" and node.get("fill-opacity") not in ("0", "0.0", "0.00")
    caps = ["1 J 1 j"] if node.get("stroke-linecap") == "round" else []
    dashes = node.get("stroke-dasharray")
    if dashes and dashes != "none":
        caps.append(f"[{' '.join(re.split(r'[ ,]+', dashes.strip()))}] 0 d")
    return [*caps, f"{width:g} w", path, "B" if filled else "S"]


def _path(node: Any, _page: Page) -> list[str]:
    return _painted(node, _operators(node.attrib["d"]))


def _polygon(node: Any, _page: Page) -> list[str]:
    numbers = [float(v) for v in re.split(r"[\s,]+", node.attrib["points"].strip())]
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    steps = [f"{x:g} {y:g} {'l' if n else 'm'}" for n, (x, y) in enumerate(points)]
    return _painted(node, " ".join(steps) + (" h" if node.tag == "polygon" else ""))


def _rect(node: Any, _page: Page) -> list[str]:
    x, y, w, h = (float(node.get(k, 0)) for k in ("x", "y", "width", "height"))
    return _painted(node, f"{x:g} {y:g} {w:g} {h:g} re")


def _ellipse(node: Any, _page: Page) -> list[str]:
    x, y = float(node.get("cx", 0)), float(node.get("cy", 0))
    a = float(node.get("rx", node.get("r", 0)))
    b = float(node.get("ry", node.get("r", 0)))
    p, q = a * _ARC, b * _ARC
    path = (
        f"{x + a:g} {y:g} m {x + a:g} {y + q:g} {x + p:g} {y + b:g} {x:g} {y + b:g} c "
        f"{x - p:g} {y + b:g} {x - a:g} {y + q:g} {x - a:g} {y:g} c "
        f"{x - a:g} {y - q:g} {x - p:g} {y - b:g} {x:g} {y - b:g} c "
        f"{x + p:g} {y - b:g} {x + a:g} {y - q:g} {x + a:g} {y:g} c h"
    )
    return _painted(node, path)


def _use(node: Any, page: Page) -> list[str]:
    # glyphs are drawn upwards
    return ["1 0 0 -1 0 0 cm", _operators(page.glyphs[node.attrib["href"].lstrip("#")]), "f"]


_SHAPES = {
    "path": _path,
    "polygon": _polygon,
    "polyline": _polygon,
    "rect": _rect,
    "ellipse": _ellipse,
    "circle": _ellipse,
    "use": _use,
}


@lru_cache(maxsize=4096)
def _operators(d: str) -> str:
    """An SVG path as PDF path operators."""
    svg, pens = (
        importlib.import_module(name)
        for name in ("fontTools.svgLib.path", "fontTools.pens.basePen")
    )

    class Pen(pens.BasePen):  # type: ignore[name-defined, misc]
        steps: list[str]

        def _moveTo(self, p: tuple[float, float]) -> None:
            self.steps.append(f"{p[0]:g} {p[1]:g} m")

        def _lineTo(self, p: tuple[float, float]) -> None:
            self.steps.append(f"{p[0]:g} {p[1]:g} l")

        def _curveToOne(
            self, a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]
        ) -> None:
            self.steps.append(f"{a[0]:g} {a[1]:g} {b[0]:g} {b[1]:g} {c[0]:g} {c[1]:g} c")

        def _closePath(self) -> None:
            self.steps.append("h")

    pen = Pen(None)
    pen.steps = []
    svg.parse_path(d, pen)
    return " ".join(pen.steps)
