"""The picture of a comparison: the disc's grid with its errors, the speed, the levels, the eye."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sonify.recover.chart import INK, LINE, SECOND, WARN, Area, Chart, spread

if TYPE_CHECKING:
    from sonify.recover.diagnosis.observed import Levels
    from sonify.recover.diagnosis.result import Comparison, Margins

__all__ = ["draw_report", "rate_in_words"]

KINDS = {
    "one": "#5b6b7c",
    "zero": "#e3e8ed",
    "missed": WARN,
    "added": "#e08a00",
    "wrong pitch": "#7a3db8",
    "not seen": "#b9c4cf",
}
"""What a place of the grid shows, and its colour."""

# Of missed and added bits and wrong pitches, for those who see no colours.
ERROR_MARKS = "x", "+", "y"

DEPTHS = "#00224d", "#434e6b", "#7c7b78", "#baac6c", "#fde737"
"""Colours of depths from 0 to 1 in even steps, told apart by all eyes: of the scale cividis
(J. R. Nuñez, C. R. Anderton, R. S. Renslow 2018, PLoS ONE 13, e0199239)."""

MOST_ROWS, MOST_POSITIONS = 300, 1000
"""Of the grid that are drawn; each place needs a pixel."""

MOST_TRACES = 400
"""Lines of each colour in the eye: more only fill it."""

MOST_HOLES = "#b4bcc6"
BOTH_LEVELS = ("box", LINE, "solid material"), ("box", SECOND, "holes")
THRESHOLD = "line", WARN, "threshold"
"""Entries of keys: a mark, a colour and words."""

Panel = Callable[[tuple[float, float], tuple[float, float]], Area]
"""Makes a panel of two scales."""

WIDE = 1120
"""Pixels, which fill a page of the report."""
LEFT, RIGHT, ABOVE, BELOW = 62, 14, 42, 38
"""Room of a panel for numbers, title, key and units."""


def rate_in_words(rate: float) -> str:
    """An error rate in words."""
    if rate < 1e-6:
        return "hardly a bit wrong"
    if rate > 0.05:
        return f"{100 * rate:.0f} % of the bits wrong"
    return f"1 bit in {1 / rate:,.0f} wrong"


def draw_report(c: Comparison) -> bytes:
    """The picture of a comparison as a PNG."""
    rows, n = min(c.truth.shape[0], MOST_ROWS), min(c.truth.shape[1], MOST_POSITIONS)
    grid = round(max(100.0, min(17.0, (WIDE - 100) / n) * rows))
    levels, m = c.seen.levels, c.margins
    heights = [grid, 200] if m is None or levels is None else [grid, grid, 200, 200]
    chart = Chart(WIDE, sum(heights) + (ABOVE + BELOW) * len(heights))
    places = (0.5, n + 0.5), (rows + 0.5, 0.5)

    def area(
        row: int, begin: int, end: int, x: tuple[float, float], y: tuple[float, float]
    ) -> Area:
        top = ABOVE + sum(heights[:row]) + (ABOVE + BELOW) * row
        return Area(chart, begin + LEFT, top, end - begin - LEFT - RIGHT, heights[row], x, y)

    _grid(area(0, 0, WIDE, *places), c, rows, n)
    if m is None or levels is None:
        _speed(lambda x, y: area(1, 0, WIDE, x, y), c)
        return chart.png()
    half, most = WIDE // 2, 740
    _depth(area(1, 0, most, *places), area(1, most + 20, WIDE, (-0.05, 1.2), places[1]), levels, m)
    _speed(lambda x, y: area(2, 0, half, x, y), c)
    _jitter(lambda x, y: area(2, half, WIDE, x, y), c)
    _histogram(lambda x, y: area(3, 0, half, x, y), m)
    _eye(lambda x, y: area(3, half, WIDE, x, y), levels, m)
    return chart.png()


def _colours(*names: str) -> NDArray[np.uint8]:
    return np.array([list(bytes.fromhex(name[1:])) for name in names], np.uint8)


def _grid(a: Area, c: Comparison, rows: int, n: int) -> None:
    names = list(KINDS)
    look = np.where(c.truth == 1, names.index("one"), names.index("zero"))
    look[(c.bits < 0) & np.isnan(c.seen.time_s)] = names.index("not seen")
    for e in c.errors:
        kind = "wrong pitch" if e["kind"] == "wrong" else str(e["kind"])
        look[e["row"], e["position"]] = names.index(kind)
    look = look[:rows, :n]
    shown = "" if (rows, n) == c.truth.shape else f" (first {rows} rows, {n} positions)"
    count = len(c.errors)
    name = c.show.disc.title or c.show.disc.name
    title = f"{name}: {count} wrong bit{'s' * (count != 1)}{shown}"
    a.axes(title, "position", "row", grid=False, whole="xy")
    a.field(_colours(*KINDS.values())[look])
    if n <= 150:
        for position in range(1, n):
            a.upright(position + 0.5, "white", 1)
        for row in range(1, rows):
            a.level(row + 0.5, "white", 1)
    size = min(12.0, 0.6 * a.wide / n)
    for k, mark in enumerate(ERROR_MARKS, names.index("missed")):
        r, p = np.nonzero(look == k)
        for at in a.at(p + 1, r + 1):
            a.chart.mark(mark, at, size, "white", size / 6)
    a.key(*(("box", colour, name) for name, colour in KINDS.items()))


def _depth(a: Area, by_row: Area, v: Levels, m: Margins) -> None:
    """How far the level moves at each hole, in the swing of the best ones, and row by row."""
    rows, n = round(a.y[0] - 0.5), round(a.x[1] - 0.5)
    zero, one = np.median(m.zeros), np.percentile(m.ones, 10 if v.low else 90)
    depth = np.where(v.truth == 1, (v.level - zero) / (one - zero), np.nan)[:rows, :n]
    a.axes(
        "Depth of each hole: 1 is a good hole, 0 is solid material", "position", "row",
        grid=False, whole="xy",
    )  # fmt: skip
    even = np.linspace(0, 1, len(DEPTHS))
    scale = [np.interp(np.linspace(0, 1, 256), even, tone) for tone in _colours(*DEPTHS).T]
    tones = np.stack(scale, axis=1).round().astype(np.uint8)
    level = (255 * np.clip(np.nan_to_num(depth), 0, 1)).round().astype(int)
    a.field(np.where(np.isfinite(depth)[..., None], tones[level], np.uint8(255)))
    bar = a.chart, a.left + a.wide + 8, a.top, 10, a.high, (0.0, 1.0), (0.0, 1.0)
    Area(*bar).field(tones[::-1, None])
    for value in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        y = a.top + a.high * (1 - value)
        a.chart.text(a.left + a.wide + 22, y, f"{value:.1f}", anchor="lm")
    by_row.axes("Depth by row", "depth", "row", whole="y")
    for r in range(rows):
        told = depth[r][np.isfinite(depth[r])]
        if len(told):
            by_row.line(np.percentile(told, (10, 90)), (r + 1, r + 1), MOST_HOLES, 4)
            x, y = by_row.at(np.median(told), r + 1)
            a.chart.box(x - 2.5, y - 2.5, x + 2.5, y + 2.5, LINE)
    by_row.upright((m.threshold - zero) / (one - zero), WARN)
    by_row.key(("box", LINE, "median"), ("line", MOST_HOLES, "8 in 10 holes"), THRESHOLD)


def _jitter(area: Panel, c: Comparison) -> None:
    position, off = c.jitter
    a = area((0.0, c.truth.shape[1] + 1.0), spread(100 * off))
    a.axes(f"Clock jitter: {c.clock_jitter or 0:.1%} of a position", "position", "% late")
    a.dots(1 + position, 100 * off, LINE)


def _speed(area: Panel, c: Comparison) -> None:
    m, profile = c.motion, c.show.setup.player.rpm
    told = len(m.curve_s) > 1
    rpm = m.curve_rpm if told else np.array([0.97, 1.03]) * profile
    a = area(
        (float(m.curve_s[0]), float(m.curve_s[-1])) if told else (0.0, 1.0),
        (
            min(profile, 0.97 * m.rpm, float(rpm.min())),
            max(profile, 1.03 * m.rpm, float(rpm.max())),
        ),
    )
    rows = np.stack([m.row_start_s, m.row_end_s], axis=1)
    for begin, end in rows[np.isfinite(rows).all(axis=1)]:
        (left, _), (right, _) = a.at(np.clip((begin, end), *a.x), a.y[:1])
        a.chart.box(left, a.top, right, a.top + a.high, "#f0f3f6")
    a.axes("Speed over time", "s (rows are shaded)", "turns per minute")
    a.level(profile, SECOND)
    a.line(m.curve_s, m.curve_rpm, LINE, 1.5)
    a.key(("line", SECOND, "profile"), ("line", LINE, "measured"))


def _histogram(area: Panel, m: Margins) -> None:
    both = np.concatenate([m.ones, m.zeros])
    edges = np.linspace(float(both.min()), float(both.max()) + 1e-9, 61)
    counts = [np.histogram(levels, edges)[0] for levels in (m.zeros, m.ones)]
    a = area(spread(edges, (m.threshold, m.best)), (0.0, 1.05 * float(np.max(counts))))
    words = f"level, in the log's units (at the best: {rate_in_words(m.error_rate)})"
    a.axes("Levels at holes and at solid material", words, "places")
    for count, colour in zip(counts, (LINE, SECOND), strict=True):
        low, high = a.at(edges[:-1], 0.0 * count), a.at(edges[1:], count)
        for k in np.flatnonzero(count):
            a.chart.box(low[k, 0], high[k, 1], high[k, 0], low[k, 1], colour)
    a.upright(m.threshold, WARN, 4)
    a.upright(m.best, INK, 2)
    lines = ("line", WARN, f"threshold {m.threshold:.3g}"), ("line", INK, f"best {m.best:.3g}")
    a.key(*BOTH_LEVELS, *lines)


def _eye(area: Panel, v: Levels, m: Margins) -> None:
    across = np.linspace(-0.75, 0.75, v.traces.shape[1])
    a = area((-0.8, 0.8), spread(v.traces, m.threshold))
    a.axes(f"Eye: {max(m.eye_opening, 0):.0%} of the swing is clear", "positions from the middle",
           "level")  # fmt: skip
    for bit, colour in ((0, LINE), (1, SECOND)):
        a.traces(across, v.traces[v.trace_bits == bit][:MOST_TRACES], colour, 0.08)
    a.level(m.threshold, WARN)
    a.key(*BOTH_LEVELS, THRESHOLD)
