"""Where in its units the text stands, and what follows of wrong or unknown bits from that."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.checks import crc_units, crc_units_count, most_unknown
from sonify.disc.code.code import Code
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.units import bits_to_units, units_to_bits

__all__ = ["Span", "could_be", "end_of", "likely_span", "mend_parity", "tidy", "vouched_span"]

Bits = NDArray[np.int8]
Indices = NDArray[np.int64]

HEAD_SLIPS = 2
"""Wrong bits at which SYN SYN STX still counts as seen: read one unit late, turned round or
inverted, it differs in more."""
MOST_ENDS = 32
"""Places that are tried as the end of a text whose ETX is in doubt."""


def could_be(cells: Bits, units: tuple[int, ...], code: Code, wrong: int) -> NDArray[np.bool_]:
    """Which code units might have been one of `units`, had so many known bits been wrong."""
    out = np.zeros(len(cells), bool)
    for unit in units:
        shape = _pattern((unit,), code)
        out |= np.count_nonzero((cells >= 0) & (cells != shape), axis=1) <= wrong
    return out


def _pattern(units: tuple[int, ...], code: Code) -> Bits:
    return units_to_bits(
        np.array(units, np.uint8), code.data_bits, code.bit_order, parity=code.check == "parity"
    )


def end_of(units: NDArray[np.uint8], known: NDArray[np.bool_]) -> int:
    """Where the filling begins: after the last unit that is not surely zero."""
    meant = (units != 0) | ~known
    return len(meant) - int(np.argmax(meant[::-1])) if meant.any() else 0


class Span(NamedTuple):
    """Where the text is: code units from `start` to `end`, all used up to `stop`, and the bits
    that say so."""

    start: int
    end: int
    stop: int
    bits: Bits


def mend_parity(bits: Bits, code: Code) -> tuple[Bits, NDArray[np.bool_]]:
    """One unknown bit of a unit follows from the others. Also: which units are wrong."""
    width = code.unit_bits
    count = len(bits) // width
    cells = bits[: count * width].reshape(count, width)
    unknown = np.count_nonzero(cells < 0, axis=1)
    odd = np.bitwise_xor.reduce(cells > 0, axis=1)
    mend = np.flatnonzero(unknown == 1)
    if len(mend):
        bits = bits.copy()
        cells = bits[: count * width].reshape(count, width)
        cells[mend, np.argmin(cells[mend], axis=1)] = odd[mend]
    return bits, (unknown > 1) | ((unknown == 0) & odd)


def _spans_to_try(bits: Bits, code: Code) -> Iterator[Span]:
    """Texts with a CRC, with each way to fill in the few unknown bits."""
    width = code.unit_bits
    check = crc_units_count(code.data_bits)
    framing = FRAMINGS[code.framing]
    unknown = np.flatnonzero(bits[: len(bits) // width * width] < 0)
    if framing.end is None:
        if len(unknown) <= most_unknown(len(bits) // width):
            for filled in _filled(bits, unknown):
                units, known = bits_to_units(filled, width, code.bit_order)
                end = end_of(units, known)
                if end > check:
                    yield Span(0, end - check, end, filled)
        return
    start = len(framing.head)
    count = len(bits) // width
    cells = bits[: count * width].reshape(count, width)
    ends = np.flatnonzero(could_be(cells, (framing.end,), code, 0))
    shape = _pattern((framing.end,), code)
    for end in ends[(ends > start) & (ends + check < count)][:MOST_ENDS].tolist():
        stop = end + 1 + check
        filled = bits.copy()
        filled[end * width : (end + 1) * width] = shape
        holes = np.flatnonzero(filled[start * width : stop * width] < 0) + start * width
        if len(holes) <= most_unknown(stop - start):
            for ready in _filled(filled, holes):
                yield Span(start, end, stop, ready)


def _filled(bits: Bits, unknown: Indices) -> Iterator[Bits]:
    if not len(unknown):
        yield bits
        return
    for values in product((0, 1), repeat=len(unknown)):
        out = bits.copy()
        out[unknown] = values
        yield out


def vouched_span(bits: Bits, code: Code) -> Span | None:
    """The one text that its CRC confirms; None where there is none or more than one."""
    passed: dict[bytes, Span] = {}
    framing = FRAMINGS[code.framing]
    for span in _spans_to_try(bits, code):
        part = span.bits[span.start * code.unit_bits : span.stop * code.unit_bits]
        units, _ = bits_to_units(part, code.data_bits, code.bit_order)
        covered = span.end - span.start + (framing.end is not None)
        if np.array_equal(units[covered:], crc_units(units[:covered], code.data_bits)):
            passed[units.tobytes()] = span
    return next(iter(passed.values())) if len(passed) == 1 else None


def likely_span(
    bits: Bits, code: Code, wrong: NDArray[np.bool_], reasons: list[str], vouched: bool
) -> Span:
    """Where the text is when no CRC says so."""
    width = code.unit_bits
    framing = FRAMINGS[code.framing]
    units, known = bits_to_units(
        bits, code.data_bits, code.bit_order, parity=code.check == "parity"
    )
    known &= ~wrong
    end = end_of(units, known)
    check = crc_units_count(code.data_bits) if code.check == "crc-16" else 0
    if framing.end is None:
        return Span(0, max(0, end - check), end, bits)
    start = len(framing.head)
    ends = np.flatnonzero(known & (units == framing.end))
    ends = ends[ends >= start]
    if len(ends):
        at = int(ends[-1])
        return Span(start, at, min(at + 1 + check, len(units)), bits)
    # an ETX with unknown bits: a text must have one, so if only one place can be it, it is
    if end > start and not check:
        cells = bits[: len(units) * width].reshape(len(units), width)
        surely = int(np.max(np.flatnonzero(np.any(cells > 0, axis=1)), initial=start))
        could = np.flatnonzero(could_be(cells[surely:end], (framing.end,), code, 0)) + surely
        if len(could) == 1:
            at = int(could[0])
            out = bits.copy()
            out[at * width : (at + 1) * width] = _pattern((framing.end,), code)
            wrong[at] = False
            return Span(start, at, at + 1, out)
    reasons.append("no ETX was found, so the end of the text is in doubt")
    return Span(min(start, end), max(min(start, end), end - check), end, bits)


def tidy(span: Span, code: Code, reasons: list[str], vouched: bool) -> Bits:
    """The bits with what the framing says of them put right: its head and the filling."""
    framing = FRAMINGS[code.framing]
    if not framing.head:
        return span.bits
    width = code.unit_bits
    bits = span.bits.copy()
    head = _pattern(framing.head, code)
    seen = bits[: len(head)]
    slips = np.count_nonzero((seen >= 0) & (seen != head[: len(seen)]))
    unknown = np.count_nonzero(seen < 0)
    if vouched or (slips <= HEAD_SLIPS and unknown <= len(head) // 2):
        bits[: len(head)] = head[: len(seen)]
    else:
        reasons.append("it does not begin with SYN SYN STX")
    rest = bits[span.stop * width :]
    if vouched or not np.any(rest > 0):
        rest[:] = 0
    else:
        reasons.append("something follows the end of the text")
    return bits
