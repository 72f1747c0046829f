"""The drawing of a disc: circles and lines in mm, which every writer takes.

x runs to the right and y up from the axis of the disc, as seen from the chosen side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.disc.geometry.holes import CLOCK, holes_of
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from sonify.export.drawing.strokes import strokes, width_of
from sonify.light.letters import load_letters, missing

__all__ = ["CIRCLES", "GROUPS", "Drawing", "Group", "Line", "drawing_of"]

Reals = NDArray[np.float64]


class Group(NamedTuple):
    """One group (in SVG) or layer (in DXF) of a drawing.

    The colours only tell groups apart: `#rrggbb` for SVG and PDF, and a DXF colour number (group
    code 62) for DXF.
    """

    id: str
    title: str
    colour: str
    aci: int


GROUPS: dict[str, Group] = {
    g.id: g
    for g in (
        Group("engraving", "engraving: title and direction of rotation", "#0000ff", 5),
        Group("index-mark", "index mark: position 1", "#008000", 3),
        Group("keep-outs", "keep-outs: no hole may touch them; not cut", "#888888", 8),
        Group("holes", "holes of the data rows", "#ff0000", 1),
        Group("clock-row", "holes of the clock row", "#ff00ff", 6),
        Group("bore", "bore", "#ff8000", 30),
        Group("outline", "outline", "#000000", 7),
    )
}
"""In the order of work: first engraving, then cutting, from the inside outwards."""

CIRCLES = np.dtype([("x_mm", "f8"), ("y_mm", "f8"), ("diameter_mm", "f8"), ("row", "i4")])
"""One circle of a drawing. The row is that of a data hole, and -1 elsewhere."""


class Line(NamedTuple):
    """Straight line segments: their group, points of shape (points, 2), and whether closed."""

    group: str
    points: Reals
    closed: bool


@dataclass(frozen=True, eq=False)
class Drawing:
    """A drawing.

    Attributes
    ----------
    title : str
    side : str
        `front` or `back`.
    diameter : float
        Of the disc, in mm, before kerf compensation.
    kerf : float
    circles : dict of str to ndarray of CIRCLES
        By group.
    lines : list of Line
    cautions : tuple of str
        What was left out.
    """

    title: str
    side: str
    diameter: float
    kerf: float
    circles: dict[str, NDArray[np.void]]
    lines: list[Line]
    cautions: tuple[str, ...]

    @property
    def reach(self) -> float:
        """The radius in mm of the outline as drawn."""
        return float(self.circles["outline"]["diameter_mm"][0]) / 2

    @property
    def extent(self) -> Reals:
        """The lower left and the upper right corner of all that is drawn, in mm, shape (2, 2)."""
        some = np.concatenate(list(self.circles.values()))
        centre, half = np.stack((some["x_mm"], some["y_mm"]), axis=1), some["diameter_mm"] / 2
        points = [centre - half[:, None], centre + half[:, None], *(n.points for n in self.lines)]
        every = np.concatenate(points)
        return np.stack((every.min(axis=0), every.max(axis=0)))

    def of(self, group: str) -> tuple[NDArray[np.void], list[Line]]:
        """The circles and lines of a group."""
        circles = self.circles.get(group, np.zeros(0, CIRCLES))
        return circles, [n for n in self.lines if n.group == group]


def drawing_of(
    disc: Disc,
    geometry: Geometry,
    *,
    side: Literal["front", "back"] = "front",
    kerf: float = 0.0,
    engrave: Literal["title", "message", "none"] = "title",
) -> Drawing:
    """The drawing of a disc.

    Parameters
    ----------
    disc : Disc
    geometry : Geometry
    side : str
        The back is mirrored.
    kerf : float
        Width of the cut in mm. Holes and bore are drawn smaller by this, and the outline larger, so
        that the finished disc has the sizes of the geometry.
    engrave : str
        The text below the bore.

    Raises
    ------
    InputError
        Rows that don't fit, or a kerf as wide as a hole.
    """
    smallest = min(geometry.hole_diameter, geometry.bore_diameter)
    if not 0 <= kerf < smallest:
        raise InputError(
            f"{kerf:g} mm is out of range; use 0 or more, and less than the smallest hole "
            f"({smallest:g} mm)",
            key="kerf",
        )
    holes = holes_of(disc, geometry)
    clock = holes["kind"] == CLOCK
    hole = round(geometry.hole_diameter - kerf, 9)
    keep_out = [(*k.centre, k.diameter, -1) for k in geometry.keep_out]
    circles = {
        "keep-outs": np.array(keep_out, CIRCLES),
        "holes": _circles(holes[~clock], hole),
        "clock-row": _circles(holes[clock], hole),
        "bore": np.array([(0.0, 0.0, round(geometry.bore_diameter - kerf, 9), -1)], CIRCLES),
        "outline": np.array([(0.0, 0.0, round(geometry.outer_diameter + kerf, 9), -1)], CIRCLES),
    }
    away = np.hypot(holes["x_mm"], holes["y_mm"])
    # the rings without holes: between holes and rim, and between bore and holes
    rim = (float(away.max()) + geometry.hole_diameter / 2, geometry.outer_diameter / 2)
    hub = (geometry.bore_diameter / 2, float(away.min()) - geometry.hole_diameter / 2)
    cautions: list[str] = []
    lines = _marks(disc, geometry, rim, hub, cautions)
    if side == "back":
        for group in circles.values():
            group["x_mm"] *= -1
        lines = [Line(n.group, n.points * [-1, 1], n.closed) for n in lines]
    # text is engraved on the side that is seen, so it is not mirrored
    if engrave != "none":
        text = (disc.message or "") if engrave == "message" else disc.title
        if engrave == "message" and not text:
            cautions.append("there is no message to engrave")
        lines += _engraved(text, engrave, geometry, hub, cautions)
    return Drawing(
        disc.display_name, side, geometry.outer_diameter, kerf, circles, lines,
        tuple(cautions),
    )  # fmt: skip


def _circles(holes: NDArray[np.void], diameter: float) -> NDArray[np.void]:
    out = np.zeros(len(holes), CIRCLES)
    for name in ("x_mm", "y_mm", "row"):
        out[name] = holes[name]
    out["diameter_mm"] = diameter
    return out


# --- index mark and engraving -------------------------------------------------------------------

CLEAR = 0.5
"""The distance between marks and edges, in mm. This and the sizes below are chosen by eye."""
SMALLEST_MARK, LARGEST_MARK = 0.6, 4.0
SMALLEST_TEXT, LARGEST_TEXT = 1.2, 6.0
TEXT_SHARE = 0.8
"""The most of the free width that text takes."""
LINE = 1.8
"""From line to line, in heights of a capital."""


def _is_clear(points: Reals, reach: float, g: Geometry) -> bool:
    """Whether everything within `reach` of some points is clear of all keep-outs."""
    return all(np.hypot(*(points - k.centre).T).min() >= reach + k.diameter / 2 for k in g.keep_out)


def _marks(
    disc: Disc, g: Geometry, rim: tuple[float, float], hub: tuple[float, float], said: list[str]
) -> list[Line]:
    """The index mark and the arrow that shows which way the disc turns."""
    sizes = [min(LARGEST_MARK, high - low - 2 * CLEAR) for low, high in (rim, hub)]
    # a triangle at twelve o'clock that points from the rim, or else from the hub, to the holes
    mark = None
    for size, tip, base in (
        (sizes[0], rim[0] + CLEAR, rim[0] + CLEAR + sizes[0]),
        (sizes[1], hub[1] - CLEAR, hub[1] - CLEAR - sizes[1]),
    ):
        # the corners at the base lie further out than the middle of the base
        corner = float(np.hypot(size / 2, base))
        if base > tip and corner > g.outer_diameter / 2 - CLEAR / 2:
            base -= corner - base
        points = np.array([[0.0, tip], [-size / 2, base], [size / 2, base]])
        if size >= SMALLEST_MARK and _is_clear(points.mean(axis=0, keepdims=True), size, g):
            mark = Line("index-mark", points, True)
            break
    lines = [mark] if mark else []
    if mark is None:
        said.append("there is no room for an index mark; position 1 is at twelve o'clock")
    on_hub = mark is not None and mark.points[0, 1] < rim[0]
    arrow = _arrow(disc, hub[0] + CLEAR, hub[1] - CLEAR - on_hub * (CLEAR + sizes[1]), g)
    if not arrow:
        way = disc.layout.turning
        said.append(f"there is no room for the direction arrow; the disc turns {way}")
    return lines + arrow


def _arrow(disc: Disc, low: float, high: float, g: Geometry) -> list[Line]:
    """An arc above the bore with a head at the end towards which the disc turns."""
    size = min(LARGEST_MARK, (high - low) * 0.6)
    radius = min(low + size / 2 + (high - low - size) * 0.5, low + 12.0)
    sense = 1.0 if disc.layout.turning == "clockwise" else -1.0
    angles = np.linspace(-np.radians(50.0), np.radians(50.0), 41) * sense
    arc = radius * np.column_stack((np.sin(angles), np.cos(angles)))
    if size < SMALLEST_MARK or not _is_clear(arc[::8], size / 2, g):
        return []
    tip = arc[-1]
    along = sense * np.array([np.cos(angles[-1]), -np.sin(angles[-1])])
    out = tip / radius
    head = np.array([tip - size * along + size / 2 * out, tip, tip - size * along - size / 2 * out])
    return [Line("engraving", arc, False), Line("engraving", head, False)]


def _engraved(
    text: str, what: str, g: Geometry, hub: tuple[float, float], said: list[str]
) -> list[Line]:
    """A text below the bore, as large as fits: a title on one line if it can be."""
    text = "".join(c if c.isprintable() else " " for c in text).strip()
    if not text:
        return []
    heights = np.arange(LARGEST_TEXT, SMALLEST_TEXT - 1e-9, -0.2).tolist()
    for most in (1, len(text)) if what == "title" else (len(text),):
        for height in heights:
            lines = _broken(text, height, most, g, hub)
            if not lines:
                continue
            lacking = missing(text, load_letters())
            if lacking:
                said.append(f"there are no letters for {' '.join(lacking[:12])}; a box is drawn")
            return [
                Line("engraving", points, closed)
                for line, middle in lines
                for points, closed in strokes(line, 0.0, middle, height)
            ]
    said.append(f"there is no room for the {what} inside the innermost row")
    return []


def _broken(
    text: str, height: float, most: int, g: Geometry, hub: tuple[float, float]
) -> list[tuple[str, float]]:
    """A text in lines of letters of a height, each with the y of its middle; none if it doesn't
    fit below the bore."""
    words, top = text.split(), hub[0] + 2 * CLEAR
    lines: list[tuple[str, float]] = []
    while words and len(lines) < most:
        middle = -(top + height / 2)
        for n in range(len(words), 0, -1):
            line = " ".join(words[:n])
            half = width_of(line, height) / 2
            x = np.linspace(-half, half, 2 + int(2 * half / height))
            fits = np.hypot(half / TEXT_SHARE, top + height) <= hub[1] - CLEAR
            if fits and _is_clear(np.column_stack((x, np.full_like(x, middle))), height, g):
                break
        else:
            return []
        lines.append((line, middle))
        words = words[n:]
        top += LINE * height
    return [] if words else lines
