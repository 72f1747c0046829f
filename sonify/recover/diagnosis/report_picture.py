"""The picture of a comparison: the disc's grid with its errors, the speed, the levels, the eye."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sonify.recover.diagnosis.observed import Levels
    from sonify.recover.diagnosis.result import Comparison, Margins

__all__ = ["draw_report", "rate_in_words"]

KINDS = {
    "one": "#5b6b7c",
    "zero": "#e3e8ed",
    "missed": "#c8102e",
    "added": "#e08a00",
    "wrong pitch": "#7a3db8",
    "not seen": "#b9c4cf",
}
"""What a place of the grid shows, and its colour."""

# Of missed and added bits and wrong pitches, for those who see no colours.
ERROR_MARKS = "x+1"

INK, FAINT, LINE, SECOND = "#20242a", "#d7dce2", "#1769aa", "#2a8c5a"

STYLE: Any = {
    "font.size": 9,
    "text.color": INK,
    "axes.edgecolor": FAINT,
    "axes.titlelocation": "left",
    "axes.axisbelow": True,
    "grid.color": FAINT,
}

MOST_ROWS, MOST_POSITIONS = 300, 1000
"""Of the grid that are drawn; each place needs a pixel."""

MOST_TRACES = 400
"""Lines of each colour in the eye: more only fill it."""

DPI = 100
WIDE = 11.2  # inches; 1120 pixels fill a page of the report


def rate_in_words(rate: float) -> str:
    """An error rate in words."""
    if rate < 1e-6:
        return "hardly a bit wrong"
    if rate > 0.05:
        return f"{100 * rate:.0f} % of the bits wrong"
    return f"1 bit in {1 / rate:,.0f} wrong"


def draw_report(c: Comparison) -> bytes:
    """The picture of a comparison as a PNG."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    rows, n = min(c.truth.shape[0], MOST_ROWS), min(c.truth.shape[1], MOST_POSITIONS)
    high = max(1.0, min(0.17, (WIDE - 1) / n) * rows)
    heights, panels = [high, 2.0], "gggggg;ssssss"
    if c.margins is not None:
        heights, panels = [high, high, 2.0, 2.0], "gggggg;ddddrr;sssjjj;llleee"
    with rc_context(STYLE):
        size = WIDE, sum(heights) + 0.8 * len(heights)
        figure = Figure(figsize=size, dpi=DPI, layout="constrained")
        axes = figure.subplot_mosaic(panels, height_ratios=heights)
        _grid(axes["g"], c, rows, n)
        _speed(axes["s"], c)
        if c.margins is not None and c.seen.levels is not None:
            _depth(axes["d"], axes["r"], c.seen.levels, c.margins, rows, n)
            _jitter(axes["j"], c)
            _histogram(axes["l"], c.margins)
            _eye(axes["e"], c.seen.levels, c.margins)
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _grid(ax: Axes, c: Comparison, rows: int, n: int) -> None:
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    names = list(KINDS)
    look = np.where(c.truth == 1, names.index("one"), names.index("zero"))
    look[(c.bits < 0) & np.isnan(c.seen.time_s)] = names.index("not seen")
    for e in c.errors:
        kind = "wrong pitch" if e["kind"] == "wrong" else str(e["kind"])
        look[e["row"], e["position"]] = names.index(kind)
    ax.imshow(
        look[:rows, :n], ListedColormap(list(KINDS.values())), vmin=-0.5, vmax=len(KINDS) - 0.5,
        interpolation="nearest", extent=(0.5, n + 0.5, rows + 0.5, 0.5), aspect="auto",
    )  # fmt: skip
    for k, mark in enumerate(ERROR_MARKS, names.index("missed")):
        r, p = np.nonzero(look[:rows, :n] == k)
        size = min(9.0, 0.6 * 72 * (WIDE - 1) / n)
        ax.plot(p + 1, r + 1, mark, color="white", markersize=size, markeredgewidth=size / 6)
    if n <= 150:
        ax.set_xticks(np.arange(n + 1) + 0.5, minor=True)
        ax.set_yticks(np.arange(rows + 1) + 0.5, minor=True)
        ax.grid(which="minor", color="white", linewidth=0.7)
        ax.tick_params(which="minor", length=0)
    shown = "" if (rows, n) == c.truth.shape else f" (first {rows} rows, {n} positions)"
    count = len(c.errors)
    name = c.show.disc.title or c.show.disc.name
    ax.set_title(f"{name}: {count} wrong bit{'s' * (count != 1)}{shown}", pad=24)
    ax.set(xlabel="position", ylabel="row")
    ax.locator_params(axis="y", integer=True)
    ax.legend(
        handles=[Patch(color=colour, label=name) for name, colour in KINDS.items()],
        loc="lower left", bbox_to_anchor=(0, 1), ncols=len(KINDS), frameon=False, borderpad=0,
    )  # fmt: skip


