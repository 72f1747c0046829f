"""The drawing of a disc: plain circles and lines in mm, which every writer takes.

x runs to the right and y up from the axis of the disc, as it is seen from the chosen side.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.disc.geometry.holes import CLOCK, holes_of
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from sonify.export.drawing.strokes import missing_letters, strokes, width_of

__all__ = ["CIRCLES", "GROUPS", "Drawing", "Group", "Line", "drawing_of"]

Reals = NDArray[np.float64]


class Group(NamedTuple):
    """One group (in SVG) or layer (in DXF) of a drawing.

    `cut` says whether a machine cuts it; the colours are for sorting only: `#rrggbb`, and a
    number of the AutoCAD Color Index, which DXF uses.
    """

    id: str
    title: str
    colour: str
    aci: int
    cut: bool


GROUPS: dict[str, Group] = {
    g.id: g
    for g in (
        Group("engraving", "engraving: title and arrow of turning", "#0000ff", 5, False),
        Group("index-mark", "index mark: position 1", "#008000", 3, False),
        Group("keep-outs", "keep-outs: no hole may touch them; not cut", "#888888", 8, False),
        Group("holes", "holes of the data rows", "#ff0000", 1, True),
        Group("clock-row", "holes of the clock row", "#ff00ff", 6, True),
        Group("bore", "bore", "#ff8000", 30, True),
        Group("outline", "outline", "#000000", 7, True),
    )
}
"""In the order of work: what is engraved, then what is cut, from the inside outwards."""

CIRCLES = np.dtype([("x_mm", "f8"), ("y_mm", "f8"), ("diameter_mm", "f8"), ("row", "i4"),
                    ("position", "i4")])  # fmt: skip
"""One circle of a drawing. Row and position are those of a hole, -1 elsewhere."""


class Line(NamedTuple):
    """A line of straight pieces: its group, its points of shape (points, 2), closed or not."""

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
    lines: list[Line] = field(default_factory=list)
    cautions: tuple[str, ...] = ()

    @property
    def reach(self) -> float:
        """The radius in mm that holds all of it."""
        return float(self.circles["outline"]["diameter_mm"][0]) / 2


def drawing_of(
    disc: Disc, geometry: Geometry, *, side: Literal["front", "back"] = "front", kerf: float = 0.0
) -> Drawing:
    """The drawing of a disc.

    Parameters
    ----------
    disc : Disc
    geometry : Geometry
    side : str
        From the back, left and right change places.
    kerf : float
        The width in mm that the cut takes away: holes and bore are drawn smaller by it, the
        outline larger, so that what is left has the sizes of the geometry.

    Raises
    ------
    InputError
        Rows that don't fit, or a kerf as wide as a hole.
    """
    if not 0 <= kerf < min(geometry.hole_diameter, geometry.bore_diameter):
        raise InputError(
            f"a kerf of {kerf:g} mm leaves nothing of a hole of "
            f"{min(geometry.hole_diameter, geometry.bore_diameter):g} mm; it must be from 0 to "
            "less than that",
            key="kerf",
        )
    holes = holes_of(disc, geometry)
    clock = holes["kind"] == CLOCK
    keep = np.array(
        [
            (k.radius * np.sin(np.radians(k.angle)), k.radius * np.cos(np.radians(k.angle)),
             k.diameter, -1, -1)
            for k in geometry.keep_out
        ],
        CIRCLES,
    )  # fmt: skip
    circles = {
        "keep-outs": keep,
        "holes": _circles(holes[~clock], geometry.hole_diameter - kerf),
        "clock-row": _circles(holes[clock], geometry.hole_diameter - kerf),
        "bore": _middle(geometry.bore_diameter - kerf),
        "outline": _middle(geometry.outer_diameter + kerf),
    }
    lines, cautions = _marks(disc, geometry, holes)
    title, more = _title(disc.title, geometry, holes)
    if side == "back":
        for group in circles.values():
            group["x_mm"] *= -1
        lines = [Line(n.group, n.points * [-1, 1], n.closed) for n in lines]
    # the title is engraved on the side that is seen, so it is not mirrored
    return Drawing(
        disc.title or disc.name, side, geometry.outer_diameter, kerf, circles, lines + title,
        tuple(cautions + more),
    )  # fmt: skip


def _circles(holes: NDArray[np.void], diameter: float) -> NDArray[np.void]:
    out = np.zeros(len(holes), CIRCLES)
    for name in ("x_mm", "y_mm", "row", "position"):
        out[name] = holes[name]
    out["diameter_mm"] = round(diameter, 9)
    return out


def _middle(diameter: float) -> NDArray[np.void]:
    return np.array([(0.0, 0.0, round(diameter, 9), -1, -1)], CIRCLES)


# --- index mark and engraving -------------------------------------------------------------------

CLEAR = 0.5
"""Between marks and edges, in mm."""
SMALLEST_MARK = 0.6
SMALLEST_TEXT = 1.2
LARGEST_TEXT = 6.0
TEXT_SHARE = 0.8
"""Of the room across, at most."""


def _bands(g: Geometry, holes: NDArray[np.void]) -> tuple[tuple[float, float], ...]:
    """The rings without holes: between holes and rim, and between bore and holes."""
    away = np.hypot(holes["x_mm"], holes["y_mm"])
    rim = (float(away.max()) + g.hole_diameter / 2, g.outer_diameter / 2)
    hub = (g.bore_diameter / 2, float(away.min()) - g.hole_diameter / 2)
    return rim, hub


def _marks(disc: Disc, g: Geometry, holes: NDArray[np.void]) -> tuple[list[Line], list[str]]:
    """The index mark and the arrow of turning, and what has no room."""
    rim, hub = _bands(g, holes)
    lines: list[Line] = []
    cautions: list[str] = []
    mark = _index_mark(rim, hub, g)
    if mark is None:
        cautions.append("there is no room for an index mark; position 1 lies at twelve o'clock")
    else:
        lines.append(mark)
    inside = hub[1] - (2 * CLEAR + _mark_size(hub) if mark is not None and _on_hub(rim) else CLEAR)
    arrow = _arrow(disc, hub[0] + CLEAR, inside, g)
    if arrow is None:
        way = disc.layout.turning
        cautions.append(f"there is no room for the arrow of turning; the disc turns {way}")
    else:
        lines.extend(arrow)
    return lines, cautions


def _mark_size(band: tuple[float, float]) -> float:
    return min(4.0, band[1] - band[0] - 2 * CLEAR)


def _on_hub(rim: tuple[float, float]) -> bool:
    return _mark_size(rim) < SMALLEST_MARK


def _index_mark(rim: tuple[float, float], hub: tuple[float, float], g: Geometry) -> Line | None:
    """A triangle at twelve o'clock, between rim and holes or else between holes and bore."""
    for band, tip_up in ((rim, False), (hub, True)):
        size = _mark_size(band)
        if size < SMALLEST_MARK:
            continue
        low = band[0] + CLEAR if not tip_up else band[1] - CLEAR - size
        ends = (low + size, low) if tip_up else (low, low + size)
        points = np.array([[0.0, ends[0]], [-size / 2, ends[1]], [size / 2, ends[1]]])
        # the corners at the base lie further out than its middle
        if not tip_up and np.hypot(size / 2, ends[1]) > g.outer_diameter / 2 - CLEAR / 2:
            points[1:, 1] -= np.hypot(size / 2, ends[1]) - ends[1]
        if not _meets_keep_out(0.0, float(points[:, 1].mean()), size, g):
            return Line("index-mark", points, True)
    return None


