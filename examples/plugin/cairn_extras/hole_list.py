"""A source: a text with a line for each row, which names the positions that have holes.

The first line has the number of positions: `56`, then `1 5 6 8`, and so on.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from sonify.errors import InputError
from sonify.recover.sighting import Sighting
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import Source


def read(path: Path, options: ReadOptions) -> Sighting:
    """Read the list in the order in which the player reads the disc."""
    first, *rows = path.read_text(encoding="utf-8").splitlines()
    holes = np.zeros((len(rows), int(first)), np.int8)
    for row, line in enumerate(rows):
        for word in line.split():
            if not 1 <= int(word) <= holes.shape[1]:
                raise InputError(
                    f"position {word} is not on a row of {first}", file=path, place=f"row {row + 1}"
                )
            holes[row, int(word) - 1] = 1
    sure = np.ones(holes.shape, np.float32)
    return Sighting("hole list", holes, sure, start_known=True, order_known=True, sense_known=True)


HOLES = Source("hole list", (".holes",), read)
