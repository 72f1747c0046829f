"""Framings: what stands before and after the text.

`framed` follows the basic mode of ISO 1745: SYN SYN STX text ETX, with the control characters
of ISO/IEC 646. A reader that finds two SYN and one STX knows where the text begins, which way
the positions run, what a hole means and which bit of a character comes first, because no rotation,
mirroring or inversion of these three characters yields the same bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

__all__ = ["ETX", "FRAMINGS", "STX", "SYN", "TRANSMISSION_CONTROLS", "Framing"]

SYN, STX, ETX = 0x16, 0x02, 0x03

TRANSMISSION_CONTROLS = {
    "\x01": "SOH",
    "\x02": "STX",
    "\x03": "ETX",
    "\x04": "EOT",
    "\x05": "ENQ",
    "\x06": "ACK",
    "\x10": "DLE",
    "\x15": "NAK",
    "\x16": "SYN",
    "\x17": "ETB",
}
"""The ten transmission control characters of ISO/IEC 646, which ISO 1745 keeps out of a text."""


class Framing(NamedTuple):
    """A framing.

    Attributes
    ----------
    head : tuple of int
        Code units before the text.
    end : int or None
        The code unit after the text; None if the text ends with its last unit that is not zero.
    reserved : dict
        Characters that the text may not contain, with their names.
    """

    head: tuple[int, ...] = ()
    end: int | None = None
    reserved: Mapping[str, str] = MappingProxyType({})


FRAMINGS: dict[str, Framing] = {
    "plain": Framing(),
    "framed": Framing((SYN, SYN, STX), ETX, TRANSMISSION_CONTROLS),
}
