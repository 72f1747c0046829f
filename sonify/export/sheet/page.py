"""The page that all writers of the sheet take: shapes and texts, and a canvas to draw them on.

Lengths are in mm of an A4 or Letter page, y down from the upper left corner; a larger paper shows
the same page enlarged. Colours are roles; `INKS` and `GREYS` say which colour each has.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

from sonify.light.dejavu import dejavu, letters

__all__ = [
    "BODY", "BOLD", "FONTS", "GREYS", "HEAD", "INKS", "MONO", "PLAIN", "SMALL", "Box", "Canvas",
    "Circle", "Line", "Link", "Page", "Shape", "Target", "Text", "covers", "width_of",
]  # fmt: skip

Link = tuple[int, int]
"""The bits that something shows: the first and the last, as indices into the grid."""
Point = tuple[float, float]

PLAIN, BOLD, MONO = "", "B", "M"
FONTS = {PLAIN: "DejaVuSans", BOLD: "DejaVuSans-Bold", MONO: "DejaVuSansMono"}
"""Font files by style."""
SMALL, BODY, HEAD = 2.6, 3.1, 4.0
"""Sizes of type: 7.4, 8.8 and 11.3 points."""
LEADING = 1.32
"""From line to line, over the size of type."""
MEASURED_AT = 1000
SHARES = {"start": 0.0, "middle": 0.5, "end": 1.0}
"""How much of a text lies on the left of its place, by its anchor."""

INKS = {
    "ink": "#1b2226", "soft": "#566168", "line": "#b4bcc1", "paper": "#ffffff",
    "material": "#f3e9d6", "hole": "#1b2226", "lamp": "#ffc83d", "accent": "#1c6ea4",
    "wrong": "#c0281c", "tint": "#bcdcf2", "tint2": "#f7cfa6", "check": "#e3dff2",
}  # fmt: skip
GREYS = {
    "ink": "#000000", "soft": "#404040", "line": "#a0a0a0", "paper": "#ffffff",
    "material": "#ffffff", "hole": "#000000", "lamp": "#ffffff", "accent": "#000000",
    "wrong": "#000000", "tint": "#d4d4d4", "tint2": "#ececec", "check": "#e4e4e4",
}  # fmt: skip
"""Chosen by eye; text has a contrast of at least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3)."""


class Circle(NamedTuple):
    x: float
    y: float
    r: float
    fill: str | None = None
    stroke: str | None = None
    width: float = 0.2
    link: Link | None = None


class Box(NamedTuple):
    x: float
    y: float
    w: float
    h: float
    fill: str | None = None
    stroke: str | None = None
    width: float = 0.2
    link: Link | None = None


class Line(NamedTuple):
    """Straight segments; with a fill, a closed shape."""

    points: tuple[Point, ...]
    stroke: str | None = "ink"
    width: float = 0.2
    fill: str | None = None
    link: Link | None = None


class Text(NamedTuple):
    """A line of text; `x` is its start, middle or end, `y` its base line, `size` that of type."""

    x: float
    y: float
    size: float
    words: str
    anchor: str = "start"
    style: str = PLAIN
    colour: str = "ink"

    @property
    def left(self) -> float:
        """Where it starts."""
        return self.x - SHARES[self.anchor] * width_of(self.words, self.size, self.style)


class Target(NamedTuple):
    """A place that a reader of the page can point at: what it links to and says, and whether the
    keyboard stops there (or else comes to it from the one before)."""

    x: float
    y: float
    w: float
    h: float
    link: Link
    label: str
    stop: bool = False


Shape = Circle | Box | Line | Text | Target


@dataclass(frozen=True)
class Page:
    """A page: its real size in mm, how much its shapes are enlarged, their colours, its title."""

    width: float
    height: float
    scale: float
    colours: dict[str, str]
    title: str
    shapes: list[Shape]


@lru_cache(maxsize=4096)
def width_of(words: str, size: float, style: str = PLAIN) -> float:
    """The width of a line of text."""
    return float(letters(FONTS[style], MEASURED_AT).getlength(words)) * size / MEASURED_AT


@lru_cache(maxsize=1)
def _covered() -> frozenset[int]:
    from fontTools.ttLib import TTFont

    with TTFont(str(dejavu(FONTS[PLAIN])), lazy=True) as font:
        return frozenset(font.getBestCmap())


def covers(char: str) -> bool:
    """Whether the font has a character."""
    return char.isprintable() and ord(char) in _covered()


@dataclass
class Canvas:
    """Collects the shapes of a page.

    Attributes
    ----------
    blank : bool
        A worksheet: what it asks for is left out.
    """

    blank: bool = False
    shapes: list[Shape] = field(default_factory=list)

    def add(self, *shapes: Shape) -> None:
        """Draw shapes over those that are there."""
        self.shapes.extend(shapes)

    def text(self, x: float, y: float, words: str, size: float = BODY, **style: Any) -> None:
        """Write a line."""
        self.add(Text(x, y, size, words, **style))

    def asked(
        self, x: float, y: float, words: str, size: float = BODY, box: float = 8.0, **style: Any
    ) -> None:
        """Write what a worksheet asks for, or leave a box for it; all boxes of a kind are alike."""
        if not self.blank:
            self.text(x, y, words, size, **style)
            return
        left = x - SHARES[style.get("anchor", "start")] * box
        self.add(Box(left, y - 0.95 * size, box, 1.25 * size, "paper", "soft", 0.15))

    def gap(self, words: str) -> str:
        """A word of a sentence, or a line to write it on."""
        return "_" * 6 if self.blank else words

    def paragraph(
        self, x: float, y: float, width: float, words: str, size: float = BODY, **style: Any
    ) -> float:
        """Write a text in lines that fit a width, from `y` on down; returns where it ends."""
        for line in wrapped(words, width, size, style.get("style", PLAIN)):
            y += size * LEADING
            self.text(x, y - 0.3 * size, line, size, **style)
        return y


def wrapped(words: str, width: float, size: float, style: str = PLAIN) -> list[str]:
    """A text in lines that fit a width; longer words are broken."""
    out = [""]
    for word in words.split():
        while width_of(word, size, style) > width and len(word) > 1:
            fits = next(
                n
                for n in range(len(word) - 1, 0, -1)
                if n == 1 or width_of(word[:n], size, style) <= width
            )
            out.append(word[:fits])
            word = word[fits:]
        tried = f"{out[-1]} {word}".strip()
        if width_of(tried, size, style) <= width:
            out[-1] = tried
        else:
            out.append(word)
    return [line for line in out if line]
