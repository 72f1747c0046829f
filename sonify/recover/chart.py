"""Charts for reports: axes, curves, fields of colours, marks and keys on white, as a PNG.

Lengths are pixels of the picture, y down. Shapes are drawn `FINE` times as large and reduced;
texts come last, at their own size.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sonify.light.dejavu import letters

__all__ = ["FAINT", "INK", "LINE", "SECOND", "WARN", "Area", "Chart", "spread"]

Reals = NDArray[np.float64]
Ends = tuple[float, float]

FINE = 2
INK, FAINT, LINE, SECOND, WARN = "#20242a", "#d7dce2", "#1769aa", "#2a8c5a", "#c8102e"
TYPE, TITLE, SMALL = 12, 15, 11
"""Sizes of type."""


def _closed(*points: float) -> list[Reals]:
    # twice the first side, so that its corner is like the others
    corners = np.array(points, float).reshape(-1, 2)
    return [np.concatenate([corners, corners[:2]])]


def _strokes(*ends: tuple[float, float, float, float]) -> list[Reals]:
    return [np.array(e, float).reshape(2, 2) for e in ends]


_A = 1 / 6
_TURN = np.linspace(0, 2 * math.pi, 33)[:-1]
MARKS = {
    "x": _strokes((-0.5, -0.5, 0.5, 0.5), (-0.5, 0.5, 0.5, -0.5)),
    "+": _strokes((-0.5, 0, 0.5, 0), (0, -0.5, 0, 0.5)),
    "y": _strokes((0, 0, 0, 0.5), (0, 0, -0.43, -0.25), (0, 0, 0.43, -0.25)),
    "cross": _closed(
        -_A, -0.5, _A, -0.5, _A, -_A, 0.5, -_A, 0.5, _A, _A, _A,
        _A, 0.5, -_A, 0.5, -_A, _A, -0.5, _A, -0.5, -_A, -_A, -_A,
    ),
    "triangle": _closed(0, -0.5, 0.5, 0.5, -0.5, 0.5),
    "square": _closed(-0.5, -0.5, 0.5, -0.5, 0.5, 0.5, -0.5, 0.5),
    "circle": _closed(*np.stack([0.5 * np.cos(_TURN), 0.5 * np.sin(_TURN)], axis=1).ravel()),
}  # fmt: skip
"""The strokes of each mark, one unit wide."""


def _fine(length: ArrayLike) -> NDArray[np.int64]:
    """Whole fine pixels. What processors calculate differently, far behind the point, is cut off
    first, or a half would be rounded up on one and down on the other."""
    return np.floor(np.round(FINE * np.asarray(length, float), 6) + 0.5).astype(np.int64)


def spread(*values: ArrayLike) -> Ends:
    """The ends of an axis with a margin at both sides; of 0 to 1 if there is no value."""
    every = np.concatenate([np.ravel(np.asarray(v, float)) for v in values])
    every = every[np.isfinite(every)]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.0, 1.0)
    margin = 0.05 * (high - low) or 0.05 * abs(high) or 0.5
    return low - margin, high + margin


def _ticks(ends: Ends, most: int, whole: bool) -> list[tuple[float, str]]:
    """Round numbers between two ends, and how they are written."""
    low, high = sorted(ends)
    rough = (high - low) / max(most, 1)
    power = 10.0 ** int(f"{rough:e}".partition("e")[2])
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= 0.999 * rough)
    step = max(step, 1.0) if whole else step
    digits = max(0, -int(f"{step:e}".partition("e")[2]))
    counts = range(math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6) + 1)
    return [(k * step, f"{k * step:,.{digits}f}".replace("-", "−")) for k in counts]


class Chart:
    """A picture that is drawn step by step."""

    def __init__(self, width: int, height: int) -> None:
        from PIL import Image, ImageDraw

        self.image = Image.new("RGB", (FINE * width, FINE * height), "white")
        self._draw = ImageDraw.Draw(self.image)
        self._texts: list[tuple[float, float, str, int, str, int, bool]] = []

    def text(
        self, x: float, y: float, words: str, size: int = TYPE, anchor: str = "ls",
        halo: int = 0, upwards: bool = False,
    ) -> float:  # fmt: skip
        """Write a line, anchored as Pillow has it; returns its length."""
        self._texts.append((x, y, words, size, anchor, halo, upwards))
        return float(letters("DejaVuSans", size).getlength(words))

    def box(self, x0: float, y0: float, x1: float, y1: float, colour: str) -> None:
        """Fill a box, one fine pixel wide and high at least."""
        a, b, c, d = _fine([x0, y0, x1, y1]).tolist()
        self._draw.rectangle((a, b, max(a, c - 1), max(b, d - 1)), colour)

    def line(self, points: ArrayLike, colour: str, width: float = 1.0) -> None:
        """Draw a line through points, shape (points, 2)."""
        wide = max(1, int(_fine(width)))
        self._draw.line(_fine(points).ravel().tolist(), colour, wide, joint="curve")

    def mark(
        self, name: str, at: ArrayLike, size: float, colour: str = INK, width: float = 1.0,
        halo: float = 0.0,
    ) -> None:  # fmt: skip
        """Draw a mark of `MARKS` about a place, on a wider white one if it has a halo."""
        around = [("white", width + 2 * halo)] if halo else []
        for ink, wide in (*around, (colour, width)):
            for stroke in MARKS[name]:
                self.line(size * stroke + np.asarray(at), ink, wide)

    def key(self, x: float, y: float, *entries: tuple[str, str, str], size: int = SMALL) -> None:
        """Explain marks in a line: the kind ("box", "line" or one of `MARKS`), colour and words."""
        for kind, colour, words in entries:
            wide, middle = size * (1.2 if kind in MARKS else 1.6), y - 0.36 * size
            half = 0.4 * size if kind == "box" else 1.0
            if kind in MARKS:
                self.mark(kind, (x + wide / 2, middle), 1.2 * size, colour, 0.1 * size)
            else:
                self.box(x, middle - half, x + wide, middle + half, colour)
            x += wide + 0.6 * size
            x += self.text(x, y, words, size) + 1.3 * size

    def png(self) -> bytes:
        """The picture as a file."""
        from PIL import Image, ImageDraw

        out = self.image.reduce(FINE)
        draw = ImageDraw.Draw(out)
        for x, y, words, size, anchor, halo, upwards in self._texts:
            font, at = letters("DejaVuSans", size), (round(round(x, 6)), round(round(y, 6)))
            if upwards:
                wide, high = math.ceil(font.getlength(words)) + 4, 2 * size
                line = Image.new("L", (wide, high))
                middle = (wide // 2, high // 2)
                ImageDraw.Draw(line).text(middle, words, 255, font, anchor="mm")
                line = line.transpose(Image.Transpose.ROTATE_90)
                out.paste(INK, (at[0] - high // 2, at[1] - wide // 2), line)
            else:
                draw.text(at, words, INK, font, anchor, stroke_width=halo, stroke_fill="white")
        data = io.BytesIO()
        out.save(data, "PNG")
        return data.getvalue()


@dataclass(frozen=True)
class Area:
    """A part of a chart with two scales: their ends are at the left and right, bottom and top."""

    chart: Chart
    left: int
    top: int
    wide: int
    high: int
    x: Ends
    y: Ends

    def at(self, x: ArrayLike, y: ArrayLike) -> Reals:
        """Where values lie on the chart, shape (values, 2)."""
        across = (np.asarray(x, float) - self.x[0]) / (self.x[1] - self.x[0])
        up = (np.asarray(y, float) - self.y[0]) / (self.y[1] - self.y[0])
        pair = np.broadcast_arrays(self.left + self.wide * across, self.top + self.high * (1 - up))
        return np.stack(pair, axis=-1)

    def axes(
        self, title: str, below: str, beside: str = "", grid: bool = True, whole: str = ""
    ) -> None:
        """Write title, units and numbers, and draw the frame; axes of whole numbers are named."""
        c, right, low = self.chart, self.left + self.wide, self.top + self.high
        c.text(self.left, self.top - 24, title, TITLE)
        c.text(self.left + self.wide / 2, low + 34, below, anchor="ms")
        for value, words in _ticks(self.x, self.wide // 60, "x" in whole):
            x = float(self.at(value, self.y[0])[0])
            c.box(x - 0.5, self.top if grid else low, x + 0.5, low + 4, FAINT)
            c.text(x, low + 17, words, anchor="ms")
        wide = 0.0
        for value, words in _ticks(self.y, self.high // 25, "y" in whole):
            y = float(self.at(self.x[0], value)[1])
            c.box(self.left - 4, y - 0.5, right if grid else self.left, y + 0.5, FAINT)
            wide = max(wide, c.text(self.left - 7, y, words, anchor="rm"))
        c.text(self.left - 18 - wide, self.top + self.high / 2, beside, upwards=True)
        for x0, y0, x1, y1 in (
            (self.left, self.top, right, self.top), (self.left, low, right, low),
            (self.left, self.top, self.left, low), (right, self.top, right, low),
        ):  # fmt: skip
            c.box(x0 - 0.5, y0 - 0.5, x1 + 0.5, y1 + 0.5, FAINT)

    def line(self, x: ArrayLike, y: ArrayLike, colour: str, width: float = 1.0) -> None:
        """Draw a line through values."""
        self.chart.line(self.at(x, y), colour, width)

    def key(self, *entries: tuple[str, str, str]) -> None:
        """Explain marks right above the area, as `Chart.key` does."""
        self.chart.key(self.left, self.top - 6, *entries)

    def upright(self, x: float, colour: str, width: float = 1.5) -> None:
        """Draw a line at a value, from bottom to top."""
        at = float(self.at(x, self.y[0])[0])
        self.chart.box(at - width / 2, self.top, at + width / 2, self.top + self.high, colour)

    def level(self, y: float, colour: str, width: float = 1.5) -> None:
        """Draw a line at a value, from left to right."""
        at = float(self.at(self.x[0], y)[1])
        self.chart.box(self.left, at - width / 2, self.left + self.wide, at + width / 2, colour)

    def field(self, pixels: NDArray[np.uint8], smooth: bool = False) -> None:
        """Fill the area with cells or a picture, shape (rows, columns, 3)."""
        from PIL import Image

        how = Image.Resampling.BICUBIC if smooth else Image.Resampling.NEAREST
        large = Image.fromarray(pixels).resize((FINE * self.wide, FINE * self.high), how)
        self.chart.image.paste(large, (FINE * self.left, FINE * self.top))

    def dots(self, x: ArrayLike, y: ArrayLike, colour: str) -> None:
        """Draw many small dots."""
        cover = np.zeros((FINE * self.high, FINE * self.wide))
        column, row = _fine(self.at(x, y) - (self.left, self.top)).T
        for across in range(-2, 3):
            for down in range(-2, 3):
                if across**2 + down**2 < 7:
                    r, c = row + down, column + across
                    seen = (r >= 0) & (r < cover.shape[0]) & (c >= 0) & (c < cover.shape[1])
                    cover[r[seen], c[seen]] = 1
        self._over(cover, colour)

    def traces(self, x: Reals, lines: Reals, colour: str, opacity: float) -> None:
        """Draw lines over each other, each nearly clear, shape (lines, samples)."""
        lines = lines[np.isfinite(lines).all(axis=1)]
        if not len(lines):
            return
        at = np.round(FINE * (self.at(x, lines) - (self.left, self.top)), 6)
        across, down = at[0, :, 0], at[:, :, 1]
        columns = np.arange(math.ceil(across[0]), math.floor(across[-1]) + 1)
        k = np.clip(np.searchsorted(across, columns, "right") - 1, 0, len(x) - 2)
        share = (columns - across[k]) / (across[k + 1] - across[k])
        y = np.round(down[:, k] * (1 - share) + down[:, k + 1] * share, 6)
        height, width = FINE * self.high, FINE * self.wide
        begin = np.clip(np.floor(np.minimum(y[:, :-1], y[:, 1:])).astype(int), 0, height)
        end = np.clip(np.floor(np.maximum(y[:, :-1], y[:, 1:])).astype(int) + 2, 0, height)
        # how many lines begin less how many end at each place, summed downwards
        ends = (np.bincount((e * width + columns[:-1]).ravel(), minlength=(height + 1) * width)
                for e in (begin, end))  # fmt: skip
        count = np.subtract(*ends).reshape(height + 1, width).cumsum(axis=0)[:-1]
        self._over(1 - (1 - opacity) ** count, colour)

    def _over(self, cover: Reals, colour: str) -> None:
        from PIL import Image

        mask = Image.fromarray(np.rint(255 * cover).astype(np.uint8))
        self.chart.image.paste(colour, (FINE * self.left, FINE * self.top), mask)
