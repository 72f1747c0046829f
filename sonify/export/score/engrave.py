"""A score engraved by verovio, as pages that all renderers draw alike.

Verovio's SVG uses nested viewports, style sheets and nested text spans, which small SVG renderers
treat differently. `Page` holds the same drawing in plain terms: shapes, uses of glyphs, and texts
with their own place and font.
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
_COPIED = (
    "d", "points", "x", "y", "width", "height", "rx", "ry", "cx", "cy", "r", "stroke-width",
    "stroke-linecap", "stroke-linejoin", "stroke-dasharray", "fill-opacity", "opacity",
)  # fmt: skip
_TRANSLATE = r"\s*translate\(([-\d.]+)[, ]+([-\d.]+)\)\s*"
_BOLD = {"ending", "fing", "reh", "tempo"}
_ITALIC = {"dir", "dynam", "mNum"}
# verovio writes the note of a tempo mark in a music font; common text fonts have these two
_MUSIC_TEXT = dict(zip("\ueca5\ueca7\ue1d5\ue1d7\uecb7\ue1e7", "♩♪♩♪..", strict=True))
# of what bold and italic fonts don't have
_NOT_MARKS = re.compile("[^ -~\xa0♩♪]")
# units of a page's drawing per pixel of 1/96 inch
UNITS = 25.0
_MM = 96 / 25.4 * UNITS
# mm, inside what common printers reach
_MARGIN = 12.0


@dataclass(frozen=True)
class Text:
    """A line of text: place and size in page units, anchor, weight, style and words."""

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


def engraved(xml: bytes, paper: tuple[float, float] | None) -> list[Page]:
    """Engrave the pages of a MusicXML score.

    Parameters
    ----------
    xml : bytes
    paper : tuple of float, optional
        The pages' width and height, in mm; otherwise one page as high as its content (or several,
        if that is very high).
    """
    import verovio

    verovio.enableLog(verovio.LOG_ERROR)
    kit = verovio.toolkit()
    # verovio counts in tenths of a page's units
    width, height = (round(v * _MM / 10) for v in paper) if paper else (2100, 60000)
    options = {"header": "auto", "footer": "none", "breaks": "auto", "scale": 40, "xmlIdSeed": 1}
    options |= {"pageWidth": width, "pageHeight": height, "adjustPageHeight": paper is None}
    options |= {"smuflTextFont": "none", "lyricSize": 4.0, "pageMarginTop": 80}
    if paper:
        sides = ("Top", "Bottom", "Left", "Right")
        options |= {f"pageMargin{side}": round(_MARGIN * _MM / 10) for side in sides}
    kit.setOptions(options)
    if not kit.loadData(xml.decode("utf-8")):
        raise OutputError("the score could not be engraved; write it as .musicxml instead")
    pages = []
    for n in range(kit.getPageCount()):
        page = _page(kit.renderToSVG(n + 1))
        if paper:  # exactly
            page.width, page.height = paper[0] * _MM, paper[1] * _MM
        pages.append(page)
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
        path = glyph.find(f"{_SVG}path")
        if re.fullmatch(r"[0-9A-F]{4,5}-\w+", glyph.get("id", "")) and path is not None:
            page.glyphs[glyph.attrib["id"].split("-")[0]] = path.attrib["d"]
    _walk(inner, page, (0.0, 0.0), "")
    return page


def _walk(node: Any, page: Page, at: tuple[float, float], kind: str) -> None:
    for child in node:
        tag = child.tag.removeprefix(_SVG)
        if tag == "g":
            classes = child.get("class", "").split()
            if "placeholder" in classes:
                continue
            move = re.fullmatch(_TRANSLATE, child.get("transform", ""))
            moved = (at[0] + float(move[1]), at[1] + float(move[2])) if move else at
            _walk(child, page, moved, classes[0] if classes else kind)
        elif tag in _SHAPES:
            kept = {k: child.attrib[k] for k in _COPIED if k in child.attrib}
            fill = "none" if child.get("fill") in ("none", "transparent") else "#000"
            kept |= {"fill": fill, "stroke": "#000"}
            if at != (0.0, 0.0):
                kept["transform"] = f"translate({at[0]:g} {at[1]:g})"
            page.drawing.append(_element(tag, kept))
        elif tag == "use":
            transform = child.get("transform", "")
            if at != (0.0, 0.0):
                transform = f"translate({at[0]:g}, {at[1]:g}) {transform}"
            name = child.attrib[_LINK].split("-")[0]
            page.drawing.append(_element(tag, {"xlink:href": name, "transform": transform}))
        elif tag == "text":
            _text(child, page, at, kind)


def _element(tag: str, attributes: dict[str, str]) -> str:
    return f"<{tag}{''.join(f' {k}={quoteattr(v)}' for k, v in attributes.items())}/>"


def _text(node: Any, page: Page, at: tuple[float, float], kind: str) -> None:
    """Join a text's nested spans."""
    where = {"x": "0", "y": "0", "text-anchor": "start", "font-size": "0px"}
    words, sizes = "", []
    for span in (node, *node.iter(f"{_SVG}tspan")):
        where |= span.attrib
        if span.text and span.text.strip("\n "):
            words += "".join(_MUSIC_TEXT.get(c, c) for c in span.text)
            sizes.append(float(where["font-size"].removesuffix("px")))
    if words.strip("\n "):
        x, y = at[0] + float(where["x"]), at[1] + float(where["y"])
        anchor, mark = where["text-anchor"], not _NOT_MARKS.search(words)
        bold, italic = mark and kind in _BOLD, mark and kind in _ITALIC
        page.texts.append(Text(x, y, anchor, min(sizes), bold, italic, words))


def _text_svg(t: Text) -> str:
    style = ' font-weight="bold"' if t.bold else ""
    style += ' font-style="italic"' if t.italic else ""
    style += f' text-anchor="{t.anchor}"' if t.anchor != "start" else ""
    return (
        f'<text x="{t.x:g}" y="{t.y:g}" font-size="{t.size:g}"{style} '
        f'xml:space="preserve">{escape(t.words)}</text>'
    )


def svg(pages: list[Page], title: str) -> str:
    """Put pages below each other in one SVG."""
    width = max(p.width for p in pages)
    height = sum(p.height for p in pages)
    glyphs = {k: d for page in pages for k, d in page.glyphs.items()}
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
