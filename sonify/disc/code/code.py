"""The `[code]` section: how a message is written as bits.

The alphabet turns a message into *code units*, a framing and a check are added, the bit order turns
units into bits, and bits fill the rows. In every code, units follow each other without gaps from
the first bit on, so bit `i` of a grid read row by row is bit `i % code.unit_bits` of its unit
(`Code.place`).
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.reed_solomon import DEFAULT_REDUNDANCY
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = ["Code", "check_code"]

Index = TypeVar("Index", int, NDArray[np.int64])


class Code(Settings, frozen=True):
    """The `[code]` section: how a message is written as bits.

    Attributes
    ----------
    alphabet
        The character set, which sets the bits per character.

        - ascii: 7 bits, plain English
        - ita2: 5 bits, capitals and digits, as in telegraphy
        - utf-8: 8 bits or more, every character
    bit_order
        Which end of a character is read first.

        - high-first: the most significant bit first
        - low-first: the least significant bit first
    framing
        Marks around the message, so a reader can find its start.

        - plain: no marks
        - framed: start and end marks
    check
        Extra bits that detect or repair damage.

        - none: no extra bits
        - parity: one bit per character detects single errors
        - crc-16: sixteen bits detect nearly all errors
        - reed-solomon: repairs errors, even a lost row
    redundancy
        The least share of the disc used for repair, with reed-solomon only. Empty: 0.25.
    filling
        What follows the end mark of a framed message. Empty: zeros.

        - free: holes that are played, but belong to no message
    """

    alphabet: Literal["ascii", "ita2", "utf-8"] = "ascii"
    bit_order: Literal["high-first", "low-first"] = "high-first"
    framing: Literal["plain", "framed"] = "plain"
    check: Literal["none", "parity", "crc-16", "reed-solomon"] = "none"
    redundancy: Annotated[float, control(step=0.05, soft=(0.05, 0.6), ge=0.01, le=0.9)] | None = (
        None
    )
    filling: Literal["free"] | None = None

    @property
    def data_bits(self) -> int:
        """Bits of one code unit without its parity bit."""
        return ALPHABETS[self.alphabet].unit_bits

    @property
    def parity(self) -> bool:
        """Whether each code unit has a parity bit."""
        return self.check == "parity"

    @property
    def unit_bits(self) -> int:
        """Bits of one code unit on the disc, including its parity bit."""
        return self.data_bits + self.parity

    @property
    def share(self) -> float:
        """The redundancy in effect."""
        return DEFAULT_REDUNDANCY if self.redundancy is None else self.redundancy

    def place(self, index: Index) -> Index:
        """The place within its code unit of the bit at an index of the grid read row by row.

        0 is the bit that is read first. The parity bit, if there is one, comes last. The check
        symbols of reed-solomon, which are not characters, are counted like text.
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
            f"redundancy goes with the check reed-solomon, not with {code.check}; leave it out",
            place="code.redundancy",
        )
    if code.filling == "free" and code.framing != "framed":
        raise InputError(
            "free filling needs the end mark of a framed message; use framed, or leave it out",
            place="code.filling",
        )
