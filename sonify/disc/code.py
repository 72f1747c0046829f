"""The code: a message to bits, and bits back to a message.

A message becomes *code units* by its alphabet, units become bits by the bit order, and bits fill
the rows by the framing. Each step is vectorised, so that ten million bits are as easy as ten.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sonify.disc.alphabets import ALPHABETS, FIGURES, ITA2_FIGURES, ITA2_LETTERS, LETTERS
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = ["CHARACTERS", "FAILED", "GOOD", "REPAIRED", "Code", "Decoding", "decode", "encode"]

CHARACTERS = np.dtype(
    [("first_bit", "i8"), ("last_bit", "i8"), ("codepoint", "i4"), ("state", "u1")]
)
"""One decoded character: the first and last of its bits, as indices into the grid read row by
row, its Unicode code point, and what became of it (`GOOD`, `REPAIRED` or `FAILED`)."""

GOOD, REPAIRED, FAILED = 0, 1, 2
UNKNOWN_CHAR = 0xFFFD

Bits = NDArray[np.int8]


class Code(Settings, frozen=True):
    """The `[code]` section: how a message is written as bits."""

    alphabet: Literal["ascii", "ita2", "utf-8"] = "ascii"
    bit_order: Literal["high-first", "low-first"] = "high-first"
    framing: Literal["plain"] = "plain"
    check: Literal["none"] = "none"

    @property
    def unit_bits(self) -> int:
        """Bits on the disc of one code unit, its check bit included."""
        return ALPHABETS[self.alphabet].unit_bits


@dataclass(frozen=True, eq=False)
class Decoding:
    """What the bits say.

    Attributes
    ----------
    characters : ndarray of CHARACTERS, shape (characters,)
        In the order of the message.
    """

    characters: NDArray[np.void]

    @cached_property
    def text(self) -> str:
        """The message; a character that could not be read is U+FFFD."""
        points: NDArray[np.int32] = np.ascontiguousarray(self.characters["codepoint"])
        return points.astype("<u4").tobytes().decode("utf-32-le", "replace")

    @property
    def failed(self) -> int:
        """How many characters could not be read."""
        return int(np.count_nonzero(self.characters["state"] == FAILED))


def check_text(text: str, code: Code) -> None:
    """Refuse a message that the alphabet can't write.

    Raises
    ------
    InputError
        Which character, where, and an alphabet that has it.
    """
    if not text:
        raise InputError("the message is empty; give at least one character", place="message")
    alphabet = ALPHABETS[code.alphabet]
    bad = {c for c in set(text) if alphabet.lacks(c)}
    if not bad:
        return
    at = min(text.index(c) for c in bad)
    char = text[at]
    if char == "\0":
        why = "character code 0 can't be told from the filling of the last row; leave it out"
    elif 0xD800 <= ord(char) <= 0xDFFF:
        why = "it is half of a surrogate pair, which no alphabet has"
    else:
        others = [a.name for a in ALPHABETS.values() if not a.lacks(char)]
        verb = "have" if len(others) > 1 else "has"
        why = f"the alphabet {code.alphabet} lacks it; {' and '.join(others)} {verb} it"
        if code.alphabet == "ita2" and not alphabet.lacks(char.upper()):
            why += ", or write it as a capital"
    name = f"'{char}'" if char.isprintable() else f"U+{ord(char):04X}"
    raise InputError(f"character {at + 1} is {name}: {why}", place="message")


def _ita2_tables() -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    letters = np.full(128, -1, np.int8)
    figures = np.full(128, -1, np.int8)
    for table, chars in ((letters, ITA2_LETTERS), (figures, ITA2_FIGURES)):
        for unit, char in enumerate(chars):
            if char not in "\0\x0e\x0f\ufffd":
                table[ord(char)] = unit
    return letters, figures


def to_units(text: str, code: Code) -> NDArray[np.uint8]:
    """The message's code units, shifts included."""
    if code.alphabet != "ita2":
        return np.frombuffer(text.encode(code.alphabet), np.uint8)
    letters, figures = _ita2_tables()
    points = np.frombuffer(text.encode("ascii"), np.uint8)
    unit_l, unit_f = letters[points], figures[points]
    # 1 needs letters case, 2 figures case, 0 is the same in both
    case = np.where(unit_l == unit_f, 0, np.where(unit_l >= 0, 1, 2)).astype(np.int8)
    last = np.maximum.accumulate(np.where(case > 0, np.arange(len(case)), -1))
    state = np.where(last >= 0, case[last], 1)
    before = np.concatenate(([1], state[:-1]))
    shift = state != before
    at = np.arange(len(case)) + np.cumsum(shift)
    out = np.empty(len(case) + int(shift.sum()), np.uint8)
    out[at] = np.where(state == 1, unit_l, unit_f)
    out[at[shift] - 1] = np.where(state[shift] == 1, LETTERS, FIGURES)
    return out


def units_to_bits(units: NDArray[np.uint8], width: int, bit_order: str) -> Bits:
    """Code units as bits, shape (units * width,)."""
    bits = np.unpackbits(units[:, None], axis=1)[:, 8 - width :]
    if bit_order == "low-first":
        bits = bits[:, ::-1]
    return np.ascontiguousarray(bits).reshape(-1).view(np.int8)


