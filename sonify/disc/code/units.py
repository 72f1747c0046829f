"""Code units: characters to units and bits, and back.

Every step is vectorised, because discs have up to a hundred million bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS, FIGURES, ITA2_FIGURES, ITA2_LETTERS, LETTERS
from sonify.disc.code.checks import ODD
from sonify.disc.code.code import Code
from sonify.errors import InputError

__all__ = [
    "CHARACTERS_OF",
    "UNKNOWN_CHAR",
    "bits_to_units",
    "cells_of",
    "check_text",
    "space_value",
    "to_units",
    "units_to_bits",
]

Bits = NDArray[np.int8]
UNKNOWN_CHAR = 0xFFFD


def check_text(text: str, alphabet_name: str, reserved: Mapping[str, str]) -> None:
    """Refuse a message with characters that the alphabet lacks or the framing reserves.

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
        why = "character code 0 looks like the padding of the last row; leave it out"
    elif char in reserved:
        why = f"{reserved[char]} is reserved for the framing; leave it out or use plain framing"
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


def _ita2_units(chars: str) -> NDArray[np.int8]:
    """The code unit of each ASCII character in one of the two cases; -1 for none."""
    table = np.full(128, -1, np.int8)
    for unit, char in enumerate(chars):
        if char not in "\0\x0e\x0f\ufffd":
            table[ord(char)] = unit
    return table


def to_units(text: str, alphabet_name: str) -> NDArray[np.uint8]:
    """The message's code units, including shifts."""
    if alphabet_name != "ita2":
        return np.frombuffer(text.encode(alphabet_name), np.uint8)
    points = np.frombuffer(text.encode("ascii"), np.uint8)
    unit_l, unit_f = _ita2_units(ITA2_LETTERS)[points], _ita2_units(ITA2_FIGURES)[points]
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


def units_to_bits(units: NDArray[np.uint8], code: Code) -> Bits:
    """Code units as bits, each with its parity bit if the code has one."""
    bits = np.unpackbits(units[:, None], axis=1)[:, 8 - code.data_bits :]
    if code.bit_order == "low-first":
        bits = bits[:, ::-1]
    if code.parity:
        bits = np.hstack((bits, ODD[units][:, None]))
    return np.ascontiguousarray(bits).reshape(-1).view(np.int8)


def space_value(code: Code) -> int:
    """The value of a space as a code unit, its first bit the highest."""
    bits = units_to_bits(to_units(" ", code.alphabet), code)[: code.unit_bits]
    return int(bits @ (1 << np.arange(code.unit_bits - 1, -1, -1)))


def cells_of(bits: Bits, code: Code) -> Bits:
    """The bits of each whole code unit, shape (units, bits of a unit)."""
    width = code.unit_bits
    return bits[: len(bits) // width * width].reshape(-1, width)


def bits_to_units(bits: Bits, code: Code) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Whole code units from bits, without parity bits, and whether all bits of each are known."""
    cells = cells_of(bits, code)
    known: NDArray[np.bool_] = np.all(cells >= 0, axis=1)
    ones = cells[:, : code.data_bits] > 0
    if code.bit_order == "low-first":
        ones = ones[:, ::-1]
    padded = np.zeros((len(cells), 8), bool)
    padded[:, 8 - code.data_bits :] = ones
    return np.packbits(padded, axis=1)[:, 0], known


class FoundCharacters(NamedTuple):
    """Characters in code units: the first unit of each, its number of units, its code point, and
    whether that is certain. All have shape (characters,)."""

    first: NDArray[np.int64]
    length: NDArray[np.int64]
    points: NDArray[np.int64]
    ok: NDArray[np.bool_]


Units = NDArray[np.uint8]
Flags = NDArray[np.bool_]


def _ascii_characters(units: Units, known: Flags, shift: Flags) -> FoundCharacters:
    first = np.arange(len(units))
    return FoundCharacters(first, np.ones_like(first), units.astype(np.int64), known & (units != 0))


def _ita2_characters(units: Units, known: Flags, shift: Flags) -> FoundCharacters:
    """`shift` marks untrusted units that might be a shift: until the next shift, characters that
    differ between the two cases are uncertain."""
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
    return FoundCharacters(first, np.ones_like(first), points[first], ok[first])


def _utf8_characters(units: Units, known: Flags, shift: Flags) -> FoundCharacters:
    """Well-formed byte sequences; every other byte is one failed character."""
    # FF occurs in no well-formed sequence (RFC 3629), and surrogates stand for failed bytes
    text = (
        np.where(known, units, 0xFF).astype(np.uint8).tobytes().decode("utf-8", "surrogateescape")
    )
    points = np.frombuffer(text.encode("utf-32-le", "surrogatepass"), "<u4").astype(np.int64)
    failed = (points >= 0xD800) & (points <= 0xDFFF)
    length = 1 + (points >= 0x80) + (points >= 0x800) + (points >= 0x10000)
    length[failed] = 1
    first = np.cumsum(length) - length
    points, good = np.where(failed, UNKNOWN_CHAR, points), ~failed & (points != 0)
    return FoundCharacters(first, length, points, good)


CHARACTERS_OF = {
    "ascii": _ascii_characters,
    "ita2": _ita2_characters,
    "utf-8": _utf8_characters,
}
