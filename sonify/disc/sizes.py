"""The geometry: the sizes of a disc, in mm."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = ["Geometry", "KeepOut", "check_geometry", "check_rows", "row_radii"]

LENGTH: dict[str, Any] = {"unit": "mm", "gt": 0, "le": 10_000}
Length = Annotated[float, control(**LENGTH)]
Outer = Annotated[float, control(step=1, soft=(60, 600), **LENGTH)]
Bore = Annotated[float, control(step=0.5, soft=(1, 40), **LENGTH)]
Radius = Annotated[float, control(step=0.5, soft=(10, 300), **LENGTH)]
Hole = Annotated[float, control(step=0.1, soft=(0.5, 12), **LENGTH)]


class KeepOut(Settings, frozen=True):
    """A place that no hole may touch, such as a magnet or a screw.

    `angle` is in degrees clockwise, seen from the front, with 0 at twelve o'clock.
    """

    radius: Annotated[float, msgspec.Meta(ge=0, le=10_000)]
    angle: float
    diameter: Length

    @property
    def centre(self) -> tuple[float, float]:
        """Its centre in mm; x to the right, y up."""
        turn = np.radians(self.angle)
        return float(self.radius * np.sin(turn)), float(self.radius * np.cos(turn))


class Geometry(Settings, frozen=True):
    """The `[geometry]` section. All lengths in mm.

    Rows follow the one read first inwards or outwards as the layout says.

    Attributes
    ----------
    outer_diameter : Disc diameter
        The outer edge.
    bore_diameter
        The centre hole.
    clock_radius : Clock row radius
        From the centre.
    first_row_radius
        From the centre to the row read first.
    row_pitch
        The distance from row to row.
    hole_diameter
        Of all holes.
    """

    outer_diameter: Outer = 180.0
    bore_diameter: Bore = 8.0
    clock_radius: Radius = 84.0
    first_row_radius: Radius = 77.0
    row_pitch: Annotated[float, control(step=0.25, soft=(1, 20), **LENGTH)] = 6.0
    hole_diameter: Hole = 3.0
    keep_out: tuple[KeepOut, ...] = ()


def _refuse(key: str, what: str) -> InputError:
    return InputError(what, place=f"geometry.{key}")


def check_geometry(g: Geometry) -> None:
    """Refuse sizes that contradict each other, whatever is on the disc.

    Raises
    ------
    InputError
        With the key, what is wrong, and what would be right.
    """
    rim, bore, hole = g.outer_diameter / 2, g.bore_diameter / 2, g.hole_diameter
    if bore >= rim:
        raise _refuse(
            "bore-diameter",
            f"a bore of {g.bore_diameter:g} mm leaves nothing of a disc of {g.outer_diameter:g} mm",
        )
    if hole > g.row_pitch:
        raise _refuse(
            "hole-diameter",
            f"holes of {hole:g} mm are larger than the row pitch of {g.row_pitch:g} mm, so that "
            "rows would run into each other; smaller holes or a larger pitch",
        )
    for key, radius in (("clock-radius", g.clock_radius), ("first-row-radius", g.first_row_radius)):
        if not bore < radius < rim:
            raise _refuse(
                key,
                f"{radius:g} mm is not on the disc, which reaches from {bore:g} mm at the bore to "
                f"{rim:g} mm at the rim",
            )
    for n, k in enumerate(g.keep_out):
        if k.radius + k.diameter / 2 > rim:
            raise _refuse(
                f"keep-out[{n}]",
                f"it reaches to {k.radius + k.diameter / 2:g} mm and the disc only to {rim:g} mm",
            )
        if abs(k.radius - g.clock_radius) < (k.diameter + hole) / 2:
            raise _refuse(
                f"keep-out[{n}]",
                f"it lies on the clock row, whose holes take {g.clock_radius - hole / 2:g} to "
                f"{g.clock_radius + hole / 2:g} mm; move one of them",
            )


def row_radii(g: Geometry, layout: Layout, rows: int) -> NDArray[np.float64]:
    """The radius of each data row, in mm, shape (rows,)."""
    step = -g.row_pitch if layout.reading == "outside-in" else g.row_pitch
    return g.first_row_radius + step * np.arange(rows, dtype=np.float64)


def check_rows(g: Geometry, layout: Layout, rows: int) -> None:
    """Refuse a geometry that so many rows don't fit.

    Raises
    ------
    InputError
    """
    rim, bore = g.outer_diameter / 2, g.bore_diameter / 2
    radii = row_radii(g, layout, rows)
    off = np.flatnonzero((radii <= bore) | (radii >= rim))
    if len(off):
        edge = "into the bore" if layout.reading == "outside-in" else "over the rim"
        raise _refuse(
            "row-pitch",
            f"row {int(off[0]) + 1} of {rows:,} would lie at {radii[off[0]]:g} mm, {edge}; "
            f"{int(off[0])} rows fit",
        )
    near = np.flatnonzero(np.abs(radii - g.clock_radius) < g.hole_diameter)
    if len(near):
        raise _refuse(
            "clock-radius",
            f"row {int(near[0]) + 1}, at {radii[near[0]]:g} mm, runs into the clock row at "
            f"{g.clock_radius:g} mm; keep them at least {g.hole_diameter:g} mm apart",
        )
