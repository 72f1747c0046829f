"""Tables of holes: .csv with the columns x_mm, y_mm and diameter_mm."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from sonify.errors import InputError
from sonify.recover.sources.drawing.rounds import Rounds, rounds_of
from sonify.settings import read_text

__all__ = ["NEEDED", "read_table"]

NEEDED = ("x_mm", "y_mm", "diameter_mm")
MARKS = ("engraving", "mark", "text")


def read_table(path: Path) -> Rounds:
    """A table of hole centres and diameters in mm: x to the right, y up, seen from the front.

    Raises
    ------
    InputError
        A line with too few values, or with one that is not a number.
    """
    rows = csv.reader(io.StringIO(read_text(path).removeprefix("\ufeff"), newline=""))
    head: list[str] = []
    items: list[tuple[float, float, float]] = []
    for row in rows:
        if not "".join(row).strip() or row[0].lstrip().startswith("#"):
            continue
        if not head:
            head = [c.strip().casefold() for c in row]
            continue
        cells = dict(zip(head, row, strict=False))
        if cells.get("kind", "").strip().casefold() in MARKS:
            continue
        try:
            x, y, diameter = (float(cells[name]) for name in NEEDED)
            fine = math.isfinite(x) and math.isfinite(y) and 0 < diameter < math.inf
        except (ValueError, KeyError):
            fine = False
        if not fine:
            raise InputError(
                f"{', '.join(NEEDED)} must be finite numbers, with a diameter above 0",
                file=path,
                place=f"line {rows.line_num}",
            )
        items.append((x, y, diameter))
    return rounds_of(items, ())