def _meets_keep_out(x: float, y: float, reach: float, g: Geometry) -> bool:
    return any(
        np.hypot(
            k.radius * np.sin(np.radians(k.angle)) - x, k.radius * np.cos(np.radians(k.angle)) - y
        )
        < reach + k.diameter / 2
        for k in g.keep_out
    )


def _arrow(disc: Disc, low: float, high: float, g: Geometry) -> list[Line] | None:
    """An arc over the bore with a head at the end towards which the disc turns."""
    size = min(4.0, (high - low) * 0.6)
    if size < SMALLEST_MARK:
        return None
    radius = min(low + size / 2 + (high - low - size) * 0.5, low + 12.0)
    sense = 1.0 if disc.layout.turning == "clockwise" else -1.0
    spread = np.radians(50.0)
    angles = np.linspace(-spread, spread, 41) * sense
    arc = radius * np.column_stack((np.sin(angles), np.cos(angles)))
    if any(_meets_keep_out(x, y, size / 2, g) for x, y in arc[::8]):
        return None
    tip = arc[-1]
    along = sense * np.array([np.cos(angles[-1]), -np.sin(angles[-1])])
    out = tip / radius
    head = np.array([tip - size * along + size / 2 * out, tip, tip - size * along - size / 2 * out])
    return [Line("engraving", arc, False), Line("engraving", head, False)]


def _title(text: str, g: Geometry, holes: NDArray[np.void]) -> tuple[list[Line], list[str]]:
    """The title under the bore, as large as fits."""
    text = "".join(c if c.isprintable() else " " for c in text).strip()
    if not text:
        return [], []
    _, hub = _bands(g, holes)
    top = hub[0] + 2 * CLEAR
    for height in np.arange(LARGEST_TEXT, SMALLEST_TEXT - 1e-9, -0.2):
        half = width_of(text, float(height)) / 2
        if np.hypot(half / TEXT_SHARE, top + height) > hub[1] - CLEAR:
            continue
        middle = -float(top + height / 2)
        spots = np.linspace(-half, half, 2 + int(2 * half / height))
        if any(_meets_keep_out(float(x), middle, float(height), g) for x in spots):
            continue
        missing = missing_letters(text)
        said = [f"the letters have no {' '.join(missing[:12])}; a box stands in"] if missing else []
        drawn = strokes(text, 0.0, middle, float(height))
        return [Line("engraving", points, closed) for points, closed in drawn], said
    return [], ["there is no room for the title inside the innermost row"]
