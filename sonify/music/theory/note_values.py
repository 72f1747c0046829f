"""Note values such as 1/16, in whole notes."""

from __future__ import annotations

import re
from fractions import Fraction

from sonify.errors import InputError

__all__ = ["note_value", "two_numbers"]


def two_numbers(text: str) -> tuple[int, int]:
    """The numbers of a text such as 7/8; 0, 0 if it is none."""
    found = re.fullmatch(r"\s*(\d{1,4})\s*/\s*(\d{1,4})\s*", text)
    return (int(found[1]), int(found[2])) if found else (0, 0)


def note_value(text: str, place: str) -> Fraction:
    """A note value such as 1/16 in whole notes.

    Raises
    ------
    InputError
        Not a note value, or one that is out of range.
    """
    above, below = two_numbers(text)
    value = Fraction(above, below) if below else Fraction(0)
    if not value:
        what = f"'{text}' is not a note value; write one such as 1/16 or 1/12"
    elif not Fraction(1, 256) <= value <= 4:
        what = f"{text} of a whole note is out of range; give 1/256 to 4/1"
    else:
        return value
    raise InputError(what, place=place)
