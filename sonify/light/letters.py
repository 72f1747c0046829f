"""The letters of the LED matrix: pictures of characters, and text set in them.

The set that ships is drawn in ``letters.txt`` beside this file, which explains its own format.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

SET_HEIGHT = 7  # rows of the set that ships

# controls that occur in ordinary text
_AS_SPACE = str.maketrans("\t\n\r", "   ")


@dataclass(frozen=True, eq=False)
class Letters:
    """Pictures of characters, all of one height.

    Attributes
    ----------
    height : int
        Rows of every picture.
    pictures : mapping of int to ndarray of bool, shape (height, width)
        The picture of each code point; True where a lamp is lit. The space is among them.
    box : ndarray of bool, shape (height, width)
        The picture of every other character.
    spacing : int
        Dark columns between two characters; 0 where the pictures include them.
    """

    height: int
    pictures: Mapping[int, BoolArray]
    box: BoolArray
    spacing: int = 1

    @property
    def characters(self) -> str:
        """All characters that have a picture, by code point."""
        return "".join(map(chr, sorted(self.pictures)))

    @property
    def cells(self) -> list[BoolArray]:
        """All pictures by code point, and the box last."""
        return [*(self.pictures[code] for code in sorted(self.pictures)), self.box]

    def covers(self, char: str) -> bool:
        """Whether a character has a picture of its own, and not the box."""
        return ord(char.translate(_AS_SPACE)) in self.pictures

    def glyph(self, char: str) -> BoolArray:
        """The picture of one character, shape (height, width)."""
        return self.pictures.get(ord(char.translate(_AS_SPACE)), self.box)


@lru_cache(maxsize=1)
def load_letters() -> Letters:
    """The set that ships: printable ASCII, the letters and signs of Latin-1, and the box."""
    source = Path(__file__).with_name("letters.txt").read_text(encoding="utf-8")
    lines = [line for line in source.splitlines() if line.strip() and not line.startswith(";")]
    pictures: dict[str, BoolArray] = {}
    for first in range(0, len(lines), 1 + SET_HEIGHT):
        header, *rows = lines[first : first + 1 + SET_HEIGHT]
        picture = np.array([[pixel == "#" for pixel in row.rstrip()] for row in rows])
        picture.setflags(write=False)
        pictures[header.split()[0]] = picture
    box = pictures.pop("box")
    return Letters(SET_HEIGHT, {int(name[2:], 16): p for name, p in pictures.items()}, box)


def missing(text: str, letters: Letters) -> list[str]:
    """The distinct characters of a text that show as the box, by code point."""
    return sorted(char for char in set(text) if not letters.covers(char))


def text_columns(text: str, letters: Letters, height: int = 8) -> tuple[BoolArray, IntArray]:
    """Set a text as one long strip of columns.

    Tab, line feed and carriage return are shown as a space; any other character without a picture
    as the box. Letters lower than the strip are centred, with the odd row below.

    Returns
    -------
    columns : ndarray of bool, shape (height, total)
        True where a lamp is lit.
    starts : ndarray of int64, shape (len(text),)
        First column of each character.

    Raises
    ------
    InputError
        If the letters are higher than the strip.
    """
    if height < letters.height:
        raise InputError(
            f"the letters are {letters.height} rows high and the matrix has {height}; "
            f"give it at least {letters.height} rows or use smaller letters"
        )
    above, gap = (height - letters.height) // 2, letters.spacing
    # surrogatepass: a lone surrogate is just another character without a picture
    coded = text.translate(_AS_SPACE).encode("utf-32-le", "surrogatepass")
    codes, which = np.unique(np.frombuffer(coded, "<u4"), return_inverse=True)
    pictures = [letters.pictures.get(code, letters.box) for code in codes.tolist()]
    widths = np.array([picture.shape[1] + gap for picture in pictures], dtype=np.int64)
    atlas = np.zeros((height, widths.sum()), np.bool_)
    for picture, end in zip(pictures, np.cumsum(widths).tolist(), strict=True):
        wide = picture.shape[1]
        atlas[above : above + letters.height, end - gap - wide : end - gap] = picture
    advance = widths[which]
    starts = np.cumsum(advance) - advance
    source = np.repeat((np.cumsum(widths) - widths)[which] - starts, advance)
    source += np.arange(len(source))
    return np.take(atlas, source[: max(len(source) - gap, 0)], axis=1), starts
