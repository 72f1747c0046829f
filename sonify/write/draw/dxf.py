"""The drawing as DXF: R2010, millimetres, a layer each for what is cut and engraved."""

from __future__ import annotations

import io

from sonify.write.draw.drawing import GROUPS, Drawing

__all__ = ["dxf"]


def dxf(drawing: Drawing) -> bytes:
    """The drawing as a DXF document."""
    from ezdxf import units
    from ezdxf.enums import TextEntityAlignment
    from ezdxf.filemanagement import new

    doc = new("R2010", units=units.MM)
    doc.header["$MEASUREMENT"] = 1  # metric
    space = doc.modelspace()
    for group in GROUPS.values():
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
        for text in drawing.texts:
            if text.group == group.id:
                plain = "".join(c if c.isprintable() else " " for c in text.text)
                space.add_text(plain, height=text.height, dxfattribs=place).set_placement(
                    (text.x, text.y), align=TextEntityAlignment.MIDDLE_CENTER
                )
    stream = io.StringIO()
    doc.write(stream)
    return stream.getvalue().encode(doc.output_encoding, "dxfreplace")
