"""The drawing as a table: one line for each circle."""

from __future__ import annotations

from sonify.export.drawing.drawing import Drawing

__all__ = ["csv"]

KINDS = {
    "keep-outs": "keep-out",
    "holes": "hole",
    "clock-row": "clock",
    "bore": "bore",
    "outline": "outline",
}


def csv(drawing: Drawing) -> bytes:
    """Centres and diameters; x to the right and y up."""
    out = ["x_mm,y_mm,diameter_mm,kind"]
    for name, kind in KINDS.items():
        for x, y, d, _ in drawing.circles[name].tolist():
            # + 0.0 makes zero of -0.0
            out.append(f"{round(x, 6) + 0.0:.6f},{round(y, 6) + 0.0:.6f},{d!r},{kind}")
    return ("\n".join(out) + "\n").encode("ascii")