def bits_to_units(
    bits: Bits, width: int, bit_order: str
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Whole code units from bits, and for each whether all its bits are known."""
    count = len(bits) // width
    cells = bits[: count * width].reshape(count, width)
    known: NDArray[np.bool_] = np.all(cells >= 0, axis=1)
    ones = cells > 0
    if bit_order == "low-first":
        ones = ones[:, ::-1]
    padded = np.zeros((count, 8), bool)
    padded[:, 8 - width :] = ones
    return np.packbits(padded, axis=1)[:, 0], known


def encode(text: str, code: Code) -> Bits:
    """A message as bits in reading order, not yet filled up to whole rows.

    Parameters
    ----------
    text : str
        The message, at least one character.
    code : Code

    Returns
    -------
    ndarray of int8, shape (bits,)

    Raises
    ------
    InputError
        No text, or a character that the alphabet lacks.
    """
    check_text(text, code)
    return units_to_bits(to_units(text, code), code.unit_bits, code.bit_order)


def decode(bits: Bits, code: Code) -> Decoding:
    """Bits in reading order as a message.

    Parameters
    ----------
    bits : ndarray of int8, shape (bits,)
        1, 0, and -1 for unknown.
    code : Code

    Returns
    -------
    Decoding
        A character with an unknown bit, or with units that the alphabet does not know, is
        marked `FAILED`. Zeros that fill the last row are no characters.
    """
    width = code.unit_bits
    units, known = bits_to_units(bits, width, code.bit_order)
    # the filling: units of zeros at the end
    meant = np.flatnonzero((units != 0) | ~known)
    end = int(meant[-1]) + 1 if len(meant) else 0
    units, known = units[:end], known[:end]
    first, length, points, ok = _CHARACTERS_OF[code.alphabet](units, known)
    out = np.empty(len(first), CHARACTERS)
    out["first_bit"] = first * width
    out["last_bit"] = (first + length) * width - 1
    out["codepoint"] = np.where(ok, points, UNKNOWN_CHAR)
    out["state"] = np.where(ok, GOOD, FAILED)
    return Decoding(out)


Found = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]


def _ascii_characters(units: NDArray[np.uint8], known: NDArray[np.bool_]) -> Found:
    first = np.arange(len(units))
    return first, np.ones_like(first), units.astype(np.int64), known & (units != 0)


def _ita2_characters(units: NDArray[np.uint8], known: NDArray[np.bool_]) -> Found:
    shifts = known & ((units == LETTERS) | (units == FIGURES))
    last = np.maximum.accumulate(np.where(shifts, np.arange(len(units)), -1))
    figures = (last >= 0) & (units[last] == FIGURES) if len(units) else shifts
    table = np.array([[ord(c) for c in ITA2_LETTERS], [ord(c) for c in ITA2_FIGURES]])
    points = table[figures.astype(int), units]
    first = np.flatnonzero(~shifts)
    ok = known & (points != 0) & (points != UNKNOWN_CHAR)
    return first, np.ones_like(first), points[first], ok[first]


def _utf8_characters(units: NDArray[np.uint8], known: NDArray[np.bool_]) -> Found:
    """Well-formed byte sequences of the table of Unicode chapter 3, D92; all else is one failed
    character a byte."""
    n = len(units)
    b = np.zeros((4, n + 3), np.int64)
    b[0, :n] = units
    sure = np.zeros(n + 3, bool)
    sure[:n] = known
    for k in (1, 2, 3):
        b[k, : n + 3 - k] = b[0, k:]
    b = b[:, :n]
    tail = [(b[k] & 0xC0) == 0x80 for k in range(4)]
    here = [sure[k : n + k] for k in range(4)]
    lead = b[0]
    one = (lead < 0x80) & here[0] & (lead != 0)
    two = (lead >= 0xC2) & (lead <= 0xDF) & tail[1] & here[0] & here[1]
    p3 = ((lead & 0x0F) << 12) | ((b[1] & 0x3F) << 6) | (b[2] & 0x3F)
    three = (lead >= 0xE0) & (lead <= 0xEF) & tail[1] & tail[2] & here[0] & here[1] & here[2]
    three &= (p3 >= 0x800) & ~((p3 >= 0xD800) & (p3 <= 0xDFFF))
    p4 = ((lead & 7) << 18) | ((b[1] & 0x3F) << 12) | ((b[2] & 0x3F) << 6) | (b[3] & 0x3F)
    four = (lead >= 0xF0) & (lead <= 0xF4) & tail[1] & tail[2] & tail[3]
    four &= here[0] & here[1] & here[2] & here[3] & (p4 >= 0x10000) & (p4 <= 0x10FFFF)
    length = np.where(two, 2, np.where(three, 3, np.where(four, 4, 1)))
    points = np.where(
        two, ((lead & 0x1F) << 6) | (b[1] & 0x3F), np.where(three, p3, np.where(four, p4, lead))
    )
    # a byte inside a well-formed sequence begins nothing (its lead can't be a tail byte)
    inside = np.zeros(n + 3, bool)
    for k, long in ((1, two | three | four), (2, three | four), (3, four)):
        inside[k : n + k] |= long
    first = np.flatnonzero(~inside[:n])
    return first, length[first], points[first], (one | two | three | four)[first]


_CHARACTERS_OF = {
    "ascii": _ascii_characters,
    "ita2": _ita2_characters,
    "utf-8": _utf8_characters,
}
