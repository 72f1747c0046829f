"""Tables of holes: .csv with the columns x_mm, y_mm and diameter_mm."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from sonify.errors import InputError
from sonify.recover.sources.drawing.rounds import Rounds, circles_of
from sonify.settings import read_text

__all__ = ["NEEDED", "read_table"]

NEEDED = ("x_mm", "y_mm", "diameter_mm")
MARKS = ("engraving", "mark", "text")


def read_table(path: Path) -> Rounds:
    """A table of hole centres and diameters in mm: x to the right, y up, seen from the front.

    Raises
    ------
    InputError
        A line with too few values, or with one that is no number.
    """
    text = read_text(path)
    rows = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""))
    head: list[str] = []
    items = []
    for row in rows:
        if not row or not "".join(row).strip() or row[0].lstrip().startswith("#"):
            continue
        if not head:
            head = [c.strip().casefold() for c in row]
            columns = [head.index(n) for n in NEEDED]
            kind = head.index("kind") if "kind" in head else None
            continue
        try:
            if kind is not None and kind < len(row) and row[kind].strip().casefold() in MARKS:
                continue
            x, y, diameter = (float(row[c]) for c in columns)
        except (ValueError, IndexError):
            raise InputError(
                f"three numbers are needed in the columns {', '.join(NEEDED)}",
                file=path,
                place=f"line {rows.line_num}",
            ) from None
        if not (math.isfinite(x) and math.isfinite(y) and 0 < diameter < math.inf):
            raise InputError(
                "a hole needs a finite place and a diameter above 0",
                file=path,
                place=f"line {rows.line_num}",
            )
        items.append((x, y, diameter))
    return Rounds(circles_of(items))
