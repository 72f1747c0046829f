"""Code units: characters to units and bits, and back.

Every step is vectorised, so that ten million bits are as easy as ten.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS, FIGURES, ITA2_FIGURES, ITA2_LETTERS, LETTERS
from sonify.disc.code.checks import ODD
from sonify.errors import InputError

__all__ = [
    "CHARACTERS_OF",
    "UNKNOWN_CHAR",
    "bits_to_units",
    "check_text",
    "to_units",
    "units_to_bits",
]

Bits = NDArray[np.int8]
UNKNOWN_CHAR = 0xFFFD


def check_text(text: str, alphabet_name: str, reserved: Mapping[str, str]) -> None:
    """Refuse a message that the alphabet can't write or that has characters of the framing.

    Raises
    ------
    InputError
        Which character, where, and an alphabet that has it.
    """
    if not text:
        raise InputError("the message is empty; give at least one character", place="message")
    alphabet = ALPHABETS[alphabet_name]
    bad = {c for c in set(text) if alphabet.lacks(c) or c in reserved}
    if not bad:
        return
    at = min(text.index(c) for c in bad)
    char = text[at]
    if char == "\0":
        why = "character code 0 can't be told from the filling of the last row; leave it out"
    elif char in reserved:
        why = f"{reserved[char]} is kept for the framing; leave it out or use plain framing"
    elif 0xD800 <= ord(char) <= 0xDFFF:
        why = "it is half of a surrogate pair, which no alphabet has"
    else:
        others = [a.name for a in ALPHABETS.values() if not a.lacks(char)]
        verb = "have" if len(others) > 1 else "has"
        why = f"the alphabet {alphabet_name} lacks it; {' and '.join(others)} {verb} it"
        if alphabet_name == "ita2" and not alphabet.lacks(char.upper()):
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


def to_units(text: str, alphabet_name: str) -> NDArray[np.uint8]:
    """The message's code units, shifts included."""
    if alphabet_name != "ita2":
        return np.frombuffer(text.encode(alphabet_name), np.uint8)
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


def units_to_bits(
    units: NDArray[np.uint8], width: int, bit_order: str, *, parity: bool = False
) -> Bits:
    """Code units as bits, shape (units * width,) or, with parity, (units * (width + 1),)."""
    bits = np.unpackbits(units[:, None], axis=1)[:, 8 - width :]
    if bit_order == "low-first":
        bits = bits[:, ::-1]
    if parity:
        bits = np.hstack((bits, ODD[units][:, None]))
    return np.ascontiguousarray(bits).reshape(-1).view(np.int8)


def bits_to_units(
    bits: Bits, width: int, bit_order: str, *, parity: bool = False
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Whole code units from bits, and for each whether all its bits are known.

    With parity, each unit takes one bit more, which is left aside here.
    """
    pitch = width + parity
    count = len(bits) // pitch
    cells = bits[: count * pitch].reshape(count, pitch)
    known: NDArray[np.bool_] = np.all(cells >= 0, axis=1)
    ones = cells[:, :width] > 0
    if bit_order == "low-first":
        ones = ones[:, ::-1]
    padded = np.zeros((count, 8), bool)
    padded[:, 8 - width :] = ones
    return np.packbits(padded, axis=1)[:, 0], known


class Found(NamedTuple):
    """Characters found in code units: where each begins, how many units it has, its code point,
    and whether that is sure. `shape (characters,)` each."""

    first: NDArray[np.int64]
    length: NDArray[np.int64]
    points: NDArray[np.int64]
    ok: NDArray[np.bool_]


Units = NDArray[np.uint8]
Flags = NDArray[np.bool_]


def _ascii_characters(units: Units, known: Flags, shift: Flags) -> Found:
    first = np.arange(len(units))
    return Found(first, np.ones_like(first), units.astype(np.int64), known & (units != 0))


def _ita2_characters(units: Units, known: Flags, shift: Flags) -> Found:
    """`shift` marks the units that can't be trusted and might be a shift: what follows one of
    them and differs between the two cases is not sure, until the next shift."""
    shifts = known & ((units == LETTERS) | (units == FIGURES))
    n = np.arange(len(units))
    last = np.maximum.accumulate(np.where(shifts, n, -1))
    doubt = np.maximum.accumulate(np.where(shift, n, -1)) > last
    figures = (last >= 0) & (units[last] == FIGURES) if len(units) else shifts
    table = np.array([[ord(c) for c in ITA2_LETTERS], [ord(c) for c in ITA2_FIGURES]])
    points = table[figures.astype(int), units]
    first = np.flatnonzero(~shifts)
    ok = known & (points != 0) & (points != UNKNOWN_CHAR)
    ok &= ~doubt | (table[0, units] == table[1, units])
    return Found(first, np.ones_like(first), points[first], ok[first])


def _utf8_characters(units: Units, known: Flags, shift: Flags) -> Found:
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
    return Found(first, length[first], points[first], (one | two | three | four)[first])


CHARACTERS_OF = {
    "ascii": _ascii_characters,
    "ita2": _ita2_characters,
    "utf-8": _utf8_characters,
}
