"""The code: a message to bits, and bits back to a message.

A message becomes *code units* by its alphabet, a framing and a check are put round them, units
become bits by the bit order, and bits fill the rows. In every code the units follow each other
without gaps from the first bit on, so bit `i` of a grid read row by row is bit
`i % code.unit_bits` of its unit (`Code.place`).
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.checks import CHECKS, crc_units
from sonify.disc.code.decoding import (
    CHARACTERS,
    FAILED,
    GOOD,
    REPAIRED,
    Decoding,
    decode_checked,
    decode_plain,
)
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.units import check_text, to_units, units_to_bits
from sonify.disc.layout import MAX_BITS
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = [
    "CHARACTERS",
    "FAILED",
    "GOOD",
    "REPAIRED",
    "Code",
    "Decoding",
    "check_code",
    "decode",
    "decode_grid",
    "encode",
    "encode_grid",
    "message_units",
    "room",
    "rows_for",
]

Bits = NDArray[np.int8]
Index = TypeVar("Index", int, NDArray[np.int64])


class Code(Settings, frozen=True):
    """The `[code]` section: how a message is written as bits.

    `redundancy` is for reed-solomon: the least share of the disc that is check symbols
    (0.25 where it is not given).
    """

    alphabet: Literal["ascii", "ita2", "utf-8"] = "ascii"
    bit_order: Literal["high-first", "low-first"] = "high-first"
    framing: Literal["plain", "framed"] = "plain"
    check: Literal["none", "parity", "crc-16", "reed-solomon"] = "none"
    redundancy: Annotated[float, msgspec.Meta(ge=0.01, le=0.9)] | None = None

    @property
    def data_bits(self) -> int:
        """Bits of one code unit without its parity bit."""
        return ALPHABETS[self.alphabet].unit_bits

    @property
    def unit_bits(self) -> int:
        """Bits on the disc of one code unit, its parity bit included."""
        return self.data_bits + CHECKS[self.check].unit_bits

    @property
    def share(self) -> float:
        """The redundancy that holds."""
        return reed_solomon.DEFAULT_REDUNDANCY if self.redundancy is None else self.redundancy

    def place(self, index: Index) -> Index:
        """The place within its code unit of the bit at an index of the grid read row by row.

        0 is the bit that is read first. The parity bit, where there is one, comes last. The
        check symbols of reed-solomon, which are no characters, are counted on like text.
        """
        return index % self.unit_bits


def check_code(code: Code) -> None:
    """Refuse settings that don't go together.

    Raises
    ------
    InputError
    """
    if code.framing == "framed" and code.alphabet == "ita2":
        raise InputError(
            "framed needs SYN, STX and ETX of ISO/IEC 646, which ita2 lacks; "
            "use ascii or utf-8, or plain framing",
            place="code.framing",
        )
    if code.redundancy is not None and code.check != "reed-solomon":
        raise InputError(
            f"redundancy is for the check reed-solomon and not for {code.check}; leave it out",
            place="code.redundancy",
        )


def message_units(text: str, code: Code) -> NDArray[np.uint8]:
    """The code units of a message with its framing and its CRC.

    Raises
    ------
    InputError
        No text, a character that the alphabet lacks, or settings that don't go together.
    """
    check_code(code)
    framing = FRAMINGS[code.framing]
    check_text(text, code.alphabet, framing.reserved)
    units = to_units(text, code.alphabet)
    if framing.end is not None:
        units = np.append(units, np.uint8(framing.end))
    if code.check == "crc-16":
        units = np.concatenate((units, crc_units(units, code.data_bits)))
    if framing.head:
        units = np.concatenate((np.array(framing.head, np.uint8), units))
    return units


def _to_bits(units: NDArray[np.uint8], code: Code) -> Bits:
    return units_to_bits(units, code.data_bits, code.bit_order, parity=code.check == "parity")


def encode(text: str, code: Code) -> Bits:
    """A message as bits in reading order, not yet filled up to whole rows.

    Parameters
    ----------
    text : str
        The message, at least one character.
    code : Code
        With any check but reed-solomon, which needs rows: see `encode_grid`.

    Returns
    -------
    ndarray of int8, shape (bits,)

    Raises
    ------
    InputError
        No text, or a character that the alphabet lacks.
    """
    if code.check == "reed-solomon":
        raise InputError("reed-solomon needs rows; use encode_grid", place="code.check")
    return _to_bits(message_units(text, code), code)


def rows_for(units: int, code: Code, positions: int) -> int:
    """The fewest rows that hold so many code units, framing and CRC included."""
    bits = units * code.unit_bits
    if code.check == "reed-solomon":
        return reed_solomon.rows_for(bits, positions, code.share)
    return -(-bits // positions)


def room(rows: int, positions: int, code: Code) -> int:
    """How many code units fit on a grid, framing and CRC included."""
    if code.check == "reed-solomon":
        return reed_solomon.plan(rows, positions, code.share).data_bits // code.unit_bits
    return rows * positions // code.unit_bits


def encode_grid(text: str, code: Code, positions: int) -> Bits:
    """A message as a grid, on as few rows as hold it.

    Parameters
    ----------
    text : str
    code : Code
    positions : int
        Of a row.

    Returns
    -------
    ndarray of int8, shape (rows, positions)

    Raises
    ------
    InputError
        No text, a character that the alphabet lacks, or more bits than a disc may have.
    """
    units = message_units(text, code)
    rows = 1
    if len(units) * code.unit_bits <= MAX_BITS:
        rows = rows_for(len(units), code, positions)
    else:
        rows = -(-len(units) * code.unit_bits // positions)
    if rows * positions > MAX_BITS:
        raise InputError(
            f"{rows * positions:,} positions are too many; at most {MAX_BITS:,}", place="message"
        )
    bits = _to_bits(units, code)
    if code.check == "reed-solomon":
        plan = reed_solomon.plan(rows, positions, code.share)
        return reed_solomon.protect(bits, plan).reshape(rows, positions)
    grid = np.zeros(rows * positions, np.int8)
    grid[: len(bits)] = bits
    return grid.reshape(rows, positions)


def decode(bits: Bits, code: Code) -> Decoding:
    """Bits in reading order as a message; see `decode_grid`.

    With any check but reed-solomon, which needs rows.
    """
    check_code(code)
    if code.check == "reed-solomon":
        raise InputError("reed-solomon needs rows; use decode_grid", place="code.check")
    if code.check == "none" and code.framing == "plain":
        return decode_plain(bits, code)
    return decode_checked(bits, code)


def decode_grid(grid: Bits, code: Code) -> Decoding:
    """A grid as a message, with what could be repaired.

    Parameters
    ----------
    grid : ndarray of int8, shape (rows, positions)
        1, 0, and -1 for unknown.
    code : Code

    Returns
    -------
    Decoding
        A character with an unknown bit that could not be repaired, with units that the
        alphabet does not know, or that its check does not vouch for, is marked `FAILED`. Zeros
        that fill the last row are no characters.
    """
    flat = grid.reshape(-1)
    if code.check != "reed-solomon":
        return decode(flat, code)
    check_code(code)
    rows, positions = grid.shape
    plan = reed_solomon.plan(rows, positions, code.share)
    if not plan.fits:
        # too small a grid for this check: nothing on it can be vouched for
        return decode_checked(flat, code, beyond="the grid is too small for reed-solomon")
    repair = reed_solomon.repair(flat, plan)
    return decode_checked(flat, code, repair=repair, text_bits=plan.data_bits)
