"""Lists of rows, positions or other numbers, such as "1-4, 7, 9-" or "odd"."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

__all__ = ["chosen", "row_range"]

_RANGE = re.compile(r"(\d{1,9})?\s*(-)?\s*(\d{1,9})?(?:\s*/\s*(\d{1,9}))?")
_WORDS = {"odd": "1-/2", "even": "2-/2", "all": "1-"}


def chosen(text: str, count: int, place: str) -> NDArray[np.bool_]:
    """Which of `count` things, numbered from 1, a list names; shape (count,).

    The list has numbers and ranges, separated by commas. A range without an end goes to the last
    number; a slash and a number after it selects every second, third, ... one.

    Raises
    ------
    InputError
        A part is neither a number nor a range.

    Examples
    --------
    >>> chosen("1-2, 5-", 6, "rows").tolist()
    [True, True, False, False, True, True]
    """
    out = np.zeros(count, bool)
    for part in text.split(","):
        word = part.strip().casefold()
        found = _RANGE.fullmatch(_WORDS.get(word, word))
        if not word or not found or not (found[1] or found[2]):
            raise InputError(
                f"'{part.strip()}' is neither a number nor a range; write numbers from 1 and "
                "ranges such as 1-4, 7, 9-, every other one as 1-/2, or odd or even",
                place=place,
            )
        first, last, step = _bounds(found, count)
        if first < 1 or step < 1 or (found[3] and last < first):
            raise InputError(
                f"'{part.strip()}' is not possible; numbers count from 1, and ranges ascend",
                place=place,
            )
        out[first - 1 : last : step] = True
    return out


def row_range(text: str, rows: int) -> tuple[int, int]:
    """The first and the last row of a range such as "3", "2-5" or "4-", counted from 0.

    Raises
    ------
    InputError
        It is not a range, or the disc does not have these rows.
    """
    found = _RANGE.fullmatch(text.strip())
    if not found or found[4] or not (found[1] or found[3]):
        raise InputError(f"'{text}' is not a range of rows; write 3, 1-4 or 5-", key="rows")
    first, last, _ = _bounds(found, rows)
    if not 1 <= first <= last <= rows:
        raise InputError(f"rows {text} do not exist; the disc has rows 1 to {rows}", key="rows")
    return first - 1, last - 1


def _bounds(found: re.Match[str], count: int) -> tuple[int, int, int]:
    """The first and the last number of a range, counted from 1, and its step."""
    first = int(found[1] or 1)
    last = count if found[2] and not found[3] else int(found[3] or first)
    return first, last, int(found[4] or 1)
