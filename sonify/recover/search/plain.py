"""Plain messages: every way to read them, judged by how plausible the text is."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import Decoding
from sonify.disc.disc import Disc
from sonify.recover.search.arrangement import (
    Arrangement,
    Candidate,
    Space,
    Wanted,
    arrange,
    units_of,
)
from sonify.recover.search.plausible import evidence

__all__ = ["check_evidence", "habit", "in_words", "plain_candidates", "shares_of", "text_evidence"]

Bits = NDArray[np.int8]

SHORTLIST = 12
USUAL = " ,.-:;!?'()/\n"


def habit(how: Arrangement, code: Code, space: Space) -> float:
    """Bits that a usual way of doing things is ahead of an unusual one."""
    cost = space.start_cost * (how.start != 0)
    cost += 3.0 * (how.turning != "clockwise")
    cost += 2.0 * (how.reading != "outside-in")
    cost += 4.0 * (how.hole_means != 1)
    cost += 2.0 * (code.bit_order != "high-first")
    cost += 2.0 * (code.check != "none")
    return cost + {"ascii": 0.0, "utf-8": 0.5, "ita2": 1.0}[code.alphabet]


def text_evidence(lines: Bits, code: Code) -> NDArray[np.float64]:
    """Bits of evidence that lines of bits are text in a code, parity bits included."""
    units, known, parity = units_of(lines, code)
    score = evidence(units, known, code.alphabet, code.data_bits)
    if code.check == "parity":
        # a parity that holds halves the odds of chance; one that fails is a rare thing
        meant = units != 0
        score = score + (0.97 * ((parity == 1) & meant) - 4.6 * (parity == 0)).sum(axis=1)
    return score


def check_evidence(decoding: Decoding, code: Code) -> float:
    """Bits of evidence that a check over the whole text gives."""
    if code.check == "crc-16":
        return {"valid": 16.0, "repaired": 8.0}.get(decoding.verdict, -20.0)
    if code.check == "reed-solomon":
        return {"valid": 40.0, "repaired": 32.0}.get(decoding.verdict, -40.0)
    return 0.0


def in_words(text: str, score: float) -> str:
    """A score, explained."""
    usual = sum(c.isalnum() or c in USUAL for c in text)
    out = f"{usual} of {len(text)} characters are letters, digits, blanks or usual signs"
    failed = text.count("\ufffd")
    if failed:
        out += f", {failed} can't be read"
    odd = sum(not c.isprintable() and c not in "\r\n\ufffd" for c in text)
    if odd:
        out += f", {odd} are control characters"
    return f"{out}; {score:+.0f} bits of evidence"


def shares_of(rows: int, positions: int) -> Iterator[float | None]:
    """Shares of redundancy to try, the usual ones first, each that gives another plan."""
    from sonify.disc.code.reed_solomon import DEFAULT_REDUNDANCY, plan

    seen = set()
    usual = [0.25, 0.2, 0.3, 0.5, 0.1, 0.15, 0.4, 0.35, 0.6, 0.33, 0.75]
    for share in [*usual, *(k / 100 for k in range(1, 91))]:
        one = plan(rows, positions, share)
        if one.fits and one.checks not in seen:
            seen.add(one.checks)
            yield None if share == DEFAULT_REDUNDANCY else share


def codes_of(wanted: Wanted) -> list[Code]:
    """The codes to screen: whole-text checks are tried on the best of them afterwards."""
    alphabets = (wanted.alphabet,) if wanted.alphabet else tuple(ALPHABETS)
    orders = (wanted.bit_order,) if wanted.bit_order else ("high-first", "low-first")
    checks: tuple[str, ...] = ("none", "parity")
    if wanted.check == "parity":
        checks = ("parity",)
    elif wanted.check is not None:
        checks = ("none",)
    made: Any = Code
    return [
        made(alphabet=a, bit_order=o, check=c) for a, o, c in product(alphabets, orders, checks)
    ]


def _screen(
    bits: Bits, space: Space, codes: list[Code], most: int
) -> list[tuple[float, Arrangement, Code]]:
    """The ways to read the first `most` bits that are the most plausible."""
    ways = []
    for how, starts, lines in space.readings(bits, most):
        for code in codes:
            if lines.shape[1] < code.unit_bits:
                continue
            scores = text_evidence(lines, code)
            for k in np.argsort(-scores)[:3]:
                at = Arrangement(int(starts[k]), how.turning, how.reading, how.hole_means)
                ways.append((float(scores[k]) - habit(at, code, space), at, code))
    ways.sort(key=lambda w: -w[0])
    return ways[:SHORTLIST]


def _judged(bits: Bits, how: Arrangement, code: Code, space: Space, tried: float) -> Candidate:
    """One way to read the disc, judged on all its bits."""
    grid = arrange(bits, how)
    disc = Disc.from_bits(grid, code=code)
    assert disc.decoding is not None
    text = disc.decoding.text
    score = check_evidence(disc.decoding, code) - habit(how, code, space) - tried
    if code.check in ("crc-16", "reed-solomon"):
        # only the text counts, and not what checks it
        last = int(disc.decoding.characters["last_bit"][-1]) + 1 if len(text) else 0
        line = grid.reshape(1, -1)[:, :last]
    else:
        line = grid.reshape(1, -1)
    plain: Any = Code
    as_text = plain(
        alphabet=code.alphabet,
        bit_order=code.bit_order,
        check="parity" if code.check == "parity" else "none",
    )
    if line.shape[1] >= code.unit_bits:
        score += float(text_evidence(line, as_text)[0])
    return Candidate(how, code, text, score, in_words(text, score))


def plain_candidates(bits: Bits, space: Space, wanted: Wanted) -> list[Candidate]:
    """The most plausible ways to read a plain disc, the best first, each text once."""
    codes = codes_of(wanted)
    most = int(np.clip(4_000_000 // len(space.starts), 350, 4200))
    tried = float(np.log2(max(1, len(space) * len(codes))))
    judged = [
        _judged(bits, how, c, space, tried) for _, how, c in _screen(bits, space, codes, most)
    ]
    judged += _checked(bits, space, wanted, [(c.arrangement, c.code) for c in judged[:4]], tried)
    if wanted.check not in (None, "none", "parity"):
        judged = [c for c in judged if c.code.check == wanted.check] or judged
    judged.sort(key=lambda c: -c.score)
    out: list[Candidate] = []
    for one in judged:
        if all(one.text != other.text for other in out):
            out.append(one)
    return out


def _checked(
    bits: Bits,
    space: Space,
    wanted: Wanted,
    best: list[tuple[Arrangement, Code]],
    tried: float,
) -> list[Candidate]:
    """The best ways again, with the checks that vouch for a text as a whole."""
    made: Any = Code
    out = []
    if wanted.check in (None, "crc-16"):
        for how, code in best:
            if code.check == "none":
                again = made(alphabet=code.alphabet, bit_order=code.bit_order, check="crc-16")
                out.append(_judged(bits, how, again, space, tried))
    rows, positions = bits.shape
    if wanted.check in (None, "reed-solomon") and rows > 1:
        # the text comes first, the check symbols behind it: judge by the first half
        codes = [c for c in codes_of(wanted) if c.check == "none"]
        first = _screen(bits, space, codes, min(4200, rows * positions // 2))
        for _, how, code in first[:3]:
            for share in list(shares_of(rows, positions))[: 100 if wanted.check else 11]:
                again = made(
                    alphabet=code.alphabet,
                    bit_order=code.bit_order,
                    check="reed-solomon",
                    redundancy=share,
                )
                one = _judged(bits, how, again, space, tried)
                out.append(one)
                if one.score > 30:
                    return out
    return out
