"""The sheet as SVG, at real size with pages below each other, and as a page for browsers."""

from __future__ import annotations

from html import escape
from pathlib import Path

from sonify.export.sheet.page import (
    BOLD,
    MONO,
    Box,
    Circle,
    Line,
    Link,
    Page,
    Shape,
    Target,
    Text,
    width_of,
)

__all__ = ["html", "svg"]

TEMPLATE = Path(__file__).with_name("sheet.html")

SANS = "'DejaVu Sans',Verdana,sans-serif"
FIXED = "'DejaVu Sans Mono',monospace"


def svg(pages: list[Page]) -> str:
    """The pages as one SVG document."""
    width, height = pages[0].width, pages[0].height
    total = height * len(pages)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(width)}mm" height="{_n(total)}mm" '
        f'viewBox="0 0 {_n(width)} {_n(total)}">',
        f"<title>{escape(pages[0].title)}</title>",
    ]
    for k, page in enumerate(pages):
        out.append(f'<g transform="translate(0 {_n(k * height)}) scale({_n(page.scale)})">')
        out += [*_elements(page), "</g>"]
    return "\n".join([*out, "</svg>\n"])


def html(pages: list[Page]) -> str:
    """The pages as one HTML document, in which pointing at something shows what belongs to it."""
    first = pages[0]
    width, height = f"{_n(first.width)}mm", f"{_n(first.height)}mm"
    drawn = []
    for page in pages:
        box = f"0 0 {_n(page.width / page.scale)} {_n(page.height / page.scale)}"
        drawn += [f'<svg class="page" viewBox="{box}">', *_elements(page, live=True), "</svg>"]
    text = TEMPLATE.read_text(encoding="utf-8")
    for name, value in {
        "TITLE": escape(first.title),
        "SIZE": f"{width} {height}",
        "WIDTH": width,
        "HEIGHT": height,
        "PAGES": "\n".join(drawn),
    }.items():
        text = text.replace(f"<!--{name}-->", value)
    return text


def _elements(page: Page, live: bool = False) -> list[str]:
    """The elements of a page. With `live`, links and targets are there for a script."""
    wide, high = page.width / page.scale, page.height / page.scale
    out = [f'<rect width="{_n(wide)}" height="{_n(high)}" fill="{page.colours["paper"]}"/>']
    for shape in page.shapes:
        if live or not isinstance(shape, Target):
            out.append(_element(shape, page, live))
    return out


def _element(shape: Shape, page: Page, live: bool) -> str:
    if isinstance(shape, Text):
        return _text(shape, page)
    link = _link(shape.link) if live and shape.link else ""
    if isinstance(shape, Target):
        stop = 0 if shape.stop else -1
        return (
            f"<rect{_place(shape)}{link} class='target' tabindex='{stop}' role='img' "
            f"aria-label='{escape(shape.label)}'/>"
        )
    paint = _paint(shape, page.colours)
    if isinstance(shape, Circle):
        return f'<circle cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.r)}"{paint}{link}/>'
    if isinstance(shape, Box):
        return f"<rect{_place(shape)}{paint}{link}/>"
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points)
    return f'<{"polygon" if shape.fill else "polyline"} points="{points}"{paint}{link}/>'


def _place(shape: Box | Target) -> str:
    names = ("x", "y", "width", "height")
    return "".join(f' {name}="{_n(v)}"' for name, v in zip(names, shape[:4], strict=True))


def _paint(shape: Circle | Box | Line, colours: dict[str, str]) -> str:
    fill = colours[shape.fill] if shape.fill else "none"
    if shape.stroke is None:
        return f' fill="{fill}"'
    return f' fill="{fill}" stroke="{colours[shape.stroke]}" stroke-width="{_n(shape.width)}"'


def _text(text: Text, page: Page) -> str:
    """A text whose width is fixed, so that it fits in any font."""
    wide = width_of(text.words, text.size, text.style)
    family = FIXED if text.style == MONO else SANS
    bold = ' font-weight="bold"' if text.style == BOLD else ""
    anchor = f' text-anchor="{text.anchor}"' if text.anchor != "start" else ""
    return (
        f'<text x="{_n(text.x)}" y="{_n(text.y)}" font-family="{family}" '
        f'font-size="{_n(text.size)}"{bold}{anchor} textLength="{_n(wide)}" '
        f'lengthAdjust="spacingAndGlyphs" fill="{page.colours[text.colour]}" '
        f'xml:space="preserve">{escape(text.words)}</text>'
    )


def _link(link: Link) -> str:
    return f' data-first="{link[0]}" data-last="{link[1]}"'


def _n(value: float) -> str:
    """A number to a thousandth of a mm."""
    return f"{round(value, 3) + 0.0:g}"
