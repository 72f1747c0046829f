"""Decoding: the characters that the bits give, the repairs, and what no check confirms."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.alphabets import FIGURES, LETTERS
from sonify.disc.code.checks import CHECKS
from sonify.disc.code.code import Code, check_code
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.text_span import (
    Span,
    could_be,
    end_of,
    likely_span,
    mend_parity,
    tidy,
    vouched_span,
)
from sonify.disc.code.units import CHARACTERS_OF, UNKNOWN_CHAR, Found, bits_to_units
from sonify.errors import InputError

__all__ = [
    "CHARACTERS",
    "FAILED",
    "GOOD",
    "REPAIRED",
    "Decoding",
    "Verdict",
    "decode",
    "decode_grid",
]

CHARACTERS = np.dtype(
    [
        ("first_bit", "i8"),
        ("last_bit", "i8"),
        ("codepoint", "i4"),
        ("state", "u1"),
        ("as_read", "i4"),
    ]
)
"""One decoded character: the first and last of its bits, as indices into the grid read row by
row, its Unicode code point, what became of it (`GOOD`, `REPAIRED` or `FAILED`), and the code
point that its bits give whatever a check says. The code point of a failed character is
U+FFFD."""

GOOD, REPAIRED, FAILED = 0, 1, 2

Bits = NDArray[np.int8]
Indices = NDArray[np.int64]
Verdict = Literal["valid", "repaired", "failed", "unchecked"]


def _none() -> Indices:
    return np.zeros(0, np.int64)


@dataclass(frozen=True, eq=False)
class Decoding:
    """What the bits say.

    Attributes
    ----------
    characters : ndarray of CHARACTERS, shape (characters,)
        In the order of the message.
    repaired_bits : ndarray of int64
        Indices into the grid, read row by row, of bits that were wrong or unknown and are now
        known.
    failed_bits : ndarray of int64
        Indices of unknown bits that stay so, and of all bits of a code unit whose parity, or
        of a symbol whose codeword, is wrong.
    verdict : str
        ``valid``: a check confirms the message as it was read. ``repaired``: a check
        confirms it after repair. ``failed``: some characters could not be read, or a check
        fails. ``unchecked``: the message can be read, but there is no check.
    reasons : tuple of str
        Why it failed, in plain words.
    bits : ndarray of int8, shape (bits,), or None
        The bits with all repairs; None where there were none.
    """

    characters: NDArray[np.void]
    repaired_bits: Indices = field(default_factory=_none)
    failed_bits: Indices = field(default_factory=_none)
    verdict: Verdict = "unchecked"
    reasons: tuple[str, ...] = ()
    bits: Bits | None = None

    @cached_property
    def text(self) -> str:
        """The message; a character that could not be read is U+FFFD."""
        return _text(self.characters["codepoint"])

    @cached_property
    def as_read(self) -> str:
        """The message as its bits give it, whatever a check says of it."""
        return _text(self.characters["as_read"])

    @property
    def failed(self) -> int:
        """How many characters could not be read."""
        return int(np.count_nonzero(self.characters["state"] == FAILED))

    @property
    def repaired(self) -> int:
        """How many characters were repaired."""
        return int(np.count_nonzero(self.characters["state"] == REPAIRED))


def _text(points: NDArray[np.int32]) -> str:
    return np.ascontiguousarray(points).astype("<u4").tobytes().decode("utf-32-le", "replace")


def decode_plain(bits: Bits, code: Code) -> Decoding:
    """A plain text without a check. The way of all simple discs, and so the fast one."""
    width = code.unit_bits
    units, known = bits_to_units(bits, width, code.bit_order)
    end = end_of(units, known)
    units, known = units[:end], known[:end]
    shift = ~known
    if code.alphabet == "ita2" and not known.all():
        cells = bits[: end * width].reshape(end, width)
        shift &= could_be(cells, (LETTERS, FIGURES), code, 0)
    found = CHARACTERS_OF[code.alphabet](units, known, shift)
    out = np.empty(len(found.first), CHARACTERS)
    out["first_bit"] = found.first * width
    out["last_bit"] = (found.first + found.length) * width - 1
    out["codepoint"] = out["as_read"] = np.where(found.ok, found.points, UNKNOWN_CHAR)
    out["state"] = np.where(found.ok, GOOD, FAILED)
    if found.ok.all():
        return Decoding(out)
    failed = np.flatnonzero(bits[: end * width] < 0)
    count = int(np.count_nonzero(~found.ok))
    return Decoding(out, _none(), failed, "failed", (f"{_characters(count)} can't be read",))


def _characters(count: int) -> str:
    return f"{count} character" + ("" if count == 1 else "s")


def decode_checked(
    flat: Bits,
    code: Code,
    *,
    repair: reed_solomon.Repair | None = None,
    text_bits: int | None = None,
    beyond: str | None = None,
) -> Decoding:
    """A text with a framing or a check.

    Parameters
    ----------
    flat : ndarray of int8, shape (bits,)
        As read.
    code : Code
    repair : reed_solomon.Repair, optional
        What reed-solomon made of it.
    text_bits : int, optional
        How many bits are text and its filling; all of them where it is not given.
    beyond : str, optional
        Why no check can vouch for it.
    """
    reasons: list[str] = [] if beyond is None else [beyond]
    bits = flat if repair is None else repair.bits
    bad = None if repair is None else repair.bad
    if repair is not None and not repair.valid:
        reasons.append(
            f"reed-solomon: {repair.beyond} codeword{'s are' if repair.beyond != 1 else ' is'} "
            "beyond repair"
            if repair.beyond
            else "reed-solomon: the CRC-32 of the repaired text does not match"
        )
    text = bits[:text_bits]
    wrong_units = np.zeros(len(text) // code.unit_bits, bool)
    if code.check == "parity":
        text, wrong_units = mend_parity(text, code)
    span = None
    vouched = repair is not None and repair.valid
    if code.check == "crc-16":
        span = vouched_span(text, code)
        if span is None:
            reasons.append("crc-16 does not match, so any character may be wrong")
        else:
            vouched = True
    if span is None:
        span = likely_span(text, code, wrong_units, reasons, vouched)
    text = tidy(span, code, reasons, vouched)
    trusted = _trusted(text, code, wrong_units, bad)
    return _result(flat, bits, text, code, span, trusted, wrong_units, bad, vouched, reasons)


def _trusted(
    bits: Bits, code: Code, wrong: NDArray[np.bool_], bad: NDArray[np.bool_] | None
) -> NDArray[np.bool_]:
    """Which code units are known and vouched for as far as each can be by itself."""
    width = code.unit_bits
    count = len(bits) // width
    known: NDArray[np.bool_] = np.all(bits[: count * width].reshape(count, width) >= 0, axis=1)
    known &= ~wrong
    if bad is not None:
        known &= ~np.any(bad[: count * width].reshape(count, width), axis=1)
    return known


def _shifts(
    bits: Bits, code: Code, trusted: NDArray[np.bool_], bad: NDArray[np.bool_] | None
) -> NDArray[np.bool_]:
    """Which untrusted code units might be a shift of ita2."""
    if code.alphabet != "ita2" or bad is not None:
        return ~trusted
    cells = bits[: len(trusted) * code.unit_bits].reshape(len(trusted), code.unit_bits)
    slips = int(code.check == "parity")
    return ~trusted & could_be(cells, (LETTERS, FIGURES), code, slips)


def _result(
    flat: Bits,
    mended: Bits,
    text: Bits,
    code: Code,
    span: Span,
    trusted: NDArray[np.bool_],
    wrong: NDArray[np.bool_],
    bad: NDArray[np.bool_] | None,
    vouched: bool,
    reasons: list[str],
) -> Decoding:
    width = code.unit_bits
    parity = code.check == "parity"
    part = slice(span.start, span.end)
    units, known = bits_to_units(text, code.data_bits, code.bit_order, parity=parity)
    shift = _shifts(text, code, trusted, bad)[part]
    found = CHARACTERS_OF[code.alphabet](units[part], trusted[part], shift)
    read = CHARACTERS_OF[code.alphabet](units[part], known[part], shift & ~known[part])
    reserved = [ord(c) for c in FRAMINGS[code.framing].reserved]
    ok = found.ok & ~np.isin(found.points, reserved)
    whole = CHECKS[code.check].whole
    if whole and not vouched and bad is None:
        ok = np.zeros_like(ok)

    after = np.concatenate((text, mended[len(text) :]))
    changed = after != flat
    failed = after < 0
    count = len(trusted)
    if wrong.any():
        failed[: count * width] |= np.repeat(wrong, width)
    if bad is not None:
        failed |= bad
    else:
        failed[span.stop * width : len(text)] = False  # filling, which says nothing
    changed &= ~failed

    out = np.empty(len(found.first), CHARACTERS)
    out["first_bit"] = (span.start + found.first) * width
    out["last_bit"] = (span.start + found.first + found.length) * width - 1
    sums = np.concatenate(([0], np.cumsum(changed)))
    touched = sums[out["last_bit"] + 1] > sums[out["first_bit"]]
    out["codepoint"] = np.where(ok, found.points, UNKNOWN_CHAR)
    out["state"] = np.where(ok, np.where(touched, REPAIRED, GOOD), FAILED)
    out["as_read"] = _as_read(found, read)
    lost = int(np.count_nonzero(~ok))
    if lost and not (whole and not vouched):
        reasons.append(f"{_characters(lost)} can't be read")
    repaired = np.flatnonzero(changed)
    verdict: Verdict = "valid"
    if reasons or lost:
        verdict = "failed"
    elif code.check == "none":
        verdict = "unchecked"
    elif len(repaired):
        verdict = "repaired"
    return Decoding(
        out,
        repaired,
        np.flatnonzero(failed),
        verdict,
        tuple(reasons),
        after if len(repaired) else None,
    )


def _as_read(found: Found, read: Found) -> NDArray[np.int64]:
    """The code points that the bits give, at the characters that were found."""
    out = np.full(len(found.first), UNKNOWN_CHAR, np.int64)
    if len(found.first) and len(read.first):
        at = np.minimum(np.searchsorted(read.first, found.first), len(read.first) - 1)
        same = read.first[at] == found.first
        out[same] = np.where(read.ok, read.points, UNKNOWN_CHAR)[at[same]]
    return out


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
