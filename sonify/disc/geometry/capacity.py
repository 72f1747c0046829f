"""How much a disc holds: what is wanted of it, its free rings, and hole against web and size."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.disc.code.code import Code
from sonify.disc.code.encoding import message_units, room
from sonify.disc.layout import MAX_BITS
from sonify.disc.sizes import LENGTH, Bore, Hole, KeepOut, Length, Outer
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = [
    "LARGEST",
    "SLACK",
    "FitSpec",
    "Room",
    "bands_of",
    "characters_that_fit",
    "check_wish",
    "room_on",
    "sizes",
    "turn_of",
]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]

LARGEST = 10_000.0
"""The largest disc, in mm."""
SLACK = 1e-7
"""What sizes may differ by in the last place."""


class FitSpec(Settings, frozen=True):
    """What is wanted of a disc, in mm. What is None is to be found.

    Attributes
    ----------
    hole_diameter
        Of all holes.
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


class Room(NamedTuple):
    """What a disc holds at most: code units, on so many positions and rows."""

    units: int
    positions: int
    rows: int


def turn_of(positions: Index) -> Reals:
    """Radius of a row over the chord between its neighbouring positions."""
    safe = np.maximum(positions, 2)
    return np.where(positions < 2, 0.0, 1 / (2 * np.sin(np.pi / safe)))


def bands_of(spec: FitSpec) -> list[tuple[float, float]]:
    """The free rings between bore, keep-outs and rim: inner and outer radius of each."""
    low = spec.bore_diameter / 2
    rim = LARGEST / 2 if spec.outer_diameter is None else spec.outer_diameter / 2
    out = []
    for k in sorted(spec.keep_out, key=lambda k: k.radius - k.diameter / 2):
        inner, outer = k.radius - k.diameter / 2, k.radius + k.diameter / 2
        if min(inner, rim) > low:
            out.append((low, min(inner, rim)))
        low = max(low, outer)
    if rim > low:
        out.append((low, rim))
    return out


def check_wish(spec: FitSpec) -> None:
    """Refuse what can't be, before anything is tried."""
    if spec.outer_diameter is not None:
        if spec.bore_diameter >= spec.outer_diameter:
            raise InputError(
                f"a bore of {spec.bore_diameter:g} mm leaves nothing of a disc of "
                f"{spec.outer_diameter:g} mm",
                place="geometry.bore-diameter",
            )
        for n, k in enumerate(spec.keep_out):
            if k.radius + k.diameter / 2 > spec.outer_diameter / 2:
                raise InputError(
                    f"it reaches to {k.radius + k.diameter / 2:g} mm and the disc only to "
                    f"{spec.outer_diameter / 2:g} mm",
                    place=f"geometry.keep-out[{n}]",
                )
    if spec.row_pitch is not None and spec.row_pitch < spec.hole_diameter + spec.least_web:
        raise InputError(
            f"a row pitch of {spec.row_pitch:g} mm is less than a hole of "
            f"{spec.hole_diameter:g} mm and a web of {spec.least_web:g} mm",
            place="geometry.row-pitch",
        )
    for key, radius in (
        ("clock-radius", spec.clock_radius),
        ("first-row-radius", spec.first_row_radius),
    ):
        if radius is None:
            continue
        if spec.outer_diameter is not None and radius >= spec.outer_diameter / 2:
            raise InputError(
                f"{radius:g} mm is not on a disc of {spec.outer_diameter:g} mm, whose rim lies at "
                f"{spec.outer_diameter / 2:g} mm",
                place=f"geometry.{key}",
            )
        if radius <= spec.bore_diameter / 2:
            raise InputError(
                f"{radius:g} mm is in the bore, which reaches to {spec.bore_diameter / 2:g} mm",
                place=f"geometry.{key}",
            )
    for n, k in enumerate(spec.keep_out):
        clear = (k.diameter + spec.hole_diameter) / 2
        if spec.clock_radius is not None and abs(k.radius - spec.clock_radius) < clear:
            raise InputError("it lies on the clock row", place=f"geometry.keep-out[{n}]")


def room_on(spec: FitSpec, code: Code) -> Room:
    """What a disc of a given diameter holds at most, at the least web."""
    if spec.outer_diameter is None:
        raise InputError("how much a disc holds depends on its outer diameter; give one")
    d, q = spec.hole_diameter, spec.hole_diameter + spec.least_web
    best = Room(0, 0, 0)
    for low, high in bands_of(spec):
        if spec.positions is None:
            n = np.arange(1, max(3, int(2 * np.pi * high / q) + 2))
        else:
            n = np.array([spec.positions], np.int64)
        rows = np.minimum((high + d / 2) / q - 1 - turn_of(n), (high + d - low) / q - 2)
        rows = np.floor(rows + SLACK).astype(np.int64)
        n, rows = n[rows > 0], rows[rows > 0]
        if not len(n):
            continue
        # but for roundings the number of bits is all that counts, and with reed-solomon the rows
        best_first = np.argsort(-(n * rows), kind="stable")
        for k in best_first[: 2000 if code.check == "reed-solomon" else 24].tolist():
            held = room(int(rows[k]), int(n[k]), code)
            if held > best.units:
                best = Room(held, int(n[k]), int(rows[k]))
    return best


def characters_that_fit(text: str, code: Code, units: int) -> int:
    """How many characters of a text, from its start, so many code units hold."""
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if len(message_units(text[:middle], code)) <= units:
            low = middle
        else:
            high = middle - 1
    return low


def sizes(
    code: Code,
    spec: FitSpec,
    diameters: Iterable[float] = (60, 90, 120, 150, 180, 240, 300, 400),
    holes: Iterable[float] = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0),
) -> list[tuple[float, float, float, Room]]:
    """The trade of hole, web and capacity: hole, web and outer diameter in mm, and the room.

    For each hole, two webs: the spec's least one, and one as wide as the hole is.
    """
    out = []
    for hole in holes:
        for web in sorted({spec.least_web, max(spec.least_web, hole)}):
            for diameter in diameters:
                one = msgspec.structs.replace(
                    spec, hole_diameter=hole, least_web=web, outer_diameter=diameter
                )
                out.append((hole, web, float(diameter), room_on(one, code)))
    return out
