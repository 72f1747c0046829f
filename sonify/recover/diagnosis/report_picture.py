"""The picture of a comparison: the disc's grid with what went wrong, speed, levels, eye."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from PIL import Image, ImageDraw

    from sonify.recover.diagnosis.observed import Levels
    from sonify.recover.diagnosis.result import Comparison, Margins

__all__ = ["COLOURS", "draw_report", "rate_in_words"]

Reals = NDArray[np.float64]

COLOURS = {
    "paper": "#ffffff",
    "ink": "#20242a",
    "faint": "#d7dce2",
    "grid": "#eef1f4",
    "one": "#5b6b7c",
    "zero": "#e3e8ed",
    "missed": "#c8102e",
    "added": "#e08a00",
    "wrong": "#7a3db8",
    "unread": "#b9c4cf",
    "line": "#1769aa",
    "second": "#2a8c5a",
}
_WIDE = 1120
_EDGE = 56
_TALL = 190
_GAP = 52
_MOST_ROWS = 300
_MOST_POSITIONS = 1000


def rate_in_words(rate: float) -> str:
    """A rate of errors, in words."""
    if rate < 1e-6:
        return "hardly a bit wrong"
    if rate > 0.05:
        return f"{100 * rate:.0f} % of the bits wrong"
    return f"1 bit in {1 / rate:,.0f} wrong"


@dataclass(frozen=True)
class _Box:
    """A panel's inside, in pixels."""

    x: int
    y: int
    w: int
    h: int


class _Sheet:
    """A sheet to draw on, with the few things that panels need."""

    def __init__(self, wide: int, tall: int) -> None:
        from PIL import Image, ImageDraw, ImageFont

        self.image: Image.Image = Image.new("RGB", (wide, tall), COLOURS["paper"])
        self.draw: ImageDraw.ImageDraw = ImageDraw.Draw(self.image)
        self.small = ImageFont.load_default(12)
        self.large = ImageFont.load_default(17)

    def text(self, x: float, y: float, text: str, fill: str = "ink", **more: Any) -> None:
        font = more.pop("font", self.small)
        self.draw.text((x, y), text, fill=COLOURS[fill], font=font, **more)

    def frame(self, box: _Box, title: str) -> None:
        self.text(box.x, box.y - 24, title, font=self.large)
        self.draw.rectangle(
            (box.x, box.y, box.x + box.w, box.y + box.h), fill=None, outline=COLOURS["faint"]
        )

    def axes(
        self, box: _Box, x: tuple[float, float], y: tuple[float, float], names: tuple[str, str]
    ) -> None:
        for value in _ticks(*x):
            at = box.x + (value - x[0]) / (x[1] - x[0]) * box.w
            self.draw.line((at, box.y, at, box.y + box.h), fill=COLOURS["grid"])
            self.text(at, box.y + box.h + 4, f"{value:g}", anchor="ma")
        for value in _ticks(*y):
            at = box.y + box.h - (value - y[0]) / (y[1] - y[0]) * box.h
            self.draw.line((box.x, at, box.x + box.w, at), fill=COLOURS["grid"])
            self.text(box.x - 5, at, f"{value:g}", anchor="rm")
        self.text(box.x + box.w, box.y + box.h + 18, names[0], anchor="ra")
        self.text(box.x + box.w, box.y - 6, names[1], anchor="rs")

    def line(
        self, box: _Box, xs: Reals, ys: Reals, x: tuple[float, float], y: tuple[float, float],
        colour: str, wide: int = 2,
    ) -> None:  # fmt: skip
        px = box.x + (xs - x[0]) / (x[1] - x[0]) * box.w
        py = box.y + box.h - (np.clip(ys, *y) - y[0]) / (y[1] - y[0]) * box.h
        points = list(zip(px.tolist(), py.tolist(), strict=True))
        if len(points) > 1:
            self.draw.line(points, fill=COLOURS[colour], width=wide, joint="curve")


