"""How plausible code units are as text: bits of evidence, compared with random units.

A character is judged by its kind, given the kind before it, and a letter by how common it is after
the two before it. The table of kinds is deliberately rough: it fits notices and numbers in European
languages (common practice, no source). The letters are counted in 18 languages.
"""

from __future__ import annotations

import string
from functools import cache
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import FIGURES, ITA2_FIGURES, ITA2_LETTERS, LETTERS

__all__ = ["evidence"]

SMALL, CAPITAL, DIGIT, BLANK, SIGN, LEAD, TAIL, ODD = range(8)

# shares of what follows (small letter, capital, digit, blank, sign, lead, tail, odd) each of these
_FOLLOWS = {
    # in text of capitals and small letters
    "mixed": (
        (0.770, 0.006, 0.004, 0.150, 0.060, 0.010, 0.0, 1e-4),
        (0.700, 0.100, 0.015, 0.120, 0.055, 0.010, 0.0, 1e-4),
        (0.020, 0.010, 0.470, 0.300, 0.190, 0.010, 0.0, 1e-4),
        (0.560, 0.210, 0.150, 0.010, 0.050, 0.020, 0.0, 1e-4),
        (0.110, 0.080, 0.120, 0.610, 0.070, 0.010, 0.0, 1e-4),
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1e-4),
        (0.500, 0.080, 0.030, 0.170, 0.090, 0.030, 0.1, 1e-4),
        (0.200, 0.200, 0.200, 0.200, 0.100, 0.010, 0.0, 1e-1),
    ),
    # in text of capitals only
    "capitals": (
        (0.100, 0.300, 0.100, 0.300, 0.100, 0.010, 0.0, 1e-4),
        (0.001, 0.775, 0.006, 0.155, 0.055, 0.010, 0.0, 1e-4),
        (0.001, 0.030, 0.470, 0.300, 0.190, 0.010, 0.0, 1e-4),
        (0.001, 0.770, 0.150, 0.010, 0.050, 0.020, 0.0, 1e-4),
        (0.001, 0.190, 0.120, 0.610, 0.070, 0.010, 0.0, 1e-4),
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1e-4),
        (0.001, 0.580, 0.030, 0.170, 0.090, 0.030, 0.1, 1e-4),
        (0.001, 0.400, 0.200, 0.200, 0.100, 0.010, 0.0, 1e-1),
    ),
}
_FIRST = BLANK  # a message begins like a word
_ANY = 0.05
"""Share of letters that come in no usual order, as in abbreviations and names (own choice)."""
_WORD = 26  # what is no letter starts a word
_SIGNS = {",": 28, ".": 30, "-": 10, "'": 5, ":": 5, "!": 4, "?": 4, "/": 5, "(": 2, ")": 2}
_SIGNS |= {"+": 2, "=": 1, "%": 1, '"': 2, ";": 1, "&": 1}


@cache
def _transition(style: str) -> NDArray[np.float32]:
    """log2 shares of a kind (column) after a kind (row)."""
    out = np.maximum(np.array(_FOLLOWS[style]), 1e-7)
    logs: NDArray[np.float32] = np.log2(out / out.sum(axis=1, keepdims=True)).astype(np.float32)
    return logs


@cache
def _letters() -> NDArray[np.float32]:
    """log2 shares of a letter (last axis) after two others; 0 for what is no letter.

    The file has how rare each letter (a to z) is after each two, the last of which runs faster;
    the start of a word comes after z. Its letters stand for 2 x -log2 of the share, from a = 0 on;
    it is made by `tests/benchmarks/letter_triples.py`.
    """
    text = resources.files(__package__).joinpath("letters.txt").read_bytes()
    rare = np.frombuffer(b"".join(text.split()), np.uint8).reshape(27, 27, 26) - ord("a")
    shares = np.log2((1 - _ANY) * 0.5 ** (rare / 2) + _ANY / 26)
    return np.pad(shares, ((0, 0), (0, 0), (0, 1))).astype(np.float32)


def _share(char: str) -> tuple[int, float]:
    """The kind of a character, and its share among its kind, if that is not the letters'."""
    if char in string.ascii_letters:
        return (SMALL if char.islower() else CAPITAL), 1.0
    if char.isdigit():
        return DIGIT, 0.1
    if char == " ":
        return BLANK, 0.96
    if char in "\n\r":
        return BLANK, 0.02
    if 32 < ord(char) < 127:
        return SIGN, 0.9 * _SIGNS[char] / 103 if char in _SIGNS else 0.1 / 16
    return ODD, 1 / 64


