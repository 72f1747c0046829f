"""The letters of the LED matrix: pictures of characters, and text set in them.

The set that ships is drawn in ``letters.txt`` beside this file, which explains its own form.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

SET_HEIGHT = 7
"""Rows of the set that ships."""

SHOWN_AS_SPACE = "\t\n\r"
"""Controls that stand in ordinary text; they take the picture of the space."""

MAX_CODE = 0x10FFFF
"""The last code point of Unicode."""

_SPACE = 0x20
_PIXELS = {"#": True, ".": False}


@dataclass(frozen=True, eq=False)
class Letters:
    """Pictures of characters, all of one height, held side by side in one atlas.

    Build one with :func:`load_letters`, :meth:`from_pictures` or ``sonify.light.fonts.load_font``.

    Attributes
    ----------
    height : int
        Rows of every picture.
    spacing : int
        Dark columns that belong between two characters; 0 where the pictures bring their own.
    codes : ndarray of int64, shape (n,)
        Code points that have a picture, rising.
    starts, widths : ndarray of int64, shape (n + 1,)
        First column and number of columns of each picture in the atlas; the last is the box.
    atlas : ndarray of bool, shape (height, columns)
        True where a lamp is lit.
    """

    height: int
    spacing: int
    codes: IntArray
    starts: IntArray
    widths: IntArray
    atlas: BoolArray

    @classmethod
    def from_pictures(
        cls, height: int, pictures: Mapping[int, BoolArray], box: BoolArray, spacing: int = 1
    ) -> Letters:
        """Gather pictures into one set.

        Parameters
        ----------
        height : int
            Rows of every picture, at least 1.
        pictures : mapping of int to ndarray of bool, shape (height, width)
            A picture for each code point. A space is added where there is none: a dark one, about
            half as wide as it is high.
        box : ndarray of bool, shape (height, width)
            The picture of every other character.
        spacing : int
            Dark columns between two characters.

        Raises
        ------
        InputError
            If a picture has another height.
        """
        table = dict(pictures)
        table.setdefault(_SPACE, np.zeros((height, max(1, (height - 1) // 2)), dtype=np.bool_))
        codes = sorted(table)
        columns = [*(table[code] for code in codes), box]
        for code, picture in zip([*codes, None], columns, strict=True):
            if picture.ndim != 2 or picture.shape[0] != height:
                name = "the box" if code is None else f"U+{code:04X}"
                raise InputError(
                    f"the picture of {name} has the shape {picture.shape}; it needs {height} rows"
                )
        widths = np.array([picture.shape[1] for picture in columns], dtype=np.int64)
        atlas = np.concatenate(columns, axis=1).astype(np.bool_)
        arrays = (np.array(codes, dtype=np.int64), np.cumsum(widths) - widths, widths, atlas)
        for array in arrays:
            array.setflags(write=False)
        return cls(height, spacing, *arrays)

    @property
    def box(self) -> BoolArray:
        """The picture of every character that has none of its own, shape (height, width)."""
        return self._picture(self.codes.size)

    @property
    def characters(self) -> str:
        """All characters that have a picture, in the order of their code points."""
        return "".join(map(chr, self.codes.tolist()))

    def covers(self, char: str) -> bool:
        """Tell whether a character is shown as itself: False where the box takes its place."""
        return bool(self.indices(char)[0] < self.codes.size)

    def glyph(self, char: str) -> BoolArray:
        """Return the picture of one character, shape (height, width), read-only."""
        if len(char) != 1:
            raise InputError(f"a glyph is of one character, not of {len(char)}")
        return self._picture(int(self.indices(char)[0]))

    def indices(self, text: str) -> IntArray:
        """Return the place of each character's picture in the set; ``codes.size`` is the box."""
        codes = _code_points(text)
        places = np.searchsorted(self.codes, codes)
        found = self.codes[np.minimum(places, self.codes.size - 1)] == codes
        return np.where(found, places, self.codes.size).astype(np.int64)

    def _picture(self, index: int) -> BoolArray:
        first = int(self.starts[index])
        return self.atlas[:, first : first + int(self.widths[index])]


def _code_points(text: str) -> IntArray:
    # surrogatepass: a lone surrogate is one more character without a picture, not a reason to stop.
    codes = np.frombuffer(text.encode("utf-32-le", "surrogatepass"), dtype="<u4").astype(np.int64)
    for control in SHOWN_AS_SPACE:
        codes[codes == ord(control)] = _SPACE
    return codes


@lru_cache(maxsize=1)
def load_letters() -> Letters:
    """Return the set that ships: printable ASCII, the letters and signs of Latin-1, and the box."""
    path = Path(__file__).with_name("letters.txt")
    return parse_letters(path.read_text(encoding="utf-8"), path.name)