def _ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round values from `low` to `high`."""
    span = high - low
    if not span > 0 or not np.isfinite(span):
        return []
    raw = span / about
    power = 10 ** np.floor(np.log10(raw))
    step = float(min((m for m in (1, 2, 5, 10) if m * power >= raw), default=10) * power)
    first = float(np.ceil(low / step) * step)
    return [round(first + k * step, 12) for k in range(int((high - first) / step + 1e-9) + 1)]


def draw_report(c: Comparison) -> Image.Image:
    """The picture of a comparison."""
    rows, n = min(c.truth.shape[0], _MOST_ROWS), min(c.truth.shape[1], _MOST_POSITIONS)
    inside = _WIDE - 2 * _EDGE
    cell = max(1, min(18, inside // n))
    tall = max(cell * rows, 24)
    panels = 2 if c.margins is not None else 0
    height = 70 + tall + 40 + _GAP + _TALL + 40 + (_GAP + _TALL + 58 if panels else 0)
    sheet = _Sheet(_WIDE, height)
    y = 70
    _grid(sheet, c, _Box(_EDGE, y, cell * n, cell * rows), rows, n, cell)
    y += tall + 40 + _GAP
    _speed(sheet, c, _Box(_EDGE, y, inside, _TALL))
    y += _TALL + 40 + _GAP
    if c.margins is not None and c.seen.levels is not None:
        half = (inside - 60) // 2
        _histogram(sheet, c.margins, _Box(_EDGE, y, half, _TALL))
        _eye(sheet, c.seen.levels, c.margins, _Box(_EDGE + half + 60, y, half, _TALL))
    return sheet.image


def _grid(sheet: _Sheet, c: Comparison, box: _Box, rows: int, n: int, cell: int) -> None:
    shown = "" if (rows, n) == c.truth.shape else f" (the first {rows} rows, {n} positions)"
    count = len(c.errors)
    sheet.text(
        box.x,
        18,
        f"{c.show.disc.title or c.show.disc.name}: {count} bit{'s' * (count != 1)} went "
        f"wrong{shown}",
        font=sheet.large,
    )
    x = float(box.x)
    for kind, name in (("one", "one"), ("zero", "zero"), ("missed", "missed"), ("added", "added"),
                       ("wrong", "wrong tone"), ("unread", "not seen")):  # fmt: skip
        sheet.draw.rectangle((x, 47, x + 11, 58), fill=COLOURS[kind])
        sheet.text(x + 16, 53, name, anchor="lm")
        x += 34 + 7 * len(name)
    look = np.full((rows, n), "zero", object)
    look[c.truth[:rows, :n] == 1] = "one"
    look[(c.bits[:rows, :n] < 0) & np.isnan(c.seen.time_s[:rows, :n])] = "unread"
    for e in c.errors:
        if e["row"] < rows and e["position"] < n:
            look[e["row"], e["position"]] = str(e["kind"])
    gap = 1 if cell >= 5 else 0
    for r in range(rows):
        top = box.y + r * cell
        if cell >= 9 or r % 10 == 0:
            sheet.text(box.x - 6, top + cell / 2, str(r + 1), anchor="rm")
        for p in range(n):
            left = box.x + p * cell
            sheet.draw.rectangle(
                (left, top, left + cell - 1 - gap, top + cell - 1 - gap),
                fill=COLOURS[look[r, p]],
            )
    for tick in _ticks(1, n, 12):
        if tick == int(tick):
            at = box.x + (tick - 0.5) * cell
            sheet.text(at, box.y + rows * cell + 4, f"{tick:g}", anchor="ma")
    sheet.text(box.x + box.w, box.y + rows * cell + 18, "position", anchor="ra")


def _speed(sheet: _Sheet, c: Comparison, box: _Box) -> None:
    m = c.motion
    sheet.frame(box, "Speed over time")
    if len(m.curve_s) < 2:
        return
    x = float(m.curve_s[0]), float(max(m.curve_s[-1], m.curve_s[0] + 1e-3))
    usual = c.show.setup.player.rpm
    low, high = float(np.min(m.curve_rpm)), float(np.max(m.curve_rpm))
    low, high = min(low, usual, m.rpm * 0.97), max(high, usual, m.rpm * 1.03)
    y = low - 0.05 * (high - low), high + 0.05 * (high - low)
    for begin, end in zip(m.row_start_s, m.row_end_s, strict=True):
        if np.isfinite(begin) and np.isfinite(end):
            a = box.x + (max(begin, x[0]) - x[0]) / (x[1] - x[0]) * box.w
            b = box.x + (min(end, x[1]) - x[0]) / (x[1] - x[0]) * box.w
            if b > a:
                sheet.draw.rectangle((a, box.y + 1, b, box.y + box.h - 1), fill="#f5f7f9")
    sheet.axes(box, x, y, ("s (rows are shaded)", "turns a minute"))
    flat = np.array([usual, usual], float)
    sheet.line(box, np.array(x), flat, x, y, "second", 1)
    sheet.line(box, m.curve_s, m.curve_rpm, x, y, "line")


def _histogram(sheet: _Sheet, m: Margins, box: _Box) -> None:
    sheet.frame(box, "Levels at holes and at material")
    both = np.concatenate([m.ones, m.zeros])
    low, high = float(both.min()), float(both.max())
    pad = 0.06 * (high - low) + 1e-9
    x = low - pad, high + pad
    edges = np.linspace(*x, 61)
    ones, _ = np.histogram(m.ones, edges)
    zeros, _ = np.histogram(m.zeros, edges)
    y = 0.0, 1.1 * float(max(ones.max(), zeros.max(), 1))
    sheet.axes(box, x, y, ("level in the log's units", "places"))
    for counts, colour in ((zeros, "line"), (ones, "second")):
        for k, count in enumerate(counts.tolist()):
            if count:
                a = box.x + k / 60 * box.w
                top = box.y + box.h - count / y[1] * box.h
                sheet.draw.rectangle(
                    (a, min(top, box.y + box.h - 1), a + box.w / 60 - 1, box.y + box.h - 1),
                    fill=COLOURS[colour],
                )
    for value, colour in ((m.threshold, "missed"), (m.best, "ink")):
        at = box.x + (value - x[0]) / (x[1] - x[0]) * box.w
        if box.x <= at <= box.x + box.w:
            sheet.draw.line((at, box.y, at, box.y + box.h), fill=COLOURS[colour], width=2)
    sheet.text(
        box.x, box.y + box.h + 34,
        f"green: holes; blue: material; red: threshold {m.threshold:.3g}; "
        f"black: best {m.best:.3g}, {rate_in_words(m.error_rate)} there",
    )  # fmt: skip


def _eye(sheet: _Sheet, v: Levels, m: Margins, box: _Box) -> None:
    from PIL import Image

    sheet.frame(box, f"Eye: {max(m.eye_opening, 0):.0%} of the swing is clear")
    low, high = float(np.min(v.traces)), float(np.max(v.traces))
    span = max(high - low, 1e-9)
    wide, tall = box.w - 1, box.h - 1
    across = np.linspace(0, v.traces.shape[1] - 1, wide)
    picture = np.full((tall, wide, 3), 255.0)
    at = np.arange(wide)
    base = np.floor(across).astype(int)
    part = across - base
    for bit, colour in ((0, "line"), (1, "second")):
        ink = np.array([int(COLOURS[colour][k : k + 2], 16) for k in (1, 3, 5)], float)
        lines = v.traces[v.trace_bits == bit][:400]
        if not len(lines):
            continue
        after = np.minimum(base + 1, lines.shape[1] - 1)
        values = lines[:, base] * (1 - part) + lines[:, after] * part
        rows = np.clip(np.rint((high - values) / span * (tall - 1)), 0, tall - 1).astype(int)
        density = np.zeros((tall, wide))
        np.add.at(density, (rows, np.broadcast_to(at, rows.shape)), 1.0)
        weight = np.clip(density / max(2.0, 0.02 * len(lines)), 0, 1)[:, :, None]
        picture = picture * (1 - weight) + ink * weight
    sheet.image.paste(Image.fromarray(picture.astype(np.uint8), "RGB"), (box.x + 1, box.y + 1))
    level = box.y + (high - v.threshold) / span * box.h
    sheet.draw.line((box.x, level, box.x + box.w, level), fill=COLOURS["missed"], width=1)
    for share, name in ((0.0, "-0.75"), (0.5, "0"), (1.0, "0.75")):
        sheet.text(box.x + share * box.w, box.y + box.h + 4, name, anchor="ma")
    sheet.text(box.x + box.w, box.y + box.h + 18, "positions from the middle", anchor="ra")
