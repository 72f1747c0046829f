"""A score engraved by verovio, as pages that any renderer draws alike.

Verovio's SVG leans on nested viewports, style sheets and nested text spans, which the small SVG
renderers read each in its own way. `Page` holds the same drawing in plain terms: shapes, uses of
glyphs, and texts with their own place and font.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree
from xml.sax.saxutils import escape, quoteattr

from sonify.errors import OutputError
from sonify.progress import report

__all__ = ["Page", "Text", "engraved", "svg"]

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_SHAPES = {"path", "polygon", "polyline", "rect", "ellipse", "circle"}
_BOLD = {"ending", "fing", "reh", "tempo"}
_ITALIC = {"dir", "dynam", "mNum"}
# verovio writes the note of a tempo mark in a music font; common text fonts have these two
_MUSIC_TEXT = {
    "\ueca5": "\u2669",
    "\ueca7": "\u266a",
    "\ue1d5": "\u2669",
    "\ue1d7": "\u266a",
    "\uecb7": ".",
    "\ue1e7": ".",
}
UNITS = 25.0
"""Units of a page's drawing in a pixel of 1/96 inch."""


@dataclass(frozen=True)
class Text:
    """A line of text: place in page units, anchor, size, weight, style and words."""

    x: float
    y: float
    anchor: str
    size: float
    bold: bool
    italic: bool
    words: str


@dataclass
class Page:
    """A page: its size and drawing in page units, and the glyphs it uses."""

    width: float
    height: float
    drawing: list[str] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    glyphs: dict[str, str] = field(default_factory=dict)


def engraved(xml: bytes, paged: bool) -> list[Page]:
    """The pages of a MusicXML score.

    Parameters
    ----------
    xml : bytes
    paged : bool
        A4 pages; else one page as high as what is on it (or more, if that is very high).
    """
    import verovio

    verovio.enableLog(verovio.LOG_ERROR)
    kit = verovio.toolkit()
    kit.setOptions(
        {
            "header": "auto",
            "footer": "none",
            "breaks": "auto",
            "scale": 40,
            "pageWidth": 2100,
            "pageHeight": 2970 if paged else 60000,
            "pageMarginTop": 80,
            "adjustPageHeight": not paged,
            "smuflTextFont": "none",
            "lyricSize": 4.0,
            "xmlIdSeed": 1,
        }
    )
    if not kit.loadData(xml.decode("utf-8")):
        raise OutputError("the score could not be engraved; write it as .musicxml instead")
    pages = []
    for n in range(kit.getPageCount()):
        pages.append(_page(kit.renderToSVG(n + 1)))
        report(0.8 + 0.2 * (n + 1) / kit.getPageCount())
    return pages


def _page(text: str) -> Page:
    root = ElementTree.fromstring(text)
    inner = root.find(f"{_SVG}svg")
    if inner is None:
        raise OutputError("the score could not be engraved; write it as .musicxml instead")
    _, _, width, height = (float(v) for v in inner.attrib["viewBox"].split())
    page = Page(width, height)
    for glyph in root.iter(f"{_SVG}g"):
        name = glyph.get("id", "")
        if re.fullmatch(r"[0-9A-F]{4,5}-\w+", name):
            path = glyph.find(f"{_SVG}path")
            if path is not None:
                page.glyphs[name.split("-")[0]] = path.attrib["d"]
    _walk(inner, page, (0.0, 0.0), "")
    return page


def _walk(node: Any, page: Page, at: tuple[float, float], kind: str) -> None:
    for child in node:
        tag = child.tag.removeprefix(_SVG)
        if tag == "g":
            classes = child.get("class", "").split()
            if "placeholder" in classes:
                continue
            moved = _moved(at, child.get("transform"))
            _walk(child, page, moved, classes[0] if classes else kind)
        elif tag in _SHAPES:
            page.drawing.append(_shape(tag, child, at))
        elif tag == "use":
            page.drawing.append(_use(child, at))
        elif tag == "text":
            _text(child, page, at, kind)


