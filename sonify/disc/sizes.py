"""The geometry: the sizes of a disc, in mm."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.disc.layout import MAX_BITS, Layout
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = ["LARGEST", "FitSpec", "Geometry", "KeepOut", "check_geometry", "check_rows", "row_radii"]

LARGEST = 10_000.0
"""The largest disc, in mm: far beyond any machine."""
LENGTH: dict[str, Any] = {"unit": "mm", "gt": 0, "le": LARGEST}
Length = Annotated[float, control(**LENGTH)]
Outer = Annotated[float, control(step=1, soft=(60, 600), **LENGTH)]
Bore = Annotated[float, control(step=0.5, soft=(1, 40), **LENGTH)]
Radius = Annotated[float, control(step=0.5, soft=(10, 300), **LENGTH)]
Hole = Annotated[float, control(step=0.1, soft=(0.5, 12), **LENGTH)]


class KeepOut(Settings, frozen=True):
    """A place that no hole may touch, such as a magnet or a screw.

    `angle` is in degrees clockwise, seen from the front, with 0 at twelve o'clock.
    """

    radius: Annotated[float, msgspec.Meta(ge=0, le=LARGEST)]
    angle: float
    diameter: Length

    @property
    def centre(self) -> tuple[float, float]:
        """Its centre in mm; x to the right, y up."""
        turn = np.radians(self.angle)
        return float(self.radius * np.sin(turn)), float(self.radius * np.cos(turn))


class Geometry(Settings, frozen=True):
    """The `[geometry]` section. All lengths in mm.

    The layout says whether rows follow the first one inwards or outwards.

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
        The diameter of all holes.
    """

    outer_diameter: Outer = 180.0
    bore_diameter: Bore = 8.0
    clock_radius: Radius = 84.0
    first_row_radius: Radius = 77.0
    row_pitch: Annotated[float, control(step=0.25, soft=(1, 20), **LENGTH)] = 6.0
    hole_diameter: Hole = 3.0
    keep_out: tuple[KeepOut, ...] = ()


class FitSpec(Settings, frozen=True):
    """Requirements for a disc, in mm. Sizes that are None are calculated.

    Attributes
    ----------
    hole_diameter
        The diameter of all holes.
    least_web : Minimum web
        The least material between holes and to every edge.
    bore_diameter
        The centre hole.
    outer_diameter : Disc diameter
        Empty: as small as possible.
    positions
        Bits per row. Empty: calculated.
    """

    hole_diameter: Hole = 3.0
    least_web: Annotated[float, control(step=0.1, soft=(0.5, 8), **LENGTH)] = 1.5
    bore_diameter: Bore = 8.0
    outer_diameter: Outer | None = None
    clock_radius: Length | None = None
    first_row_radius: Length | None = None
    row_pitch: Length | None = None
    positions: Annotated[int, control(step=1, soft=(16, 256), ge=1, le=MAX_BITS)] | None = None
    keep_out: tuple[KeepOut, ...] = ()


def _refuse(key: str, what: str) -> InputError:
    return InputError(what, place=f"geometry.{key}")


def check_geometry(g: Geometry | FitSpec) -> None:
    """Refuse sizes that contradict each other, whatever the disc holds.

    Raises
    ------
    InputError
        With the key, what is wrong, and what would be right.
    """
    rim, bore, hole = (g.outer_diameter or LARGEST) / 2, g.bore_diameter / 2, g.hole_diameter
    if bore >= rim:
        raise _refuse(
            "bore-diameter",
            f"a bore of {2 * bore:g} mm leaves nothing of a disc of {2 * rim:g} mm",
        )
    if g.row_pitch is not None and hole > g.row_pitch:
        raise _refuse(
            "hole-diameter",
            f"holes of {hole:g} mm are larger than the row pitch of {g.row_pitch:g} mm, so rows "
            "would overlap; use smaller holes or a larger pitch",
        )
    for key, radius in (("clock-radius", g.clock_radius), ("first-row-radius", g.first_row_radius)):
        if radius is not None and not bore < radius < rim:
            raise _refuse(
                key,
                f"{radius:g} mm is not on the disc, which reaches from the bore at {bore:g} mm to "
                f"the rim at {rim:g} mm",
            )
    for n, k in enumerate(g.keep_out):
        if g.outer_diameter is not None and k.radius + k.diameter / 2 > rim:
            raise _refuse(
                f"keep-out[{n}]",
                f"it reaches to {k.radius + k.diameter / 2:g} mm and the disc only to {rim:g} mm",
            )
        clock = g.clock_radius
        if clock is not None and abs(k.radius - clock) < (k.diameter + hole) / 2:
            raise _refuse(
                f"keep-out[{n}]",
                f"it lies on the clock row, whose holes reach from {clock - hole / 2:g} to "
                f"{clock + hole / 2:g} mm; move one of them",
            )


def row_radii(g: Geometry, layout: Layout, rows: int) -> NDArray[np.float64]:
    """The radius of each data row, in mm, shape (rows,)."""
    step = -g.row_pitch if layout.reading == "outside-in" else g.row_pitch
    return g.first_row_radius + step * np.arange(rows, dtype=np.float64)


def check_rows(g: Geometry, layout: Layout, rows: int) -> None:
    """Refuse more rows than a geometry has room for.

    Raises
    ------
    InputError
    """
    radii = row_radii(g, layout, rows)
    off = np.flatnonzero((radii <= g.bore_diameter / 2) | (radii >= g.outer_diameter / 2))
    if len(off):
        edge = "in the bore" if layout.reading == "outside-in" else "beyond the rim"
        raise _refuse(
            "row-pitch",
            f"row {off[0] + 1} of {rows:,} would be at radius {radii[off[0]]:g} mm, {edge}; "
            f"{off[0]} rows fit",
        )
    near = np.flatnonzero(np.abs(radii - g.clock_radius) < g.hole_diameter)
    if len(near):
        raise _refuse(
            "clock-radius",
            f"row {near[0] + 1}, at {radii[near[0]]:g} mm, overlaps the clock row at "
            f"{g.clock_radius:g} mm; keep them at least {g.hole_diameter:g} mm apart",
        )
