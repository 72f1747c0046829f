"""CSV, read back by the standard library."""

from __future__ import annotations

import csv as table
import io

from sonify.export.drawing.drawing_formats import draw
from tests.export.drawing.expected import same


def test_csv(way):
    drawing, wanted = way
    rows = list(table.DictReader(io.StringIO(draw(drawing, ".csv").decode("ascii"))))
    assert list(rows[0]) == ["x_mm", "y_mm", "diameter_mm", "kind"]
    kinds = {"hole": "holes", "clock": "clock-row", "bore": "bore", "outline": "outline",
             "keep-out": "keep-outs"}  # fmt: skip
    found: dict[str, list] = {}
    for row in rows:
        numbers = tuple(float(row[c]) for c in ("x_mm", "y_mm", "diameter_mm"))
        found.setdefault(kinds[row["kind"]], []).append(numbers)
    for name in wanted:
        same(found[name], wanted[name])
