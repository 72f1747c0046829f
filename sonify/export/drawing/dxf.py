"""The drawing as DXF: R2010 or R12, in mm, with a layer for each kind of line."""

from __future__ import annotations

import io
import logging
from typing import Literal

from sonify.export.drawing.drawing import GROUPS, Drawing
from sonify.extras import load_ezdxf
from sonify.progress import report

__all__ = ["dxf"]


def dxf(drawing: Drawing, dxf_version: Literal["r2010", "r12"] = "r2010") -> bytes:
    """The drawing as a DXF document. R12 is for old programs; it does not tell its units."""
    load_ezdxf()
    from ezdxf import units
    from ezdxf._options import options
    from ezdxf.filemanagement import new

    # or else each file has identifiers at random and the time of writing
    options.write_fixed_meta_data_for_testing = True

    # it warns that R12 does not tell its units, as the help does
    logging.getLogger("ezdxf").setLevel(logging.ERROR)
    old = dxf_version == "r12"
    doc = new(dxf_version.upper(), units=0 if old else units.MM)
    if not old:
        doc.header["$MEASUREMENT"] = 1  # metric
    space = doc.modelspace()
    # what the header gives as $EXTMIN and $EXTMAX
    low, high = (tuple(corner) for corner in drawing.extent.tolist())
    space.reset_extents((*low, 0), (*high, 0))
    polyline = space.add_polyline2d if old else space.add_lwpolyline
    for done, group in enumerate(GROUPS.values()):
        report(done / (len(GROUPS) + 3))
        layer = doc.layers.add(group.id, color=group.aci)
        if not old:
            layer.description = group.title
        place = {"layer": group.id}
        circles, lines = drawing.of(group.id)
        for x, y, d, _ in circles.tolist():
            space.add_circle((x, y), d / 2, dxfattribs=place)
        for line in lines:
            polyline(line.points.tolist(), close=line.closed, dxfattribs=place)
    for name in sorted(doc.entitydb.dxf_types_in_use()):  # a set, whose order is by chance
        doc.classes.add_class(name)
    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode(doc.output_encoding, "dxfreplace")
