"""Wiring: where each lamp of the matrix is on the strip that feeds it."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix, Panel
from sonify.errors import InputError, close_matches, plural
from sonify.input_file import input_file
from sonify.ranges import chosen

__all__ = ["WIRINGS", "Wiring", "check_strip", "read_map"]

WIRINGS = ("rows", "columns", "serpentine-rows", "serpentine-columns")
_CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")
_PLACE = "player.matrix"
MOST_STRIP = 65_535
"""Own limit: what the firmware counts to, and one number for no lamp."""
_MOST_BYTES = 16 * 1024 * 1024

Index = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Wiring:
    """The strip of a matrix.

    Attributes
    ----------
    strip : ndarray of int64, shape (height, width)
        The number of each lamp on the strip, from 0; -1 where there is none.
    length : int
        Lamps on the strip, with those that have no place on the matrix.
    panels : tuple of Panel
    """

    strip: Index
    length: int
    panels: tuple[Panel, ...]

    @classmethod
    def of(cls, matrix: Matrix) -> Wiring:
        """The wiring of a matrix.

        Raises
        ------
        InputError
            Panels that overlap or leave the matrix, places and lamps that don't exist, or a map
            that can't be read.
        """
        panels = matrix.panels or (
            Panel(column=1, row=1, width=matrix.width, height=matrix.height),
        )
        shape = (matrix.height, matrix.width)
        if matrix.wiring.casefold().endswith(".csv"):
            for key in ("panels", "missing", "gaps"):
                if getattr(matrix, key):
                    raise InputError(
                        f"{matrix.wiring} says where every lamp is; leave this out",
                        place=f"{_PLACE}.{key}",
                    )
            strip = read_map(Path(matrix.wiring), shape)
            return cls(strip, int(strip.max(initial=-1)) + 1, ())
        if matrix.wiring not in WIRINGS:
            near = close_matches(matrix.wiring, WIRINGS)
            raise InputError(
                f"there is no wiring '{matrix.wiring}'{near}; one of: {', '.join(WIRINGS)}, or "
                "the path of a .csv file",
                place=f"{_PLACE}.wiring",
            )
        strip = np.full(shape, -1, np.int64)
        first = 0
        for n, panel in enumerate(panels):
            top, left = panel.row - 1, panel.column - 1
            part = strip[top : top + panel.height, left : left + panel.width]
            place = f"{_PLACE}.panels[{n}]"
            if part.shape != (panel.height, panel.width):
                raise InputError(
                    f"it does not fit on the matrix of {matrix.width} x {matrix.height} lamps",
                    place=place,
                )
            if (part >= 0).any():
                raise InputError("it overlaps a panel before it", place=place)
            part[:] = first + _panel(matrix, panel)
            first += part.size
        for column, row in matrix.missing:
            if row > matrix.height or column > matrix.width or strip[row - 1, column - 1] < 0:
                raise InputError(
                    f"there is no lamp in column {column}, row {row} to leave out",
                    place=f"{_PLACE}.missing",
                )
            strip[row - 1, column - 1] = -1
        return cls(*_numbered(strip, matrix.gaps), panels)

    @property
    def order(self) -> Index:
        """Where the lamps of the strip lie, as y * width + x, along the strip; -1 for nowhere."""
        flat = self.strip.reshape(-1)
        out = np.full(self.length, -1, np.int64)
        out[flat[flat >= 0]] = np.flatnonzero(flat >= 0)
        return out


def _panel(matrix: Matrix, panel: Panel) -> Index:
    """The numbers of a panel's lamps as it is mounted, from 0."""
    size = (panel.height, panel.width)
    height, width = size if panel.turned % 180 == 0 else size[::-1]
    columns = matrix.wiring.endswith("columns")
    runs, each = (width, height) if columns else (height, width)
    out = np.arange(runs * each).reshape(runs, each)
    if matrix.wiring.startswith("serpentine"):
        out[1::2] = out[1::2, ::-1]
    out = out.T if columns else out
    up, right = matrix.first_lamp.startswith("bottom"), matrix.first_lamp.endswith("right")
    out = out[:: -1 if up else 1, :: -1 if right != panel.mirrored else 1]
    return np.rot90(out, -(panel.turned // 90))


def _numbered(strip: Index, gaps: str) -> tuple[Index, int]:
    """The strip numbered anew without missing lamps and with gaps, and its length."""
    flat = strip.reshape(-1)
    there = np.flatnonzero(flat >= 0)
    most = MOST_STRIP
    free = np.ones(most, bool)
    if gaps:
        free = ~chosen(gaps, most, f"{_PLACE}.gaps")
    numbers = np.flatnonzero(free)
    if len(numbers) < len(there):
        raise InputError(
            f"{plural(len(there), 'lamp')} and the gaps don't fit on a strip of {most:,}; give "
            "the gaps an end",
            place=f"{_PLACE}.gaps",
        )
    out = np.full(flat.shape, -1, np.int64)
    out[there[np.argsort(flat[there])]] = numbers[: len(there)]
    last = int(numbers[len(there) - 1]) + 1 if len(there) else 0
    return out.reshape(strip.shape), last


def read_map(path: Path, shape: tuple[int, int]) -> Index:
    """A free table of lamps: the columns `column`, `row` and `lamp`, all counted from 1.

    Parameters
    ----------
    path : Path
    shape : (int, int)
        Height and width of the matrix.

    Returns
    -------
    ndarray of int64, shape (height, width)
        The number of each lamp on the strip, from 0; -1 where the table has none.
    """
    with input_file(path, _MOST_BYTES):
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    rows = csv.DictReader(text.splitlines())
    wanted = ("column", "row", "lamp")
    if missing := [key for key in wanted if key not in (rows.fieldnames or ())]:
        raise InputError(
            f"the column '{missing[0]}' is missing; the first line must be column,row,lamp",
            file=path,
        )
    out = np.full(shape, -1, np.int64)
    seen: dict[int, int] = {}
    for line, row in enumerate(rows, 2):
        place = f"line {line}"
        try:
            x, y, lamp = (int(row[key]) for key in wanted)
        except (TypeError, ValueError):
            raise InputError("three whole numbers are needed", file=path, place=place) from None
        if not (1 <= x <= shape[1] and 1 <= y <= shape[0]):
            raise InputError(
                f"column {x}, row {y} is not on the matrix of {shape[1]} x {shape[0]} lamps",
                file=path, place=place,
            )  # fmt: skip
        if not 1 <= lamp <= MOST_STRIP:
            raise InputError(
                f"lamp {lamp} is out of range; from 1 to {MOST_STRIP:,}", file=path, place=place
            )
        if lamp in seen or out[y - 1, x - 1] >= 0:
            what = f"lamp {lamp}" if lamp in seen else f"column {x}, row {y}"
            raise InputError(f"{what} is there twice", file=path, place=place)
        seen[lamp] = line
        out[y - 1, x - 1] = lamp - 1
    return out


def check_strip(matrix: Matrix, seen: Index) -> list[str]:
    """Compare where lamps of a real strip were seen with the wiring.

    Parameters
    ----------
    matrix : Matrix
    seen : ndarray of int64, shape (height, width)
        As `Wiring.strip`.

    Returns
    -------
    list of str
        What differs, and settings that agree with what was seen; empty if all is as wired.
    """
    from msgspec.structs import replace

    wiring = Wiring.of(matrix)
    if (wiring.strip == seen).all():
        return []
    told = []
    where = {int(n): divmod(k, matrix.width) for k, n in enumerate(seen.flat) if n >= 0}
    order = wiring.order
    wrong = [n for n, k in enumerate(order.tolist()) if k >= 0
             and where.get(n) != divmod(k, matrix.width)]  # fmt: skip
    if wrong:
        n = wrong[0]
        y, x = divmod(int(order[n]), matrix.width)
        found = where.get(n)
        at = "was not seen" if found is None else f"was seen in column {found[1] + 1}, " \
            f"row {found[0] + 1}"  # fmt: skip
        told.append(
            f"{plural(len(wrong), 'lamp')} of {int((order >= 0).sum()):,} "
            f"{'differs' if len(wrong) == 1 else 'differ'}; the first is lamp {n + 1}, which "
            f"should be in column {x + 1}, row {y + 1} and {at}"
        )
    if extra := sorted(set(where) - set(np.flatnonzero(order >= 0).tolist())):
        told.append(
            f"{plural(len(extra), 'lamp')} more than the wiring has on the matrix, the first is "
            f"lamp {extra[0] + 1}"
        )
    near = []
    for name, corner in product(WIRINGS, _CORNERS):
        tried = replace(matrix, wiring=name, first_lamp=corner)
        share = float((Wiring.of(tried).strip == seen)[seen >= 0].mean()) if where else 0.0
        near.append((-share, name, corner))
    share, name, corner = min(near)
    if -share > 0.9:
        whole = "all lamps" if share == -1 else f"{-100 * share:.0f} % of the lamps"
        told.append(f'{whole} seen agree with wiring = "{name}" and first-lamp = "{corner}"')
    return told
