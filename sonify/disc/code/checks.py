"""Checks: what is added to a text so that damage is seen or repaired. A table, one row a check.

* parity: one bit after the bits of each code unit, so that the number of ones is even (the
  character structure of ISO 1177, the parity sense of ISO 1745).
* crc-16: CRC-16/IBM-3740 of the catalogue of parametrised CRC algorithms (G. Cook): polynomial
  1021, initial value FFFF, no reflection, no final inversion; check value 29B1 over "123456789".
  It is taken over the code units, a byte each, from the first of the text to the last (with
  ETX, and without what precedes the text, where the text is framed: ISO 1745), and written
  as code units whose highest bit is one, so that it is never taken for filling.
* reed-solomon: see `sonify.disc.code.reed_solomon`.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

__all__ = ["CHECKS", "ODD", "Check", "crc16", "crc_units", "crc_units_count", "most_unknown"]

CRC_BITS = 16
DISTANCE_4_BYTES = 4093
"""Up to this many code units (32,751 bits with their CRC), any two texts with the same CRC
differ in at least four bits: the polynomial has the factor x + 1 and the order 32,767."""


@dataclass(frozen=True)
class Check:
    """One check: its name in disc files, one line about it, bits it adds to each code unit, and
    whether it confirms the text as a whole."""

    name: str
    about: str
    unit_bits: int = 0
    whole: bool = False


CHECKS: dict[str, Check] = {
    c.name: c
    for c in (
        Check("none", "no check: damage goes unseen"),
        Check("parity", "one bit a code unit, even: sees one wrong bit, mends one unknown", 1),
        Check(
            "crc-16", "CRC-16/IBM-3740: sees nearly all damage, mends up to three unknown", 0, True
        ),
        Check("reed-solomon", "mends wrong and unknown bits, and any one lost row", 0, True),
    )
}

ODD = np.array([bin(i).count("1") & 1 for i in range(256)], np.uint8)
"""Whether a byte has an odd number of ones."""


def crc16(units: NDArray[np.uint8]) -> int:
    """CRC-16/IBM-3740 over code units, a byte each."""
    return binascii.crc_hqx(units.tobytes(), 0xFFFF)


def crc_units_count(width: int) -> int:
    """How many code units of `width` bits hold a CRC."""
    return ceil(CRC_BITS / (width - 1))


def crc_units(units: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """The CRC over `units` as code units of `width` bits, high bits first, each marked by a one
    in its highest bit."""
    part = width - 1
    value = crc16(units)
    shifts = range(part * (crc_units_count(width) - 1), -1, -part)
    return np.array([(value >> s) & ((1 << part) - 1) | (1 << part) for s in shifts], np.uint8)


def most_unknown(units: int) -> int:
    """How many unknown bits a CRC over so many code units can settle without fail."""
    return 3 if units <= DISTANCE_4_BYTES else 1
