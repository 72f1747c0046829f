"""The drawing as DXF: R2010, in mm, with a layer for each kind of line."""

from __future__ import annotations

import io

from sonify.export.drawing.drawing import GROUPS, Drawing
from sonify.progress import report

__all__ = ["dxf"]


def dxf(drawing: Drawing) -> bytes:
    """The drawing as a DXF document."""
    from ezdxf import units
    from ezdxf._options import options
    from ezdxf.filemanagement import new

    # or else each file has identifiers at random and the time of writing
    options.write_fixed_meta_data_for_testing = True

    doc = new("R2010", units=units.MM)
    doc.header["$MEASUREMENT"] = 1  # metric
    space = doc.modelspace()
    for done, group in enumerate(GROUPS.values()):
        report(done / (len(GROUPS) + 3))
        doc.layers.add(group.id, color=group.aci).description = group.title
        place = {"layer": group.id}
        circles, lines = drawing.of(group.id)
        for x, y, d, _ in circles.tolist():
            space.add_circle((x, y), d / 2, dxfattribs=place)
        for line in lines:
            space.add_lwpolyline(line.points.tolist(), close=line.closed, dxfattribs=place)
    for name in sorted(doc.entitydb.dxf_types_in_use()):  # a set, whose order is by chance
        doc.classes.add_class(name)
    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode(doc.output_encoding, "dxfreplace")
