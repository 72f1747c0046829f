"""The reed-solomon check: what is added to a disc's bits so that a whole row may be lost.

The grid, read row by row, is cut into symbols of eight bits. First comes the text, filled up with
zeros, then a CRC-32 over it, then the check symbols. Symbols go to the codewords in turn, so
that those of one row are shared out evenly: no codeword loses more symbols with a row than it has
check symbols. The CRC tells a codeword that was taken for another one, which a Reed-Solomon
code alone can't.

The CRC is CRC-32/ISO-HDLC of the catalogue of parametrised CRC algorithms (G. Cook), check value
CBF43926 over "123456789".
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache
from math import ceil
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code import gf256

__all__ = ["DEFAULT_REDUNDANCY", "Plan", "Repair", "plan", "protect", "repair", "rows_for"]

Bits = NDArray[np.int8]
Kind = TypeVar("Kind", np.uint8, np.bool_)

DEFAULT_REDUNDANCY = 0.25
CRC_SYMBOLS = 4
TRUSTED_SPARE = 4
"""Check symbols left over that vouch for a codeword without the CRC: one in 2^32 passes by
chance."""
MOST_SUSPECTS = 64
SCAN = 64


@dataclass(frozen=True)
class Plan:
    """How the symbols of a grid are shared out.

    Attributes
    ----------
    rows, positions : int
    symbols : int
        Of eight bits, in all the grid. Up to seven bits at its end stay zero.
    codewords : int
    length : int
        Symbols of the longest codeword, at most 255.
    checks : int
        Check symbols a codeword.
    lost : int
        The most symbols that one codeword loses with one row.
    """

    rows: int
    positions: int
    symbols: int
    codewords: int
    length: int
    checks: int
    lost: int

    @property
    def fits(self) -> bool:
        """Whether there is room for at least one symbol of text."""
        return self.checks < self.length and self.data_symbols > 0

    @property
    def data_symbols(self) -> int:
        """Symbols of text and its filling."""
        return self.symbols - self.codewords * self.checks - CRC_SYMBOLS

    @property
    def data_bits(self) -> int:
        """Bits of text and its filling; 0 where nothing fits."""
        return 8 * self.data_symbols if self.fits else 0

    @property
    def redundancy(self) -> float:
        """The share of all symbols that are check symbols."""
        return self.codewords * self.checks / max(1, self.symbols)


@lru_cache(maxsize=65536)
def plan(rows: int, positions: int, redundancy: float) -> Plan:
    """The plan of a grid.

    `redundancy` is the least share of check symbols; where the rows are few it is raised until
    the loss of any one row can be repaired.
    """
    symbols = rows * positions // 8
    codewords = max(1, ceil(symbols / gf256.LONGEST))
    length = ceil(symbols / codewords)
    # where rows begin within a symbol comes round every eight rows
    touched = max(
        (min((r + 1) * positions, 8 * symbols) - 1) // 8 - r * positions // 8 + 1
        for r in range(min(rows, 8))
    )
    lost = ceil(max(0, touched) / codewords)
    checks = max(ceil(redundancy * length - 1e-9), lost, 2)
    return Plan(rows, positions, symbols, codewords, length, checks, lost)


def rows_for(bits: int, positions: int, redundancy: float) -> int:
    """The fewest rows that hold so many bits of text."""
    least = 8 * CRC_SYMBOLS + bits
    low = max(2, ceil(max(least, least / (1 - redundancy) - 8) / positions))
    fails, high = low - 1, low
    while plan(high, positions, redundancy).data_bits < bits:
        fails, high = high, 2 * high
    while high - fails > SCAN:
        middle = (fails + high) // 2
        if plan(middle, positions, redundancy).data_bits >= bits:
            high = middle
        else:
            fails = middle
    # roundings make one row more hold less here and there, so the last stretch is walked
    for rows in range(max(low, high - SCAN), high):
        if plan(rows, positions, redundancy).data_bits >= bits:
            return rows
    return high


def _words(symbols: NDArray[Kind], plan: Plan) -> NDArray[Kind]:
    """Symbols as codewords; the shorter ones begin with a zero that is not on the disc."""
    pad = plan.codewords * plan.length - len(symbols)
    full = np.concatenate((np.zeros(pad, symbols.dtype), symbols))
    return np.ascontiguousarray(full.reshape(plan.length, plan.codewords).T)


def _symbols(words: NDArray[Kind], plan: Plan) -> NDArray[Kind]:
    return words.T.reshape(-1)[plan.codewords * plan.length - plan.symbols :]


def _crc(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.frombuffer(zlib.crc32(data.tobytes()).to_bytes(CRC_SYMBOLS, "big"), np.uint8)


def protect(bits: Bits, plan: Plan) -> Bits:
    """Bits of text as all the bits of a grid, shape (rows * positions,)."""
    data = np.zeros(plan.data_symbols, np.uint8)
    packed = np.packbits(bits.view(np.uint8))
    data[: len(packed)] = packed
    whole = np.concatenate((data, _crc(data)))
    body = np.concatenate((whole, np.zeros(plan.codewords * plan.checks, np.uint8)))
    words = _words(body, plan)
    words[:, -plan.checks :] = gf256.checks(words[:, : -plan.checks], plan.checks)
    out = np.zeros(plan.rows * plan.positions, np.int8)
    out[: 8 * plan.symbols] = np.unpackbits(_symbols(words, plan)).view(np.int8)
    return out


@dataclass(frozen=True, eq=False)
class Repair:
    """A grid's bits after the check.

    Attributes
    ----------
    bits : ndarray of int8, shape (rows * positions,)
        With all that could be repaired.
    bad : ndarray of bool, shape (rows * positions,)
        Bits that no check confirms.
    valid : bool
        Whether the check confirms the whole text.
    beyond : int
        Codewords that could not be repaired.
    row : int or None
        The row that was wrong without being marked so, where leaving it out gave the text.
    """

    bits: Bits
    bad: NDArray[np.bool_]
    valid: bool
    beyond: int
    row: int | None = None


def repair(flat: Bits, plan: Plan) -> Repair:
    """Check and repair the bits of a grid; -1 is an erasure.

    Where the checks fail, each row in turn is taken for lost: a stage that stood beside its row
    gives wrong bits and no unknown ones.
    """
    used = flat[: 8 * plan.symbols].reshape(-1, 8)
    symbols = np.packbits(used > 0, axis=1)[:, 0]
    erased = np.any(used < 0, axis=1)
    some = bool(erased.any())
    words = _words(symbols, plan)
    marks = _words(erased, plan) if some else None
    found = gf256.correct(words, plan.checks, marks)
    if _vouched(found, plan):
        return _whole(found, plan)
    row = _lost_row(words, erased, found, plan)
    if row is not None:
        return row
    trusted = found.ok & (
        ~np.any(found.words != words, axis=1) & (True if marks is None else ~marks.any(axis=1))
        | (found.spare >= TRUSTED_SPARE)
    )
    bits = flat.copy()
    fixed = np.where(trusted[:, None], found.words, words)
    sure = np.repeat(_symbols(np.repeat(trusted[:, None], plan.length, axis=1), plan), 8)
    new = np.unpackbits(_symbols(fixed, plan)).view(np.int8)
    bits[: len(new)] = np.where(sure, new, flat[: len(new)])
    bad = np.zeros(len(flat), bool)
    bad[: len(sure)] = ~sure
    bits[len(sure) :] = 0
    return Repair(bits, bad, False, int(np.count_nonzero(~found.ok)))


def _vouched(found: gf256.Corrected, plan: Plan) -> bool:
    if not found.ok.all():
        return False
    symbols = _symbols(found.words, plan)[: plan.data_symbols + CRC_SYMBOLS]
    data, crc = symbols[:-CRC_SYMBOLS], symbols[-CRC_SYMBOLS:]
    return bool(np.array_equal(crc, _crc(data)))


def _whole(found: gf256.Corrected, plan: Plan, row: int | None = None) -> Repair:
    total = plan.rows * plan.positions
    bits = np.zeros(total, np.int8)
    bits[: 8 * plan.symbols] = np.unpackbits(_symbols(found.words, plan)).view(np.int8)
    return Repair(bits, np.zeros(total, bool), True, 0, row)


def _lost_row(
    words: NDArray[np.uint8], erased: NDArray[np.bool_], found: gf256.Corrected, plan: Plan
) -> Repair | None:
    """The repair that leaving one row out gives, where just one row does."""
    if plan.rows * plan.length > 1_000_000:
        return None
    # the codeword in the worst state sorts out most rows at little cost
    worst = int(np.argmin(np.where(found.ok, found.spare, -1)))
    starts = np.arange(plan.rows) * plan.positions
    first = starts // 8
    last = np.minimum((starts + plan.positions - 1) // 8, plan.symbols - 1)
    at = np.arange(plan.symbols)
    pad = plan.codewords * plan.length - plan.symbols
    own = at[(at + pad) % plan.codewords == worst]
    masks = np.zeros((plan.rows, plan.length), bool)
    masks[:, plan.length - len(own) :] = (own >= first[:, None]) & (own <= last[:, None])
    masks[:, plan.length - len(own) :] |= erased[own]
    trial = gf256.correct(np.repeat(words[worst][None], plan.rows, axis=0), plan.checks, masks)
    repairs = []
    for row in np.flatnonzero(trial.ok)[:MOST_SUSPECTS]:
        gone = erased | ((at >= first[row]) & (at <= last[row]))
        whole = gf256.correct(words, plan.checks, _words(gone, plan))
        if _vouched(whole, plan):
            repairs.append(_whole(whole, plan, int(row)))
    texts = {r.bits.tobytes() for r in repairs}
    return repairs[0] if len(texts) == 1 else None
