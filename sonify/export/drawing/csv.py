"""The drawing as a table: a line for each circle that is cut or kept clear."""

from __future__ import annotations

from sonify.export.drawing.drawing import GROUPS, Drawing

__all__ = ["COLUMNS", "KINDS", "csv"]

COLUMNS = "x_mm,y_mm,diameter_mm,kind"
KINDS = {
    "holes": "hole",
    "clock-row": "clock",
    "bore": "bore",
    "outline": "outline",
    "keep-outs": "keep-out",
}


def csv(drawing: Drawing) -> bytes:
    """Centres and diameters, x to the right and y up."""
    out = [COLUMNS]
    for name in GROUPS:
        circles = drawing.circles.get(name)
        if circles is None:
            continue
        out.extend(
            f"{x + 0.0:.6f},{y + 0.0:.6f},{d!r},{KINDS[name]}"
            for x, y, d in zip(
                circles["x_mm"].round(6).tolist(),
                circles["y_mm"].round(6).tolist(),
                circles["diameter_mm"].tolist(),
                strict=True,
            )
        )
    return ("\n".join(out) + "\n").encode("ascii")
