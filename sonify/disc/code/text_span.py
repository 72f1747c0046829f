"""Where in the code units the text is, and what that says about wrong or unknown bits."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.checks import crc_units, crc_units_count, most_unknown
from sonify.disc.code.code import Code
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.units import bits_to_units, cells_of, units_to_bits

__all__ = ["Span", "confirmed_span", "could_be", "likely_span", "mend_parity", "tidy"]

Bits = NDArray[np.int8]
Flags = NDArray[np.bool_]
Units = NDArray[np.uint8]

HEAD_SLIPS = 2
"""The most wrong bits with which SYN SYN STX still counts as seen: if read one unit late, rotated
or inverted, it differs in more."""
MOST_ENDS = 32
"""The most places to try as the end of a text whose ETX is in doubt."""


def could_be(bits: Bits, units: tuple[int, ...], code: Code, wrong: int) -> Flags:
    """Which code units might have been one of `units` if up to `wrong` known bits were wrong."""
    cells = cells_of(bits, code)
    out = np.zeros(len(cells), bool)
    for unit in units:
        out |= np.count_nonzero((cells >= 0) & (cells != _pattern((unit,), code)), axis=1) <= wrong
    return out


def _pattern(units: tuple[int, ...], code: Code) -> Bits:
    return units_to_bits(np.array(units, np.uint8), code)


def _end_of(units: Units, known: Flags) -> int:
    """Where the padding begins: after the last unit that is not certainly zero."""
    meant = (units != 0) | ~known
    return len(meant) - int(np.argmax(meant[::-1])) if meant.any() else 0


class Span(NamedTuple):
    """Where the text is: code units from `start` to `end`, with its check up to `stop`; and the
    bits that this is based on."""

    start: int
    end: int
    stop: int
    bits: Bits


def mend_parity(bits: Bits, code: Code) -> tuple[Bits, Flags]:
    """The bits with single unknown bits of units filled in, and which units are wrong."""
    cells = cells_of(bits, code)
    unknown = np.count_nonzero(cells < 0, axis=1)
    odd = np.bitwise_xor.reduce(cells > 0, axis=1)
    mend = np.flatnonzero(unknown == 1)
    if len(mend):
        bits = bits.copy()
        cells = cells_of(bits, code)
        cells[mend, np.argmin(cells[mend], axis=1)] = odd[mend]
    return bits, (unknown > 1) | ((unknown == 0) & odd)


def _filled(bits: Bits, start: int, stop: int, code: Code) -> Iterator[Bits]:
    """The bits with every way to fill in unknown ones between two units, if they are few enough for
    a CRC."""
    low, high = start * code.unit_bits, stop * code.unit_bits
    unknown = np.flatnonzero(bits[low:high] < 0) + low
    if len(unknown) <= most_unknown(stop - start):
        for values in product((0, 1), repeat=len(unknown)):
            out = bits.copy()
            out[unknown] = values
            yield out


def _spans_to_try(bits: Bits, code: Code) -> Iterator[Span]:
    """Texts with a CRC, with every way to fill in a few unknown bits."""
    width = code.unit_bits
    check = crc_units_count(code.data_bits)
    framing = FRAMINGS[code.framing]
    count = len(bits) // width
    if framing.end is None:
        for filled in _filled(bits, 0, count, code):
            end = _end_of(*bits_to_units(filled, code))
            if end > check:
                yield Span(0, end - check, end, filled)
        return
    start = len(framing.head)
    ends = np.flatnonzero(could_be(bits, (framing.end,), code, 0))
    for end in ends[(ends > start) & (ends + check < count)][:MOST_ENDS].tolist():
        stop = end + 1 + check
        marked = bits.copy()
        marked[end * width : (end + 1) * width] = _pattern((framing.end,), code)
        for filled in _filled(marked, start, stop, code):
            yield Span(start, end, stop, filled)


def confirmed_span(bits: Bits, code: Code) -> Span | None:
    """The one text that its CRC confirms; None if there is none or more than one."""
    passed: dict[bytes, Span] = {}
    framed = FRAMINGS[code.framing].end is not None
    for span in _spans_to_try(bits, code):
        units, _ = bits_to_units(span.bits[: span.stop * code.unit_bits], code)
        units = units[span.start :]
        covered = span.end - span.start + framed
        if np.array_equal(units[covered:], crc_units(units[:covered], code.data_bits)):
            passed[units.tobytes()] = span
    return next(iter(passed.values())) if len(passed) == 1 else None


def likely_span(
    bits: Bits, units: Units, known: Flags, code: Code, wrong: Flags, reasons: list[str]
) -> Span:
    """Where the text probably is if no CRC decides it."""
    width = code.unit_bits
    framing = FRAMINGS[code.framing]
    known = known & ~wrong
    end = _end_of(units, known)
    check = crc_units_count(code.data_bits) if code.check == "crc-16" else 0
    if framing.end is None:
        return Span(0, max(0, end - check), end, bits)
    start = len(framing.head)
    ends = np.flatnonzero(known & (units == framing.end))
    if len(ends) and ends[-1] >= start:
        # a text has no ETX, but free filling may
        at = int(ends[ends >= start][0] if code.filling == "free" else ends[-1])
        return Span(start, at, min(at + 1 + check, len(units)), bits)
    # an ETX with unknown bits: a text must have one, so if only one place can be it, that is it
    if end > start and not check:
        ones = np.flatnonzero(np.any(cells_of(bits, code) > 0, axis=1))
        surely = int(np.max(ones, initial=start))
        could = np.flatnonzero(could_be(bits, (framing.end,), code, 0)[surely:end]) + surely
        if len(could) == 1:
            at = int(could[0])
            out = bits.copy()
            out[at * width : (at + 1) * width] = _pattern((framing.end,), code)
            wrong[at] = False
            return Span(start, at, at + 1, out)
    reasons.append("no ETX was found, so the end of the text is in doubt")
    start = min(start, end)
    return Span(start, max(start, end - check), end, bits)


def tidy(span: Span, code: Code, reasons: list[str], confirmed: bool) -> Bits:
    """The bits with the head and the padding corrected according to the framing."""
    framing = FRAMINGS[code.framing]
    if not framing.head:
        return span.bits
    bits = span.bits.copy()
    head = _pattern(framing.head, code)
    seen = bits[: len(head)]
    slips = np.count_nonzero((seen >= 0) & (seen != head[: len(seen)]))
    if confirmed or (slips <= HEAD_SLIPS and np.count_nonzero(seen < 0) <= len(head) // 2):
        seen[:] = head[: len(seen)]
    else:
        reasons.append("it does not begin with SYN SYN STX")
    rest = bits[span.stop * code.unit_bits :]
    if code.filling == "free":
        return bits
    if confirmed or not np.any(rest > 0):
        rest[:] = 0
    else:
        reasons.append("something follows the end of the text")
    return bits
