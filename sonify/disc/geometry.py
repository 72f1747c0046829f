"""The geometry: the sizes of a disc, in mm."""

from __future__ import annotations

from typing import Annotated

import msgspec

from sonify.settings import Settings

__all__ = ["Geometry", "KeepOut"]

Length = Annotated[float, msgspec.Meta(gt=0, le=10_000)]


class KeepOut(Settings, frozen=True):
    """A place that no hole may touch, such as a magnet or a screw.

    `angle` is in degrees clockwise, seen from the front, with 0 at twelve o'clock.
    """

    radius: Annotated[float, msgspec.Meta(ge=0, le=10_000)]
    angle: float
    diameter: Length


class Geometry(Settings, frozen=True):
    """The `[geometry]` section. All lengths in mm.

    `first_row_radius` is the radius of the row read first; the next ones follow at `row_pitch`,
    inwards or outwards as the layout says.
    """

    outer_diameter: Length = 180.0
    bore_diameter: Length = 8.0
    clock_radius: Length = 84.0
    first_row_radius: Length = 77.0
    row_pitch: Length = 6.0
    hole_diameter: Length = 3.0
    keep_out: tuple[KeepOut, ...] = ()