def _depth(ax: Axes, by_row: Axes, v: Levels, m: Margins, rows: int, n: int) -> None:
    """How far the level moves at each hole, in the swing of the best ones, and row by row."""
    zero, one = np.median(m.zeros), np.percentile(m.ones, 10 if v.low else 90)
    depth = np.where(v.truth == 1, (v.level - zero) / (one - zero), np.nan)[:rows, :n]
    picture = ax.imshow(
        depth, "cividis", vmin=0, vmax=1, interpolation="nearest",
        extent=(0.5, n + 0.5, rows + 0.5, 0.5), aspect="auto",
    )  # fmt: skip
    ax.figure.colorbar(picture, ax=ax, pad=0.01)
    ax.set_title("Depth of each hole: 1 is a good hole, 0 is solid material")
    ax.set(xlabel="position", ylabel="row")
    for r in range(rows):
        told = depth[r][np.isfinite(depth[r])]
        if len(told):
            by_row.plot(np.percentile(told, (10, 90)), (r + 1, r + 1), color=FAINT, linewidth=3)
            by_row.plot(np.median(told), r + 1, "o", color=LINE, markersize=3)
    by_row.axvline((m.threshold - zero) / (one - zero), color=KINDS["missed"], linewidth=1)
    by_row.set(xlim=(-0.05, 1.2), ylim=(rows + 0.5, 0.5), xlabel="red: threshold")
    by_row.set_title("Median by row")
    for one_of in (ax, by_row):
        one_of.locator_params(axis="y", integer=True)
    by_row.grid()


def _jitter(ax: Axes, c: Comparison) -> None:
    position, off = c.jitter
    ax.plot(1 + position, 100 * off, ".", color=LINE, markersize=2)
    ax.set_title(f"Clock jitter: {c.clock_jitter or 0:.1%} of a position")
    ax.set(xlabel="position", ylabel="% late")
    ax.grid()


def _speed(ax: Axes, c: Comparison) -> None:
    m, profile = c.motion, c.show.setup.player.rpm
    ax.set_title("Speed over time")
    ax.set(xlabel="s (rows are shaded)", ylabel="turns per minute")
    if len(m.curve_s) < 2:
        return
    for begin, end in zip(m.row_start_s, m.row_end_s, strict=True):
        if np.isfinite(begin) and np.isfinite(end):
            ax.axvspan(begin, end, color="#f0f3f6", linewidth=0)
    ax.axhline(profile, color=SECOND, linewidth=1, label="profile")
    ax.plot(m.curve_s, m.curve_rpm, color=LINE, label="measured")
    ax.set_ylim(
        min(profile, 0.97 * m.rpm, float(m.curve_rpm.min())),
        max(profile, 1.03 * m.rpm, float(m.curve_rpm.max())),
    )
    ax.margins(x=0)
    ax.grid()
    ax.legend(loc="lower right", frameon=False)


def _histogram(ax: Axes, m: Margins) -> None:
    both = np.concatenate([m.ones, m.zeros])
    edges = np.linspace(float(both.min()), float(both.max()) + 1e-9, 61).tolist()
    ax.hist(m.zeros, edges, color=LINE, label="solid material")
    ax.hist(m.ones, edges, color=SECOND, label="holes")
    ax.axvline(m.threshold, color=KINDS["missed"], label=f"threshold {m.threshold:.3g}")
    rate = rate_in_words(m.error_rate)
    ax.axvline(m.best, color=INK, label=f"best threshold {m.best:.3g} ({rate})")
    ax.set_title("Levels at holes and at solid material")
    ax.set(xlabel="level, in the log's units", ylabel="places")
    ax.grid()
    ax.legend(loc="upper center", fontsize=8)


def _eye(ax: Axes, v: Levels, m: Margins) -> None:
    from matplotlib.collections import LineCollection

    across = np.linspace(-0.75, 0.75, v.traces.shape[1])
    for bit, colour in ((0, LINE), (1, SECOND)):
        lines = v.traces[v.trace_bits == bit][:MOST_TRACES]
        points = np.stack(np.broadcast_arrays(across, lines), axis=-1)
        ax.add_collection(LineCollection(list(points), colors=colour, alpha=0.08, linewidths=1))
    ax.axhline(m.threshold, color=KINDS["missed"], linewidth=1)
    ax.set_title(f"Eye: {max(m.eye_opening, 0):.0%} of the swing is clear")
    ax.set(xlabel="positions from the middle", ylabel="level")
    ax.autoscale_view()
