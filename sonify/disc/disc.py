"""The disc: a grid of bits with its code, layout and geometry, if known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

import sonify.hooks as hooks
from sonify.disc.code.code import Code, check_code
from sonify.disc.code.decoding import Decoding, decode_grid
from sonify.disc.code.encoding import encode_grid
from sonify.disc.layout import MAX_BITS, Layout
from sonify.disc.sizes import Geometry, check_geometry
from sonify.errors import InputError, plural

__all__ = ["Disc"]


@dataclass(frozen=True, eq=False)
class Disc:
    """A disc.

    Build one with `Disc.from_message`, `Disc.from_bits` or `sonify.load_disc`.

    Attributes
    ----------
    grid : ndarray of int8, shape (rows, positions)
        1, 0, and -1 for unknown. Row 0 is read first.
    layout : Layout
    code : Code or None
        None for bare bits, which have no message.
    geometry : Geometry or None
        None if no sizes were given.
    title : str
    credits : tuple of str
        Lines for the end of a clip.
    name : str
        A short name, used for files made from this disc.
    given_message : str or None
        The message that the disc was made from, if it was.
    """

    grid: NDArray[np.int8]
    layout: Layout = field(default_factory=Layout)
    code: Code | None = None
    geometry: Geometry | None = None
    title: str = ""
    credits: tuple[str, ...] = ()
    name: str = "disc"
    given_message: str | None = None

    def __post_init__(self) -> None:
        grid = self.grid
        if self.code is not None:
            check_code(self.code)
        if self.geometry is not None:
            check_geometry(self.geometry)
        if grid.ndim != 2 or 0 in grid.shape:
            raise InputError(f"a grid needs rows and positions; this one has shape {grid.shape}")
        if grid.shape[1] != self.layout.positions:
            raise InputError(
                f"the rows have {grid.shape[1]} positions and the layout {self.layout.positions}; "
                "make them the same",
                place="layout.positions",
            )
        grid.setflags(write=False)

    @property
    def _content(self) -> tuple[Any, ...]:
        how = (self.layout, self.code, self.geometry, self.title, self.credits)
        return (self.grid.shape, self.grid.tobytes(), *how)

    def __eq__(self, other: object) -> bool:
        """Whether two discs are alike in all but their names: bits, code, sizes and titles."""
        return self._content == other._content if isinstance(other, Disc) else NotImplemented

    def __hash__(self) -> int:
        return hash(self._content[:2])

    def __repr__(self) -> str:
        text = "" if self.message is None else f" {self.message[:40]!r}"
        rows = plural(self.rows, "row")
        return f"<Disc '{self.name}'{text}: {rows} of {self.positions}>"

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return hooks.shown(self)

    @property
    def display_name(self) -> str:
        """The title, or else the name."""
        return self.title or self.name

    @property
    def rows(self) -> int:
        """How many data rows there are."""
        return int(self.grid.shape[0])

    @property
    def positions(self) -> int:
        """How many positions a row has."""
        return int(self.grid.shape[1])

    @cached_property
    def decoding(self) -> Decoding | None:
        """The decoded characters and the verdict; None without a code."""
        return None if self.code is None else decode_grid(self.grid, self.code)

    @property
    def message(self) -> str | None:
        """The message that the bits decode to; None without a code."""
        return None if self.decoding is None else self.decoding.text

    @classmethod
    def from_message(
        cls,
        message: str,
        *,
        code: Code | None = None,
        layout: Layout | None = None,
        geometry: Geometry | None = None,
        title: str = "",
        credits: tuple[str, ...] = (),
        name: str = "disc",
    ) -> Disc:
        """A disc that carries a message.

        Raises
        ------
        InputError
            An empty message, a character that the alphabet lacks, or too many bits.

        Examples
        --------
        >>> Disc.from_message("FOG", layout=Layout(positions=8)).grid.tolist()[0]
        [1, 0, 0, 0, 1, 1, 0, 1]
        """
        code, layout = code or Code(), layout or Layout()
        grid = encode_grid(message, code, layout.positions)
        return cls(grid, layout, code, geometry, title, tuple(credits), name, message)

    @classmethod
    def from_bits(
        cls,
        bits: Sequence[str] | NDArray[np.int8],
        *,
        code: Code | None = None,
        layout: Layout | None = None,
        geometry: Geometry | None = None,
        title: str = "",
        credits: tuple[str, ...] = (),
        name: str = "disc",
    ) -> Disc:
        """A disc from its bits: one string of 0, 1 and ? for each row, or a grid.

        Without a layout, the length of the rows gives the positions.

        Raises
        ------
        InputError
            No rows, rows of unequal length, or anything but 0, 1 and ?.
        """
        if isinstance(bits, np.ndarray):
            grid = np.array(bits, np.int8)
        else:
            grid = grid_from_strings(bits)
        layout = layout or Layout(positions=int(grid.shape[1]))
        return cls(grid, layout, code, geometry, title, tuple(credits), name)


_NO_MARK = 9
_MARKS = np.full(128, _NO_MARK, np.int8)
_MARKS[[ord("0"), ord("1"), ord("?")]] = 0, 1, -1
_AT_ONCE = 1 << 16
_MARK_CHARS = np.frombuffer(b"?01", np.uint8)


def grid_from_strings(rows: Sequence[str]) -> NDArray[np.int8]:
    """A grid from strings of 0, 1 and ?, shape (rows, positions)."""
    if not rows or not rows[0]:
        raise InputError(
            "there are no bits; give one string of 0, 1 and ? for each row", place="bits"
        )
    width = len(rows[0])
    if width * len(rows) > MAX_BITS:
        raise InputError(
            f"{width * len(rows):,} positions are too many; at most {MAX_BITS:,}", place="bits"
        )
    for r, row in enumerate(rows):
        if len(row) != width:
            raise InputError(
                f"{len(row)} positions here and {width} in row 1; make them the same",
                place=f"bits, row {r + 1}",
            )
    grid = np.empty((len(rows), width), np.int8)
    # some rows at a time: code points take four times as much memory as bits
    most = max(1, _AT_ONCE // width)
    for first in range(0, len(rows), most):
        joined = "".join(rows[first : first + most])
        points = np.frombuffer(joined.encode("utf-32-le", "surrogatepass"), "<u4")
        bits = _MARKS[np.minimum(points, 127)]
        bad = np.flatnonzero(bits == _NO_MARK)
        if len(bad):
            at = int(bad[0])
            raise InputError(
                f"position {at % width + 1} is '{joined[at]}'; only 0, 1 and ? are bits",
                place=f"bits, row {first + at // width + 1}",
            )
        grid[first : first + most] = bits.reshape(-1, width)
    return grid


def grid_to_strings(grid: NDArray[np.int8]) -> list[str]:
    """A grid as strings of 0, 1 and ?, one for each row."""
    return [bytes(row).decode("ascii") for row in _MARK_CHARS[grid + 1]]
