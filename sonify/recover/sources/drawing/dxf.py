"""DXF drawings: every round outline in them, in mm."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.drawing.rounds import CIRCLES, Rounds, round_outlines

__all__ = ["read_dxf"]

MAX_BYTES = 256 * 1024 * 1024
MAX_ENTITIES = 400_000
# DXF reference, header variable $INSUNITS: unit number to mm
UNITS = {
    1: (25.4, "inches"),
    2: (304.8, "feet"),
    4: (1.0, "mm"),
    5: (10.0, "cm"),
    6: (1000.0, "m"),
    8: (25.4e-6, "microinches"),
    9: (0.0254, "mils"),
    10: (914.4, "yards"),
    13: (1e-3, "micrometres"),
    14: (100.0, "dm"),
}
LINES = {"LINE", "ARC", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "SPLINE"}


def _flat(entities: Any, path: Path, depth: int = 0) -> Iterator[Any]:
    """Entities with the blocks they insert unfolded."""
    if depth > 16:
        raise InputError("its blocks are nested more than 16 deep; explode them", file=path)
    for entity in entities:
        if entity.dxftype() == "INSERT":
            if entity.mcount > 1:
                for one in entity.multi_insert():
                    yield from _flat(one.virtual_entities(), path, depth + 1)
            else:
                yield from _flat(entity.virtual_entities(), path, depth + 1)
        else:
            yield entity


def read_dxf(path: Path) -> Rounds:
    """Every circle, and every line that is round to 5 %, with blocks and units applied.

    Raises
    ------
    InputError
        Not a DXF drawing, or more entities than can be meant.
    """
    from ezdxf import recover
    from ezdxf.lldxf.const import DXFError
    from ezdxf.path import make_path

    if path.stat().st_size > MAX_BYTES:
        raise InputError(
            f"{path.stat().st_size:,} bytes are too many for a drawing of a disc; "
            f"at most {MAX_BYTES:,}",
            file=path,
        )
    try:
        doc, _ = recover.readfile(str(path))
    except (DXFError, OSError, ValueError, KeyError, IndexError, TypeError) as e:
        raise InputError(
            f"this is not a DXF drawing that can be read ({str(e) or type(e).__name__})", file=path
        ) from None
    notes: list[str] = []
    unit = int(doc.header.get("$INSUNITS", 0))
    scale, _ = UNITS.get(unit, (1.0, ""))
    if unit not in UNITS:
        notes.append("the drawing names no unit; its numbers are taken as mm")
    exact: list[tuple[float, float, float]] = []
    lines: list[NDArray[np.float64]] = []
    odd = 0
    for count, entity in enumerate(_flat(doc.modelspace(), path)):
        if count > MAX_ENTITIES:
            raise InputError(
                f"it draws more than {MAX_ENTITIES:,} entities; keep only the disc's outlines",
                file=path,
            )
        kind = entity.dxftype()
        try:
            if kind == "CIRCLE":
                centre = entity.ocs().to_wcs(entity.dxf.center)
                exact.append((centre.x, centre.y, 2 * abs(float(entity.dxf.radius))))
            elif kind in LINES:
                outline = make_path(entity)
                for sub in outline.sub_paths():
                    size = max(_extent(sub), 1e-9)
                    points = np.array([(p.x, p.y) for p in sub.flattening(size * 1e-4, 8)], float)
                    if sub.is_closed and len(points) and np.any(points[0] != points[-1]):
                        points = np.concatenate([points, points[:1]])
                    lines.append(points)
        except (ValueError, TypeError, AttributeError, ZeroDivisionError):
            odd += 1
    if odd:
        notes.append(f"{odd} entities could not be understood and were left out")
    found = round_outlines(lines)
    circles = np.concatenate([np.array(exact, CIRCLES), found.circles])
    for name in ("x", "y", "diameter"):
        circles[name] *= scale
    return Rounds(circles, found.ignored, found.open_lines, tuple(notes))


def _extent(outline: Any) -> float:
    vertices = np.array([(v.x, v.y) for v in outline.control_vertices()], float)
    return float(np.ptp(vertices, axis=0).max()) if len(vertices) else 0.0