def _moved(at: tuple[float, float], transform: str | None) -> tuple[float, float]:
    found = re.fullmatch(r"\s*translate\(([-\d.]+)[, ]+([-\d.]+)\)\s*", transform or "")
    return (at[0] + float(found[1]), at[1] + float(found[2])) if found else at


def _placed(at: tuple[float, float]) -> str:
    return f' transform="translate({at[0]:g} {at[1]:g})"' if at != (0.0, 0.0) else ""


_COPIED = (
    "d", "points", "x", "y", "width", "height", "rx", "ry", "cx", "cy", "r", "stroke-width",
    "stroke-linecap", "stroke-linejoin", "stroke-dasharray", "fill", "fill-opacity", "opacity",
)  # fmt: skip


def _shape(tag: str, node: Any, at: tuple[float, float]) -> str:
    kept = {k: node.attrib[k] for k in _COPIED if k in node.attrib}
    inside = kept.pop("fill", None)
    fill = "none" if inside in ("none", "transparent") else "#000"
    given = "".join(f" {k}={quoteattr(v)}" for k, v in kept.items())
    return f'<{tag}{given} fill="{fill}" stroke="#000"{_placed(at)}/>'


def _use(node: Any, at: tuple[float, float]) -> str:
    name = node.attrib[_LINK].lstrip("#").split("-")[0]
    transform = node.get("transform", "")
    if at != (0.0, 0.0):
        transform = f"translate({at[0]:g}, {at[1]:g}) {transform}"
    return f'<use xlink:href="#{name}" transform="{transform}"/>'


def _text(node: Any, page: Page, at: tuple[float, float], kind: str) -> None:
    parts: list[tuple[float, str]] = []
    where: dict[str, str] = {}

    def collect(span: Any, size: str) -> None:
        for key in ("x", "y", "text-anchor"):
            if key in span.attrib:
                where[key] = span.attrib[key]
        size = span.get("font-size", size)
        if span.text and span.text.strip("\n "):
            words = "".join(_MUSIC_TEXT.get(c, c) for c in span.text)
            parts.append((float(size.removesuffix("px")), words))
        for inner in span:
            if inner.tag == f"{_SVG}tspan":
                collect(inner, size)

    collect(node, "0px")
    words = "".join(w for _, w in parts)
    if not words.strip("\n "):
        return
    page.texts.append(
        Text(
            at[0] + float(where.get("x", 0)),
            at[1] + float(where.get("y", 0)),
            where.get("text-anchor", "start"),
            min(size for size, _ in parts),
            kind in _BOLD,
            kind in _ITALIC,
            words,
        )
    )


def _text_svg(t: Text) -> str:
    style = ' font-weight="bold"' if t.bold else ""
    style += ' font-style="italic"' if t.italic else ""
    style += f' text-anchor="{t.anchor}"' if t.anchor != "start" else ""
    return (
        f'<text x="{t.x:g}" y="{t.y:g}" font-size="{t.size:g}"{style} '
        f'xml:space="preserve">{escape(t.words)}</text>'
    )


def svg(pages: list[Page], title: str) -> str:
    """Pages below each other as one SVG."""
    width = max(p.width for p in pages)
    height = sum(p.height for p in pages)
    glyphs: dict[str, str] = {}
    for page in pages:
        glyphs.update(page.glyphs)
    out = [
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'width="{width / UNITS:g}" height="{height / UNITS:g}" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="serif">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>',
        "<defs>",
        *(f'<path id="{k}" transform="scale(1,-1)" d="{d}"/>' for k, d in sorted(glyphs.items())),
        "</defs>",
    ]
    top = 0.0
    for page in pages:
        out.append(f'<g transform="translate(0 {top:g})">')
        out += page.drawing
        out += [_text_svg(t) for t in page.texts]
        out.append("</g>")
        top += page.height
    out.append("</svg>\n")
    return "\n".join(out)
