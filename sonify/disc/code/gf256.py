"""Reed-Solomon codes over GF(256), many codewords at once.

The field is GF(2)[x] / (x^8 + x^4 + x^3 + x^2 + 1) with the generator 2, and the roots of the
code's generator polynomial are 2^0, 2^1, ... (the field and the code of ISO/IEC 18004).

Each step handles all codewords at once: a disc of ten million bits has thousands. The method is
that of R. E. Blahut, *Theory and Practice of Error Control Codes* (1983): the Berlekamp-Massey
algorithm started from the erasure locator, a search for roots at every place, and Forney's formula
for the values.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["LOG", "Corrected", "checks", "correct", "syndromes"]

Symbols = NDArray[np.uint8]
FIELD = 0x11D
LONGEST = 255
"""The most symbols of a codeword."""
BATCH = 2048


def _tables() -> tuple[Symbols, NDArray[np.int64], Symbols]:
    exp = np.zeros(512, np.uint8)
    log = np.zeros(256, np.int64)
    x = 1
    for i in range(255):
        exp[i] = exp[i + 255] = x
        log[x] = i
        x <<= 1
        if x & 0x100:
            x ^= FIELD
    product = exp[log[:, None] + log[None, :]]
    product[0, :] = product[:, 0] = 0
    return exp, log, product


EXP, LOG, PRODUCT = _tables()


@lru_cache(maxsize=32)
def generator(count: int) -> Symbols:
    """The generator polynomial of `count` check symbols, highest power (always 1) first."""
    poly = np.ones(1, np.uint8)
    for i in range(count):
        longer = np.zeros(len(poly) + 1, np.uint8)
        longer[:-1] = poly
        longer[1:] ^= PRODUCT[EXP[i], poly]
        poly = longer
    return poly


def checks(data: Symbols, count: int) -> Symbols:
    """The check symbols of codewords.

    Parameters
    ----------
    data : ndarray of uint8, shape (codewords, symbols)
    count : int
        Check symbols per codeword.

    Returns
    -------
    ndarray of uint8, shape (codewords, count)
    """
    table = np.ascontiguousarray(PRODUCT[:, generator(count)[1:]])
    left = np.zeros((len(data), count), np.uint8)
    for i in range(data.shape[1]):
        back = data[:, i] ^ left[:, 0]
        left[:, :-1] = left[:, 1:]
        left[:, -1] = 0
        left ^= table[back]
    return left


@lru_cache(maxsize=2)
def _powers(length: int, count: int) -> Symbols:
    """Every symbol at every place times the powers of the roots, (places, symbols, roots)."""
    powers = EXP[np.outer(np.arange(length)[::-1], np.arange(count)) % 255]
    return np.moveaxis(PRODUCT[:, powers], 0, 1).copy()


def syndromes(words: Symbols, count: int) -> Symbols:
    """The values of codewords at the roots of the code; all zero for a valid one.

    Returns
    -------
    ndarray of uint8, shape (codewords, count)
    """
    out = np.zeros((len(words), count), np.uint8)
    for place, table in enumerate(_powers(words.shape[1], count)):
        out ^= table[words[:, place]]
    return out


class Corrected(NamedTuple):
    """Codewords after correction.

    Attributes
    ----------
    words : ndarray of uint8, shape (codewords, symbols)
        Corrected if `ok`, otherwise unchanged.
    ok : ndarray of bool, shape (codewords,)
    spare : ndarray of int64, shape (codewords,)
        Check symbols that the correction did not need and that confirm it.
    """

    words: Symbols
    ok: NDArray[np.bool_]
    spare: NDArray[np.int64]


def correct(words: Symbols, count: int, erased: NDArray[np.bool_] | None = None) -> Corrected:
    """Correct errors and erasures: any e errors and v erasures with 2e + v <= count.

    Parameters
    ----------
    words : ndarray of uint8, shape (codewords, symbols)
        Data symbols, then `count` check symbols.
    count : int
    erased : ndarray of bool, shape (codewords, symbols), optional
        The unknown symbols.

    Returns
    -------
    Corrected
        A codeword beyond the bound is either rejected (`ok` false) or, as with every such code,
        taken for another one, which only a check of the whole text can detect.
    """
    words = np.array(words, np.uint8)
    erased = np.zeros(words.shape, bool) if erased is None else erased
    spare = count - erased.sum(axis=1)
    ok = spare >= 0
    start = np.where(erased, np.uint8(0), words)
    wrong = syndromes(start, count)
    dirty = np.any(wrong, axis=1)
    words[ok & ~dirty] = start[ok & ~dirty]
    todo = np.flatnonzero(ok & dirty)
    for at in range(0, len(todo), BATCH):
        some = todo[at : at + BATCH]
        fixed, good, used = _solve(start[some], wrong[some], count, erased[some])
        ok[some] = good
        words[some[good]] = fixed[good]
        spare[some] = count - used
    return Corrected(words, ok, np.where(ok, spare, 0))


def _erasure_locator(erased: NDArray[np.bool_], count: int) -> Symbols:
    n = erased.shape[1]
    most = int(erased.sum(axis=1).max(initial=0))
    places = np.argsort(~erased, axis=1, kind="stable")[:, :most]
    there = np.take_along_axis(erased, places, axis=1)
    roots = np.where(there, EXP[(n - 1 - places) % 255], np.uint8(0))
    out = np.zeros((len(erased), count + 1), np.uint8)
    out[:, 0] = 1
    for k in range(most):
        out[:, 1:] ^= PRODUCT[roots[:, k, None], out[:, :-1]]
    return out


def _locator(
    wrong: Symbols, count: int, start: Symbols, erasures: NDArray[np.int64]
) -> tuple[Symbols, NDArray[np.int64]]:
    """Berlekamp-Massey from the erasure locator: the locator of all errors, and its length."""
    locator, before = start.copy(), start.copy()
    length = erasures.copy()
    shifted = np.empty_like(before)
    for r in range(1, count + 1):
        active = r > erasures
        delta = np.bitwise_xor.reduce(PRODUCT[locator[:, :r], wrong[:, r - 1 :: -1]], axis=1)
        delta = np.where(active, delta, np.uint8(0))
        shifted[:, 0] = 0
        shifted[:, 1:] = before[:, :-1]
        grown = locator ^ PRODUCT[delta[:, None], shifted]
        grow = active & (delta != 0) & (2 * length <= r - 1 + erasures)
        inverse = EXP[(255 - LOG[delta]) % 255]
        scaled = PRODUCT[inverse[:, None], locator]
        before = np.where(grow[:, None], scaled, np.where(active[:, None], shifted, before))
        length = np.where(grow, r - length + erasures, length)
        locator = grown
    return locator, length


def _solve(
    words: Symbols, wrong: Symbols, count: int, erased: NDArray[np.bool_]
) -> tuple[Symbols, NDArray[np.bool_], NDArray[np.int64]]:
    """The corrected codewords, whether each succeeded, and the check symbols it needed."""
    m, n = words.shape
    erasures = erased.sum(axis=1)
    start = _erasure_locator(erased, count)
    locator, length = _locator(wrong, count, start, erasures)
    used = 2 * length - erasures
    degree = count - np.argmax(locator[:, ::-1] != 0, axis=1)
    good = (used <= count) & (degree == length)

    inverse = (255 - np.arange(n - 1, -1, -1) % 255) % 255  # of each place's root, as a power
    value = np.zeros((m, n), np.uint8)
    for j in range(int(length[good].max(initial=0)) + 1):
        value ^= PRODUCT[locator[:, j, None], EXP[inverse * j % 255]]
    found = value == 0
    good &= found.sum(axis=1) == length
    found &= good[:, None]

    evaluator = np.zeros((m, count), np.uint8)
    for j in range(count):
        evaluator[:, j:] ^= PRODUCT[locator[:, j, None], wrong[:, : count - j]]
    word, place = np.nonzero(found)
    over, under = np.zeros((2, len(word)), np.uint8)
    power = inverse[place]
    for j in range(count):
        over ^= PRODUCT[evaluator[word, j], EXP[power * j % 255]]
        if j % 2 == 0:  # the formal derivative keeps the odd powers, each lowered by one
            under ^= PRODUCT[locator[word, j + 1], EXP[power * j % 255]]
    fixed = words.copy()
    over = PRODUCT[EXP[(n - 1 - place) % 255], over]
    fixed[word, place] ^= PRODUCT[over, EXP[(255 - LOG[under]) % 255]]
    good &= ~np.any(syndromes(fixed, count), axis=1)
    return fixed, good, used
