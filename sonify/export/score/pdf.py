"""Engraved pages as a PDF, drawn with the operators of its page description.

Source: ISO 32000-1:2008, 8.4 and 8.5 (graphics state, path construction and painting). svgelements
reads the drawing, and fpdf2 makes the file, its pages and its fonts. fpdf2's own reader of drawings
copies every object many times and takes six times as long.
"""

from __future__ import annotations

import logging
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from sonify.export.drawing.pdf import empty_pdf
from sonify.export.score.engrave import UNITS, Page

__all__ = ["pdf"]

_POINTS = 72 / 96 / UNITS


def pdf(pages: list[Page], title: str, fonts: dict[str, Path]) -> bytes:
    """Make a file of engraved pages.

    Parameters
    ----------
    pages : list of Page
    title : str
    fonts : dict
        Font files by style: "", "B" and "I".
    """
    for chatty in ("fpdf", "fontTools"):
        logging.getLogger(chatty).setLevel(logging.ERROR)
    out = empty_pdf(title)
    for style, file in fonts.items():
        out.add_font("score", style, str(file))
    for page in pages:
        out.add_page(format=(page.width * _POINTS, page.height * _POINTS))
        # fpdf2 has no public way to add operators to a page
        out._out("\n".join(_drawing(page)))
        for text in page.texts:
            out.set_font("score", "B" if text.bold else "I" if text.italic else "", 12)
            out.set_font_size(text.size * _POINTS)
            wide = out.get_string_width(text.words)
            left = {"middle": wide / 2, "end": wide}.get(text.anchor, 0.0)
            out.text(text.x * _POINTS - left, text.y * _POINTS, text.words)
    return bytes(out.output())


def _drawing(page: Page) -> list[str]:
    """A page's operators. Its own y axis points down, PDF's up."""
    import svgelements

    out = [f"q {_POINTS:.6f} 0 0 {-_POINTS:.6f} 0 {page.height * _POINTS:.3f} cm 0 g 0 G"]
    for text in page.drawing:
        node = ElementTree.fromstring(text.replace("xlink:href", "href"))
        if node.tag == "use":
            # glyphs are drawn upwards
            m = svgelements.Matrix(node.attrib["transform"])
            out.append(f"q {m.a:g} 0 0 {-m.d:g} {m.e:g} {m.f:g} cm")
            out += [_glyph(page.glyphs[node.attrib["href"].lstrip("#")]), "f Q"]
            continue
        shape = getattr(svgelements, node.tag.capitalize())(node.attrib)
        width = float(node.get("stroke-width", 1))
        cap = int(node.get("stroke-linecap") == "round")
        dashes = node.get("stroke-dasharray", "none").replace("none", "").replace(",", " ")
        filled = node.get("fill") != "none" and float(node.get("fill-opacity", 1)) > 0
        out.append(f"{width:g} w {cap} J {cap} j [{dashes}] 0 d")
        out += [_operators(abs(svgelements.Path(shape))), "B" if filled else "S"]
    return [*out, "Q"]


@lru_cache(maxsize=4096)
def _glyph(d: str) -> str:
    from svgelements import Path as SvgPath

    return _operators(SvgPath(d))


def _operators(path: Any) -> str:
    """A path of svgelements as PDF path operators."""
    path.approximate_arcs_with_cubics()
    out = []
    for segment in path:
        name = {"Move": "m", "Line": "l", "CubicBezier": "c", "Close": "h"}[type(segment).__name__]
        points = {"m": [segment.end], "h": []}.get(name, list(segment)[1:])
        out += [f"{v:g}" for point in points for v in (point.x, point.y)] + [name]
    return " ".join(out)
