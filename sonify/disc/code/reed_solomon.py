"""The reed-solomon check: lets a disc lose a whole row.

The grid, read row by row, is divided into symbols of eight bits: the text, padded with zeros, a
CRC-32 over it, and the check symbols. Symbols are dealt to the codewords in turn, so that each row
is spread evenly: no codeword loses more symbols with a row than it has check symbols. The CRC
detects a codeword that was taken for another one, which a Reed-Solomon code alone can't.

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

__all__ = [
    "DEFAULT_REDUNDANCY",
    "Plan",
    "Repair",
    "codewords",
    "plan",
    "protect",
    "repair",
    "rows_for",
]

Bits = NDArray[np.int8]
Kind = TypeVar("Kind", np.uint8, np.bool_, np.int64)

DEFAULT_REDUNDANCY = 0.25
CRC_SYMBOLS = 4
TRUSTED_SPARE = 4
"""Spare check symbols that confirm a codeword without the CRC: one in 2^32 passes by chance."""
MOST_TRIALS = 1_000_000
MOST_SUSPECTS = 64
SCAN = 64


@dataclass(frozen=True)
class Plan:
    """How the symbols of a grid are divided among codewords.

    Attributes
    ----------
    rows, positions : int
    symbols : int
        Symbols of eight bits in the whole grid. Up to seven bits at its end stay zero.
    codewords : int
    length : int
        Symbols of the longest codeword, at most 255.
    checks : int
        Check symbols per codeword.
    """

    rows: int
    positions: int
    symbols: int
    codewords: int
    length: int
    checks: int

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
        """Bits of text and its filling; 0 if nothing fits."""
        return 8 * self.data_symbols if self.fits else 0

    @property
    def redundancy(self) -> float:
        """The share of all symbols that are check symbols."""
        return self.codewords * self.checks / max(1, self.symbols)


@lru_cache(maxsize=65536)
def plan(rows: int, positions: int, redundancy: float) -> Plan:
    """The plan of a grid.

    `redundancy` is the least share of check symbols; with few rows it is raised until the loss of
    any one row can be repaired.
    """
    symbols = rows * positions // 8
    codewords = max(1, ceil(symbols / gf256.LONGEST))
    length = ceil(symbols / codewords)
    # where rows begin within a symbol repeats every eight rows
    touched = max(
        (min((r + 1) * positions, 8 * symbols) - 1) // 8 - r * positions // 8 + 1
        for r in range(min(rows, 8))
    )
    lost = ceil(max(0, touched) / codewords)
    checks = max(ceil(redundancy * length - 1e-9), lost, 2)
    return Plan(rows, positions, symbols, codewords, length, checks)


def rows_for(bits: int, positions: int, redundancy: float) -> int:
    """The fewest rows that hold that many bits of text."""
    least = 8 * CRC_SYMBOLS + bits
    low = max(2, ceil(max(least, least / (1 - redundancy) - 8) / positions))
    fails, high = low - 1, low
    while plan(high, positions, redundancy).data_bits < bits:
        fails, high = high, 2 * high
    while high - fails > SCAN:
        middle = (fails + high) // 2
        enough = plan(middle, positions, redundancy).data_bits >= bits
        fails, high = (fails, middle) if enough else (middle, high)
    # because of rounding, one more row sometimes holds less, so try the last stretch one by one
    for rows in range(max(low, high - SCAN), high):
        if plan(rows, positions, redundancy).data_bits >= bits:
            return rows
    return high


def codewords(symbols: NDArray[Kind], plan: Plan) -> NDArray[Kind]:
    """Symbols as codewords; the shorter ones begin with a zero that is not on the disc."""
    pad = plan.codewords * plan.length - len(symbols)
    full = np.concatenate((np.zeros(pad, symbols.dtype), symbols))
    return np.ascontiguousarray(full.reshape(plan.length, plan.codewords).T)


def _symbols(words: NDArray[Kind], plan: Plan) -> NDArray[Kind]:
    return words.T.reshape(-1)[plan.codewords * plan.length - plan.symbols :]


def _crc(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.frombuffer(zlib.crc32(data.tobytes()).to_bytes(CRC_SYMBOLS, "big"), np.uint8)


def _bits(words: NDArray[np.uint8], plan: Plan) -> Bits:
    """All the bits of a grid, the last ones zero."""
    out = np.zeros(plan.rows * plan.positions, np.int8)
    out[: 8 * plan.symbols] = np.unpackbits(_symbols(words, plan)).view(np.int8)
    return out


def protect(bits: Bits, plan: Plan) -> Bits:
    """Bits of text as all the bits of a grid, shape (rows * positions,)."""
    body = np.zeros(plan.symbols, np.uint8)
    packed = np.packbits(bits.view(np.uint8))
    body[: len(packed)] = packed
    data = plan.data_symbols
    body[data : data + CRC_SYMBOLS] = _crc(body[:data])
    words = codewords(body, plan)
    words[:, -plan.checks :] = gf256.checks(words[:, : -plan.checks], plan.checks)
    return _bits(words, plan)


@dataclass(frozen=True, eq=False)
class Repair:
    """A grid's bits after the check.

    Attributes
    ----------
    bits : ndarray of int8, shape (rows * positions,)
        Repaired where possible.
    bad : ndarray of bool, shape (rows * positions,)
        Bits that no check confirms.
    valid : bool
        Whether the check confirms the whole text.
    beyond : int
        Codewords that could not be repaired.
    """

    bits: Bits
    bad: NDArray[np.bool_]
    valid: bool
    beyond: int


def repair(flat: Bits, plan: Plan) -> Repair:
    """Check and repair the bits of a grid; -1 is an erasure.

    If the checks fail, each row in turn is taken as lost: a stage beside its row gives wrong bits,
    not unknown ones.
    """
    used = flat[: 8 * plan.symbols].reshape(-1, 8)
    erased = np.any(used < 0, axis=1)
    words = codewords(np.packbits(used > 0, axis=1)[:, 0], plan)
    marks = codewords(erased, plan)
    found = gf256.correct(words, plan.checks, marks)
    whole = found.words if _confirmed(found, plan) else _without_a_row(words, erased, found, plan)
    bad = np.zeros(len(flat), bool)
    if whole is not None:
        return Repair(_bits(whole, plan), bad, True, 0)
    as_read = ~np.any((found.words != words) | marks, axis=1)
    trusted = found.ok & (as_read | (found.spare >= TRUSTED_SPARE))
    sure = np.repeat(_symbols(np.repeat(trusted[:, None], plan.length, axis=1), plan), 8)
    bits = _bits(found.words, plan)
    bits[: len(sure)][~sure] = flat[: len(sure)][~sure]
    bad[: len(sure)] = ~sure
    return Repair(bits, bad, False, int(np.count_nonzero(~found.ok)))


def _confirmed(found: gf256.Corrected, plan: Plan) -> bool:
    symbols = _symbols(found.words, plan)[: plan.data_symbols + CRC_SYMBOLS]
    data, crc = symbols[:-CRC_SYMBOLS], symbols[-CRC_SYMBOLS:]
    return bool(found.ok.all() and np.array_equal(crc, _crc(data)))


def _without_a_row(
    words: NDArray[np.uint8], erased: NDArray[np.bool_], found: gf256.Corrected, plan: Plan
) -> NDArray[np.uint8] | None:
    """The codewords found by leaving out one row, if all rows with which this works agree."""
    if plan.rows * plan.length > MOST_TRIALS:
        return None
    first = np.arange(plan.rows)[:, None] * plan.positions // 8
    last = (np.arange(1, plan.rows + 1)[:, None] * plan.positions - 1) // 8
    at = np.arange(plan.symbols)
    # the worst codeword rules out most rows cheaply
    worst = int(np.argmin(np.where(found.ok, found.spare, -1)))
    own = codewords(at + 1, plan)[worst] - 1
    masks = (own >= first) & (own <= last) | codewords(erased, plan)[worst]
    trial = gf256.correct(np.repeat(words[worst][None], plan.rows, axis=0), plan.checks, masks)
    passed = {}
    for row in np.flatnonzero(trial.ok)[:MOST_SUSPECTS]:
        gone = (at >= first[row]) & (at <= last[row]) | erased
        whole = gf256.correct(words, plan.checks, codewords(gone, plan))
        if _confirmed(whole, plan):
            passed[whole.words.tobytes()] = whole.words
    return next(iter(passed.values())) if len(passed) == 1 else None
