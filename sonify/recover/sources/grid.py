"""Grids: bits as text, as a table, or as a NumPy array."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import Caution, InputError
from sonify.recover.sighting import Sighting, check_size
from sonify.settings import read_text

__all__ = ["read_grid_array", "read_grid_text", "sighting_of_grid"]

ZERO_MARKS = frozenset("0.-_·○□░◦◌oOnNfF")
ONE_MARKS = frozenset("1#Xx*+@●■█▮•yYtT")
UNKNOWN_MARK = "?"
_COMMENT = re.compile(r"^\s*(#(?![#.\-_01?]*\s*$)|;|//|%)")
_TRAILING = re.compile(r"\s+(#\s|//|;).*$")
_GAPS = re.compile(r"[\s,;|]+")


def sighting_of_grid(holes: NDArray[np.int8], *cautions: Caution) -> Sighting:
    """A grid of bits as given: certain except for the unknown ones."""
    return Sighting(
        kind="grid",
        holes=holes,
        confidence=(holes >= 0).astype(np.float32),
        start_known=True,
        order_known=True,
        sense_known=True,
        cautions=cautions,
    )


def _marks(lines: list[tuple[int, str]], path: Path) -> tuple[str, str]:
    """Which mark is a zero and which a one."""
    seen = set().union(*(set(bare) for _, bare in lines)) - {UNKNOWN_MARK}
    if seen <= {"0", "1"}:
        return "0", "1"
    if len(seen) > 2:
        counts = {c: sum(bare.count(c) for _, bare in lines) for c in seen}
        odd = min(counts, key=lambda c: (c in ZERO_MARKS | ONE_MARKS, counts[c], c))
        line = next(n for n, bare in lines if odd in bare)
        raise InputError(
            f"{len(seen)} different marks were found, '{odd}' among them; use two, such as 0 and "
            "1, and ? for unknown",
            file=path,
            place=f"line {line}",
        )
    if len(seen) == 1:
        only = seen.pop()
        return (only, "\0") if only in ZERO_MARKS else ("\0", only)
    a, b = sorted(seen)
    for zero, one in ((a, b), (b, a)):
        if ({zero, one} & ONE_MARKS == {one}) or ({zero, one} & ZERO_MARKS == {zero}):
            return zero, one
    raise InputError(
        f"the marks are '{a}' and '{b}', and nothing says which is a one; write 0 and 1", file=path
    )


def read_grid_text(path: Path) -> Sighting:
    """A grid in a .txt or .csv file: one line for each row.

    Two marks (0 and 1, or others such as ``.`` and ``#``), ``?`` for unknown; spaces, commas,
    semicolons and bars between them are ignored, as are empty lines and comments (``# ...``,
    ``// ...``, ``; ...``).

    Raises
    ------
    InputError
        No bits, more than two marks, or rows of unequal length (with the line).
    """
    lines = []
    for number, line in enumerate(read_text(path).removeprefix("\ufeff").splitlines(), 1):
        bare = _GAPS.sub("", _TRAILING.sub("", line))
        if bare and not _COMMENT.match(line):
            lines.append((number, bare))
    if not lines:
        raise InputError("it has no bits; write one line of 0, 1 and ? for each row", file=path)
    width = len(lines[0][1])
    check_size(len(lines), width, path)
    zero, one = _marks(lines, path)
    for number, bare in lines:
        if len(bare) != width:
            raise InputError(
                f"this row has {len(bare)} positions and the first one {width}; make them the same",
                file=path,
                place=f"line {number}",
            )
    points = np.frombuffer("".join(b for _, b in lines).encode("utf-32-le"), "<u4")
    holes = np.full(len(points), -1, np.int8)
    holes[points == ord(zero)] = 0
    holes[points == ord(one)] = 1
    cautions: tuple[Caution, ...] = ()
    if {zero, one} != {"0", "1"} and "\0" not in (zero, one):
        cautions = (Caution(f"'{one}' is read as a one and '{zero}' as a zero"),)
    return sighting_of_grid(holes.reshape(len(lines), width), *cautions)


def read_grid_array(array: NDArray[np.generic], path: Path) -> Sighting:
    """A grid in a .npy file, shape (rows, positions): 0, 1, and -1 or NaN for unknown.

    Raises
    ------
    InputError
        Another shape, or other values (with the place of the first).
    """
    if array.ndim != 2 or 0 in array.shape:
        raise InputError(
            f"its shape is {array.shape}; a grid has two dimensions, rows and positions", file=path
        )
    check_size(array.shape[0], array.shape[1], path)
    if array.dtype.kind not in "biuf":
        raise InputError(f"its values are {array.dtype}; numbers are needed", file=path)
    values = array.astype(np.int8) if array.dtype.kind == "b" else np.asarray(array)
    if values.dtype.kind == "f":
        values = np.where(np.isnan(values), -1, values)
    bad = np.argwhere((values != 0) & (values != 1) & (values != -1))
    if len(bad):
        r, p = (int(v) for v in bad[0])
        raise InputError(
            f"the value {values[r, p]} is not a bit; use 0, 1, and -1 for unknown",
            file=path,
            place=f"row {r + 1}, position {p + 1}",
        )
    return sighting_of_grid(values.astype(np.int8))
