"""Checks: what is added to a text so that damage can be detected or repaired.

* parity: one bit after the bits of each code unit, so that the number of ones is even (the
  character structure of ISO 1177, the parity sense of ISO 1745).
* crc-16: CRC-16/IBM-3740 of the catalogue of parametrised CRC algorithms (G. Cook): polynomial
  1021, initial value FFFF, no reflection, no final inversion; check value 29B1 over "123456789".
  It covers the code units of the text, one byte each (and ETX if the text is framed: ISO 1745),
  and is written as code units whose highest bit is one, so that it is never taken for padding.
* reed-solomon: see `sonify.disc.code.reed_solomon`.
"""

from __future__ import annotations

import binascii
from math import ceil

import numpy as np
from numpy.typing import NDArray

__all__ = ["ODD", "crc16", "crc_units", "crc_units_count", "most_unknown"]

CRC_BITS = 16
DISTANCE_4_BYTES = 4093
"""Up to this many code units (32,751 bits with their CRC), any two texts with the same CRC
differ in at least four bits: the polynomial has the factor x + 1 and the order 32,767."""


ODD = np.array([bin(i).count("1") & 1 for i in range(256)], np.uint8)
"""Whether a byte has an odd number of ones."""


def crc16(units: NDArray[np.uint8]) -> int:
    """CRC-16/IBM-3740 over code units, a byte each."""
    return binascii.crc_hqx(units.tobytes(), 0xFFFF)


def crc_units_count(width: int) -> int:
    """How many code units of `width` bits hold a CRC."""
    return ceil(CRC_BITS / (width - 1))


def crc_units(units: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """The CRC over `units` as code units of `width` bits, high bits first, each with a one as its
    highest bit."""
    part = width - 1
    value = crc16(units)
    shifts = range(part * (crc_units_count(width) - 1), -1, -part)
    return np.array([(value >> s) & ((1 << part) - 1) | (1 << part) for s in shifts], np.uint8)


def most_unknown(units: int) -> int:
    """How many unknown bits a CRC over that many code units can determine with certainty."""
    return 3 if units <= DISTANCE_4_BYTES else 1