def parse_letters(source: str, name: str = "letters.txt") -> Letters:
    """Read a set of letters in the form that ``letters.txt`` explains.

    Parameters
    ----------
    source : str
        The text of the file.
    name : str
        What to call the file in an error.

    Raises
    ------
    InputError
        With the line and what would be right, if a header or a row cannot be understood, a
        picture has not seven rows of one width, a code point comes twice or the box is missing.
    """
    lines = [
        (number, line)
        for number, line in enumerate(source.splitlines(), start=1)
        if line and not line.startswith(";") and not line.isspace()
    ]
    pictures: dict[int, BoolArray] = {}
    box: BoolArray | None = None
    block = 1 + SET_HEIGHT
    for first in range(0, len(lines), block):
        number, header = lines[first]
        rows = [row.rstrip() for _, row in lines[first + 1 : first + block]]
        place = f"line {number}"
        code = _header_code(header, name, place)
        one_width = len({len(row) for row in rows}) == 1
        if len(rows) != SET_HEIGHT or not one_width or set("".join(rows)) - set(_PIXELS):
            raise InputError(
                f"the picture {header!r} needs {SET_HEIGHT} rows of '#' and '.', of one width",
                file=name,
                place=place,
            )
        if code in pictures or (code is None and box is not None):
            what = f"{header!r} has a picture already; keep one of the two"
            raise InputError(what, file=name, place=place)
        picture = np.array([[_PIXELS[pixel] for pixel in row] for row in rows], dtype=np.bool_)
        if code is None:
            box = picture
        else:
            pictures[code] = picture
    if box is None:
        what = "there is no picture headed 'box'; add one for characters without a picture"
        raise InputError(what, file=name)
    return Letters.from_pictures(SET_HEIGHT, pictures, box)


def _header_code(header: str, name: str, place: str) -> int | None:
    word = header.split()[0]
    if word == "box":
        return None
    if re.fullmatch(r"U\+[0-9A-Fa-f]{4,6}", word) and (code := int(word[2:], base=16)) <= MAX_CODE:
        return code
    what = f"{word!r} is no header; write 'U+' and hexadecimal digits, or 'box'"
    raise InputError(what, file=name, place=place)


def missing(text: str, letters: Letters) -> list[str]:
    """List the distinct characters of a text that the box would stand for, by code point."""
    codes = _code_points(text)
    boxed = letters.indices(text) == letters.codes.size
    return [chr(code) for code in np.unique(codes[boxed]).tolist()]


def text_columns(
    text: str, letters: Letters, spacing: int | None = None, height: int = 8
) -> tuple[BoolArray, IntArray]:
    """Set a text as one long strip of columns.

    Tab, line feed and carriage return are one space wide each; any other character without a
    picture is the box. Letters lower than the strip are centred in it, the odd row below them.

    Parameters
    ----------
    text : str
        Any length.
    letters : Letters
        The set to use.
    spacing : int, optional
        Dark columns between two characters; by default what the set itself asks for (1 for the
        set that ships). None follows the last character.
    height : int
        Rows of the strip.

    Returns
    -------
    columns : ndarray of bool, shape (height, total)
        True where a lamp is lit.
    starts : ndarray of int64, shape (len(text),)
        First column of each character.

    Raises
    ------
    InputError
        If the letters are higher than the strip, or the spacing is negative.
    """
    if height < letters.height:
        raise InputError(
            f"the letters are {letters.height} rows high and the matrix has {height}; "
            f"give it at least {letters.height} rows or use lower letters"
        )
    gap = letters.spacing if spacing is None else spacing
    if gap < 0:
        raise InputError(f"the spacing between characters is {gap}; it must be 0 or more")
    if not text:
        return np.zeros((height, 0), dtype=np.bool_), np.zeros(0, dtype=np.int64)

    count = letters.widths.size
    spaced_starts = letters.starts + gap * np.arange(count)
    spaced = np.zeros((height, letters.atlas.shape[1] + gap * count), dtype=np.bool_)
    top = (height - letters.height) // 2
    places = np.arange(letters.atlas.shape[1]) + gap * np.repeat(np.arange(count), letters.widths)
    spaced[top : top + letters.height, places] = letters.atlas

    index = letters.indices(text)
    advance = letters.widths[index] + gap
    ends = np.cumsum(advance)
    starts = ends - advance
    total = int(ends[-1])
    source = np.repeat(spaced_starts[index] - starts, advance)
    source += np.arange(total)
    return np.take(spaced, source[: total - gap], axis=1), starts
