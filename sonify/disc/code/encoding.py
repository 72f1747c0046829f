"""Encoding: a message as code units, bits and a grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.checks import crc_units
from sonify.disc.code.code import Code, check_code
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.units import check_text, to_units, units_to_bits
from sonify.disc.layout import MAX_BITS
from sonify.errors import InputError

__all__ = ["encode_grid", "message_units", "room", "rows_for"]

Bits = NDArray[np.int8]


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


def rows_for(units: int, code: Code, positions: int) -> int:
    """The fewest rows that hold that many code units, including framing and CRC."""
    bits = units * code.unit_bits
    if code.check == "reed-solomon":
        return reed_solomon.rows_for(bits, positions, code.share)
    return -(-bits // positions)


def room(rows: int, positions: int, code: Code) -> int:
    """How many code units fit on a grid, including framing and CRC."""
    if code.check == "reed-solomon":
        return reed_solomon.plan(rows, positions, code.share).data_bits // code.unit_bits
    return rows * positions // code.unit_bits


def encode_grid(text: str, code: Code, positions: int) -> Bits:
    """A message as a grid with as few rows as possible.

    Parameters
    ----------
    text : str
    code : Code
    positions : int
        Positions of a row.

    Returns
    -------
    ndarray of int8, shape (rows, positions)

    Raises
    ------
    InputError
        No text, a character that the alphabet lacks, or more bits than a disc may have.
    """
    units = message_units(text, code)
    rows = -(-len(units) * code.unit_bits // positions)
    if rows * positions <= MAX_BITS:
        rows = rows_for(len(units), code, positions)
    if rows * positions > MAX_BITS:
        raise InputError(
            f"{rows * positions:,} positions are too many; at most {MAX_BITS:,}", place="message"
        )
    bits = units_to_bits(units, code)
    if code.check == "reed-solomon":
        plan = reed_solomon.plan(rows, positions, code.share)
        return reed_solomon.protect(bits, plan).reshape(rows, positions)
    grid = np.zeros(rows * positions, np.int8)
    grid[: len(bits)] = bits
    return grid.reshape(rows, positions)
