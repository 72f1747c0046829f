"""The drawing as DXF: R2010, millimetres, a layer each for what is cut and engraved."""

from __future__ import annotations

import io

from sonify.export.drawing.drawing import GROUPS, Drawing
from sonify.progress import report

__all__ = ["dxf"]


def dxf(drawing: Drawing) -> bytes:
    """The drawing as a DXF document."""
    from ezdxf import units
    from ezdxf.filemanagement import new

    doc = new("R2010", units=units.MM)
    doc.header["$MEASUREMENT"] = 1  # metric
    space = doc.modelspace()
    for done, group in enumerate(GROUPS.values()):
        report(done / (len(GROUPS) + 3))
        layer = doc.layers.add(group.id, color=group.aci)
        layer.description = group.title
        place = {"layer": group.id}
        circles = drawing.circles.get(group.id)
        if circles is not None:
            for x, y, d in zip(
                circles["x_mm"].tolist(),
                circles["y_mm"].tolist(),
                circles["diameter_mm"].tolist(),
                strict=True,
            ):
                space.add_circle((x, y), d / 2, dxfattribs=place)
        for line in drawing.lines:
            if line.group == group.id:
                space.add_lwpolyline(line.points.tolist(), close=line.closed, dxfattribs=place)
    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode(doc.output_encoding, "dxfreplace")