@cache
def _table(alphabet: str) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.int64]]:
    """Kind, log2 share and letter of every unit (ita2: letters case, then figures case)."""
    if alphabet == "ita2":
        chars = [*ITA2_LETTERS, *ITA2_FIGURES]
    else:
        chars = [chr(u) for u in range(128 if alphabet == "ascii" else 256)]
    pairs = [_share(c) for c in chars]
    if alphabet == "utf-8":
        pairs[0x80:] = [(ODD, 1 / 64)] * 0x80
        pairs[0x80:0xC0] = [(TAIL, 1 / 64)] * 0x40
        pairs[0xC2:0xF5] = [(LEAD, 0.2 / 49)] * 51
        pairs[0xC3] = pairs[0xE2] = LEAD, 0.4
    kind, share = zip(*pairs, strict=True)
    letter = [
        string.ascii_lowercase.find(c.lower()) if k in (SMALL, CAPITAL) else _WORD
        for c, k in zip(chars, kind, strict=True)
    ]
    return np.array(kind), np.log2(np.array(share, np.float32)), np.array(letter)


def evidence(
    units: NDArray[np.integer], known: NDArray[np.bool_], alphabet: str, width: int
) -> NDArray[np.float64]:
    """Bits of evidence that each line of units is a message, shape (lines,).

    Parameters
    ----------
    units : ndarray of int, shape (lines, units)
        Check bits removed.
    known : ndarray of bool, shape (lines, units)
        Units with an unknown bit don't count.
    alphabet : str
    width : int
        Bits of a unit on the disc.

    Returns
    -------
    ndarray
        log2 of how much more likely the units are as a message than as random bits. Zeros at the
        end are filling and don't count either.
    """
    kinds, shares, letters_of = _table(alphabet)
    units = units.astype(np.int64)
    lines, count = units.shape
    meant = (units != 0) | ~known
    end = count - np.argmax(meant[:, ::-1], axis=1)
    end[~meant.any(axis=1)] = 0
    inside = np.arange(count) < end[:, None]
    shift = np.zeros(units.shape, bool)
    shift_cost = np.zeros((lines, 1), np.float32)
    if alphabet == "ita2":
        shift = known & ((units == LETTERS) | (units == FIGURES))
        letters = np.full((lines, 1), LETTERS)
        case = _latest(np.concatenate([letters, units], axis=1), np.pad(shift, ((0, 0), (1, 0))))
        # a shift to the current case is never sent
        useless = case[:, :-1] == units
        shift_cost = np.where(shift, np.where(useless, -8.0, -4.0), np.log2(15 / 16)).astype("f4")
        units = units + 32 * (case[:, 1:] == FIGURES)
    # what came before, without shifts and unknown units
    usable = np.pad(known & ~shift, ((0, 0), (1, 0)))
    last = _latest_at(usable)[:, :-1]

    def before_each(values: NDArray[np.integer]) -> NDArray[np.integer]:
        padded = np.pad(values, ((0, 0), (1, 0)), constant_values=len(kinds))
        return np.take_along_axis(padded, last, axis=1)

    came = before_each(units)
    earlier = before_each(came)
    before = np.append(kinds, _FIRST)[came]
    kind, letter = kinds[units], letters_of[units]
    spelt = np.append(letters_of, _WORD)
    share = shares[units] + _letters()[spelt[earlier], spelt[came], letter]
    counted = inside & known
    base = (np.where(shift, 0.0, share) + shift_cost + width) * counted
    styles = ("capitals",) if alphabet == "ita2" else ("mixed", "capitals")
    out = np.full(lines, -np.inf)
    for style in styles:
        step = np.where(shift, 0.0, _transition(style)[before, kind]) * counted
        out = np.maximum(out, (base + step).sum(axis=1, dtype=np.float64))
    final: NDArray[np.float64] = out - np.log2(len(styles))
    return final


def _latest(values: NDArray[np.int64], which: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The latest value that `which` marks up to each place of a line; the first always counts."""
    return np.take_along_axis(values, _latest_at(which), axis=1)


def _latest_at(which: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The latest place that is marked up to each place of a line; the first always is."""
    return np.maximum.accumulate(np.where(which, np.arange(which.shape[1]), 0), axis=1)
