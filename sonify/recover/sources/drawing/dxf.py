"""DXF drawings: every round outline in them, in mm."""

from __future__ import annotations

import io
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.extras import load_ezdxf
from sonify.input_file import input_file
from sonify.recover.sources.drawing.rounds import Rounds, rounds_of

__all__ = ["read_dxf"]

MAX_BYTES = 256 * 1024 * 1024
MAX_ENTITIES = 400_000
# DXF reference, header variable $INSUNITS: unit number to mm
UNITS = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 8: 25.4e-6, 9: 0.0254, 10: 914.4,
         13: 1e-3, 14: 100.0}  # fmt: skip
LINES = {"LINE", "ARC", "ELLIPSE", "LWPOLYLINE", "POLYLINE", "SPLINE"}


def _flat(entities: Any, path: Path, depth: int = 0) -> Iterator[Any]:
    """Entities, with inserted blocks exploded."""
    if depth > 16:
        raise InputError("its blocks are nested more than 16 deep; explode them", file=path)
    for entity in entities:
        if entity.dxftype() != "INSERT":
            yield entity
            continue
        for one in entity.multi_insert() if entity.mcount > 1 else [entity]:
            yield from _flat(one.virtual_entities(), path, depth + 1)


def read_dxf(path: Path) -> Rounds:
    """Every circle, and every line that is round within 5 %, with blocks and units applied.

    Raises
    ------
    InputError
        Not a DXF drawing, or far too many entities.
    """
    load_ezdxf()
    from ezdxf import recover
    from ezdxf.path import make_path

    with input_file(path, MAX_BYTES):
        data = io.BytesIO(path.read_bytes())
    # what it recovers from is told by its exceptions alone
    logging.getLogger("ezdxf").addHandler(logging.NullHandler())
    try:
        doc, _ = recover.read(data)
    # a damaged file makes ezdxf raise nearly anything
    except Exception as e:
        raise InputError(
            f"this is not a DXF drawing that can be read ({str(e) or type(e).__name__})", file=path
        ) from None
    notes: list[str] = []
    unit = int(doc.header.get("$INSUNITS", 0))
    scale = UNITS.get(unit, 1.0)
    if unit not in UNITS:
        notes.append("the drawing names no unit; its numbers are read as mm")
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
                for sub in make_path(entity).sub_paths():
                    corners = np.array([(v.x, v.y) for v in sub.control_vertices()], float)
                    size = float(np.ptp(corners, axis=0).max()) if len(corners) else 0.0
                    fine = sub.flattening(max(size, 1e-9) * 1e-4, 8)
                    points = np.array([(p.x, p.y) for p in fine], float)
                    if sub.is_closed and len(points) and np.any(points[0] != points[-1]):
                        points = np.concatenate([points, points[:1]])
                    lines.append(points)
        except (ValueError, TypeError, AttributeError, ZeroDivisionError):
            odd += 1
    if odd:
        notes.append(f"{odd} entities could not be understood and were left out")
    return rounds_of(exact, lines, (scale, scale), notes=notes)
