"""Decoding: the characters in the bits, the repairs, and what no check confirms."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import reed_solomon
from sonify.disc.code.alphabets import FIGURES, LETTERS
from sonify.disc.code.code import Code, check_code
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.text_span import confirmed_span, could_be, likely_span, mend_parity, tidy
from sonify.disc.code.units import (
    CHARACTERS_OF,
    UNKNOWN_CHAR,
    FoundCharacters,
    bits_to_units,
    cells_of,
)
from sonify.errors import plural

__all__ = [
    "CHARACTERS",
    "FAILED",
    "GOOD",
    "REPAIRED",
    "Decoding",
    "Verdict",
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
"""One decoded character: the first and last of its bits, as indices into the grid read row by row;
its Unicode code point; its state (`GOOD`, `REPAIRED` or `FAILED`); and the code point that its bits
give whatever a check says. The code point of a failed character is U+FFFD."""

GOOD, REPAIRED, FAILED = 0, 1, 2

Bits = NDArray[np.int8]
Indices = NDArray[np.int64]
Verdict = Literal["valid", "repaired", "failed", "unchecked"]


@dataclass(frozen=True, eq=False)
class Decoding:
    """What the bits say.

    Attributes
    ----------
    characters : ndarray of CHARACTERS, shape (characters,)
        In the order of the message.
    repaired_bits : ndarray of int64
        Indices into the grid, read row by row, of bits that were wrong or unknown.
    failed_bits : ndarray of int64
        Indices of bits that stay unknown, and of all bits of a code unit whose parity, or of a
        symbol whose codeword, is wrong.
    verdict : str
        ``valid``: a check confirms the message as read. ``repaired``: a check confirms it after
        repair. ``failed``: some characters could not be read, or a check failed. ``unchecked``:
        the message can be read, but there is no check.
    reasons : tuple of str
        Why it failed, in plain words.
    bits : ndarray of int8, shape (bits,), or None
        The bits with all repairs; None if there were none.
    """

    characters: NDArray[np.void]
    repaired_bits: Indices
    failed_bits: Indices
    verdict: Verdict
    reasons: tuple[str, ...]
    bits: Bits | None

    @cached_property
    def text(self) -> str:
        """The message; a character that could not be read is U+FFFD."""
        return _text(self.characters["codepoint"])

    @cached_property
    def as_read(self) -> str:
        """The message that its bits give, whatever a check says."""
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


def decode_grid(grid: Bits, code: Code) -> Decoding:
    """A grid as a message, repaired where possible.

    Parameters
    ----------
    grid : ndarray of int8, shape (rows, positions)
        1, 0, and -1 for unknown.
    code : Code

    Returns
    -------
    Decoding
        A character is `FAILED` if it has an unknown bit that could not be repaired, if it is not in
        the alphabet, or if its check does not confirm it. The zeros that pad the last row are not
        characters.
    """
    check_code(code)
    flat = grid.reshape(-1)
    if code.check != "reed-solomon":
        return _decoded(flat, code)
    plan = reed_solomon.plan(*grid.shape, code.share)
    if not plan.fits:
        return _decoded(flat, code, reasons=["the grid is too small for reed-solomon"])
    repair = reed_solomon.repair(flat, plan)
    reasons = []
    if repair.beyond:
        reasons.append(
            f"reed-solomon: {plural(repair.beyond, 'codeword')} "
            f"{'is' if repair.beyond == 1 else 'are'} beyond repair"
        )
    elif not repair.valid:
        reasons.append("reed-solomon: the CRC-32 of the repaired text does not match")
    return _decoded(flat, code, repair, plan.data_bits, reasons)


def _decoded(
    flat: Bits,
    code: Code,
    repair: reed_solomon.Repair | None = None,
    text_bits: int | None = None,
    reasons: list[str] | None = None,
) -> Decoding:
    """Decode the bits as read, given what reed-solomon made of them, how many are text (None: all),
    and why no check can confirm it."""
    reasons = reasons or []
    width = code.unit_bits
    bits = flat if repair is None else repair.bits
    bad = None if repair is None else repair.bad
    confirmed = repair is not None and repair.valid
    text = given = bits if text_bits is None else bits[:text_bits]
    wrong = np.zeros(len(text) // width, bool)
    if code.parity:
        text, wrong = mend_parity(text, code)
    span = None
    if code.check == "crc-16":
        span = confirmed_span(text, code)
        confirmed = span is not None
        if span is None:
            reasons.append("crc-16 does not match, so any character may be wrong")
    units, known = bits_to_units(text, code)
    if span is None:
        span = likely_span(text, units, known, code, wrong, reasons)
    text = tidy(span, code, reasons, confirmed)
    if text is not given:
        units, known = bits_to_units(text, code)

    trusted = known & ~wrong
    if bad is not None:
        trusted &= ~np.any(cells_of(bad[: len(text)].view(np.int8), code), axis=1)
    shift = ~trusted
    if code.alphabet == "ita2" and bad is None and shift.any():
        shift &= could_be(text, (LETTERS, FIGURES), code, int(code.parity))
    part = slice(span.start, span.end)
    characters_of = CHARACTERS_OF[code.alphabet]
    found = characters_of(units[part], trusted[part], shift[part])
    read = found
    if not np.array_equal(trusted, known):
        read = characters_of(units[part], known[part], (shift & ~known)[part])
    ok = found.ok & ~np.isin(found.points, [ord(c) for c in FRAMINGS[code.framing].reserved])
    whole = code.check in ("crc-16", "reed-solomon")
    if whole and not confirmed and bad is None:
        ok[:] = False

    after = flat if text is flat else np.concatenate((text, bits[len(text) :]))
    changed = after != flat
    failed = after < 0
    if bad is None:
        failed[span.stop * width : len(text)] = False  # padding does not count
        wrong = wrong[: span.stop] if code.filling == "free" else wrong
        if wrong.any():
            failed[: len(wrong) * width] |= np.repeat(wrong, width)
    else:
        failed |= bad
    changed &= ~failed

    out = np.empty(len(found.first), CHARACTERS)
    out["first_bit"] = (span.start + found.first) * width
    out["last_bit"] = (span.start + found.first + found.length) * width - 1
    repaired = np.flatnonzero(changed)
    before = np.searchsorted(repaired, out["first_bit"])
    touched = np.searchsorted(repaired, out["last_bit"], "right") > before
    out["codepoint"] = np.where(ok, found.points, UNKNOWN_CHAR)
    out["state"] = np.where(ok, np.where(touched, REPAIRED, GOOD), FAILED)
    out["as_read"] = _as_read(found, read)
    lost = int(np.count_nonzero(~ok))
    if lost and (confirmed or not whole):
        reasons.append(f"{plural(lost, 'character')} can't be read")
    verdict: Verdict = "valid"
    if reasons or lost:
        verdict = "failed"
    elif code.check == "none":
        verdict = "unchecked"
    elif len(repaired):
        verdict = "repaired"
    mended = after if len(repaired) else None
    return Decoding(out, repaired, np.flatnonzero(failed), verdict, tuple(reasons), mended)


def _as_read(found: FoundCharacters, read: FoundCharacters) -> Indices:
    """The code points that the bits give, at the characters that were found."""
    points = np.where(read.ok, read.points, UNKNOWN_CHAR)
    if read is found:
        return points
    out = np.full(len(found.first), UNKNOWN_CHAR, np.int64)
    _, here, there = np.intersect1d(
        found.first, read.first, assume_unique=True, return_indices=True
    )
    out[here] = points[there]
    return out
