"""Plain messages: every way to read them, judged by how plausible the text is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import islice, product

import numpy as np
from msgspec.structs import replace as with_fields
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.checks import crc_units, crc_units_count
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import decode_grid
from sonify.disc.disc import Disc
from sonify.progress import report
from sonify.recover.search.arrangement import (
    Arrangement,
    Candidate,
    Space,
    Wanted,
    arrange,
    units_of,
)
from sonify.recover.search.plausible import evidence

__all__ = [
    "codes_of",
    "confirming",
    "habit",
    "is_intact",
    "judged",
    "parity_evidence",
    "plain_candidates",
    "shares_of",
    "text_evidence",
    "ways_tried",
]

Bits = NDArray[np.int8]

SHORTLIST = 12
MOST_TRIED = 2_000_000
"""Bits of all ways to read a disc, above which not every one's check is looked at: a second."""
CONFIRMING = 3
"""Check symbols that must be right: by chance one in 2^24 grids has as many."""
USUAL_SHARES = 11
USUAL = " ,.-:;!?'()/\n"
_CHECKED = {"crc-16": (16.0, 8.0, -20.0), "reed-solomon": (40.0, 32.0, -40.0)}
"""Bits of evidence of checks of the whole text: valid, repaired, failed."""


def habit(how: Arrangement, code: Code, space: Space) -> float:
    """How many bits of evidence less an unusual way has than the usual one."""
    cost = float(space.start_cost[how.start])
    cost += space.turning_cost[how.turning]
    cost += 2.0 * (how.reading != "outside-in")
    cost += 4.0 * (how.hole_means != 1)
    cost += 2.0 * (code.bit_order != "high-first")
    cost += 2.0 * (code.check != "none")
    return cost + {"ascii": 0.0, "utf-8": 0.5, "ita2": 1.0}[code.alphabet]


def ways_tried(space: Space, codes: list[Code]) -> float:
    """How many bits of evidence the choice among all ways costs: unusual ones count for less."""
    costs = [habit(how, code, space) for how, code in product(space.choices, codes)]
    weights = 2.0 ** -np.add.outer(np.array(costs) - space.start_cost[0], space.start_cost)
    return float(np.log2(weights[:, space.starts].sum()))


def text_evidence(lines: Bits, code: Code) -> NDArray[np.float64]:
    """Bits of evidence that lines of bits are text in a code, parity bits included."""
    units, known, parity = units_of(lines, code)
    score = evidence(units, known, code.alphabet, code.data_bits)
    if code.check == "parity":
        score = score + parity_evidence(units, parity).sum(axis=1)
    return score


def parity_evidence(units: NDArray[np.int64], parity: Bits) -> NDArray[np.float64]:
    """Bits of evidence of each unit's parity: at random it is right half the time, in a real
    message it is rarely wrong."""
    out: NDArray[np.float64] = 0.97 * ((parity == 1) & (units != 0)) - 4.6 * (parity == 0)
    return out


def filling(lines: Bits, unit_bits: int, positions: int) -> NDArray[np.float64]:
    """Bits of evidence that the zeros after the last character fill up the last row.

    By chance, they are as likely as zeros are among all bits; any length of a text is as likely.
    """
    size = lines.shape[1]
    last = size - np.argmax(lines[:, ::-1] != 0, axis=1)
    zeros = np.clip(size - -(-last // unit_bits) * unit_bits, 0, positions - 1)
    chance = np.clip((lines == 0).mean(axis=1), 0.5, 1.0)
    out: NDArray[np.float64] = np.maximum(zeros * -np.log2(chance) - np.log2(positions), 0.0)
    return out


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


def is_intact(grid: Bits, code: Code) -> bool:
    """Whether a grid without unknown bits has a right CRC-16 in a code, plain or framed."""
    if len(grid) < 2 or (grid < 0).any():
        return False
    plain = with_fields(code, check="crc-16", framing="plain", filling=None)
    return any(
        decode_grid(grid, with_fields(plain, framing=framing)).verdict == "valid"
        for framing in ("plain", "framed") if code.alphabet != "ita2" or framing == "plain"
    )  # fmt: skip


def confirming(grids: Bits, rows: int, positions: int) -> NDArray[np.int64]:
    """How many check symbols confirm grids as Reed-Solomon codewords of any share, whatever a hole
    means, after repair; 0 if too few do.

    The syndromes of fewer check symbols are the first of those of more, and the codewords are the
    same, so the fewest that the grid may have tell.

    Parameters
    ----------
    grids : ndarray of int8, shape (grids, rows * positions)
    rows, positions : int
    """
    from sonify.disc.code.gf256 import correct
    from sonify.disc.code.reed_solomon import plan

    p, out = plan(rows, positions, 0.0), np.zeros(len(grids), np.int64)
    if rows < 2 or not p.fits:
        return out
    pad = p.codewords * p.length - p.symbols
    for hole in (1, 0):
        symbols = np.packbits(grids[:, : 8 * p.symbols] == hole, axis=1)
        words = np.pad(symbols, ((0, 0), (pad, 0))).reshape(-1, p.length, p.codewords)
        flat = words.transpose(0, 2, 1).reshape(-1, p.length)
        found = correct(flat, p.checks)
        right = (found.ok & flat.any(axis=1)).reshape(-1, p.codewords).all(axis=1)
        spare = found.spare.reshape(-1, p.codewords).sum(axis=1)
        out = np.maximum(out, spare * (right & (spare >= CONFIRMING)))
    return out


def codes_of(wanted: Wanted, framing: str = "plain") -> list[Code]:
    """The codes to screen; checks of whole texts are tried afterwards on the best ones."""
    alphabets = (wanted.alphabet,) if wanted.alphabet else tuple(ALPHABETS)
    orders = (wanted.bit_order,) if wanted.bit_order else ("high-first", "low-first")
    checks: tuple[str, ...] = ("none", "parity")
    if wanted.check is not None:
        checks = ("parity",) if wanted.check == "parity" else ("none",)
    return [
        with_fields(Code(), alphabet=a, bit_order=o, framing=framing, check=c)
        for a, o, c in product(alphabets, orders, checks)
        if framing == "plain" or a != "ita2"
    ]


def _screen(
    bits: Bits, space: Space, codes: list[Code], most: int
) -> list[tuple[float, Arrangement, Code]]:
    """The most plausible ways to read the first `most` bits."""
    ways = []
    for how, starts, lines in space.readings(bits, most):
        for code in codes:
            if lines.shape[1] < code.unit_bits:
                continue
            scores = text_evidence(lines, code)
            if lines.shape[1] == bits.size:
                scores = scores + filling(lines, code.unit_bits, bits.shape[1])
            for k in np.argsort(space.start_cost[starts] - scores)[:3]:
                at = replace(how, start=int(starts[k]))
                ways.append((float(scores[k]) - habit(at, code, space), at, code))
    ways.sort(key=lambda w: -w[0])
    return ways[:SHORTLIST]


def judged(bits: Bits, space: Space, lead: float, how: Arrangement, code: Code) -> Candidate:
    """One way to read the disc, judged on all its bits; `lead` is evidence from elsewhere."""
    grid = arrange(bits, how)
    decoding = Disc.from_bits(grid, code=code).decoding
    assert decoding is not None
    line, characters = grid.reshape(-1), decoding.characters
    valid, repaired, failed = _CHECKED.get(code.check, (0.0, 0.0, 0.0))
    score = lead - habit(how, code, space)
    score += {"valid": valid, "repaired": repaired}.get(decoding.verdict, failed)
    framed, why = code.framing == "framed", ""
    if framed:
        if decoding.bits is not None:
            line = decoding.bits
        ended = decoding.verdict != "failed"
        score += 7.0 if ended else -7.0
        seen = "its end is seen" if code.check == "none" else "its end and its check agree"
        why = f"framed, {seen if ended else 'but ' + '; '.join(decoding.reasons)}; "
    if framed or code.check in _CHECKED:
        # only the text counts, without its frame and check
        first, after = characters["first_bit"], characters["last_bit"] + 1
        line = line[first[0] : after[-1]] if len(characters) else line[:0]
    if len(line) >= code.unit_bits:
        score += float(text_evidence(line[None], code)[0])
        if code.check != "reed-solomon" and code.filling is None:
            score += float(filling(grid.reshape(1, -1), code.unit_bits, grid.shape[1])[0])
    text = decoding.text
    usual = sum(c.isalnum() or c in USUAL for c in text)
    why += f"{usual} of {len(text)} characters are letters, digits, spaces or common punctuation"
    if unread := text.count("\ufffd"):
        why += f", {unread} can't be read"
    if odd := sum(not c.isprintable() and c not in "\r\n\ufffd" for c in text):
        why += f", {odd} are control characters"
    return Candidate(how, code, text, score, f"{why}; {score:+.0f} bits of evidence")


def plain_candidates(bits: Bits, space: Space, wanted: Wanted) -> list[Candidate]:
    """The most plausible ways to read a plain disc."""
    codes = codes_of(wanted)
    most = int(np.clip(4_000_000 // len(space.starts), 350, 4200))
    judge = partial(judged, bits, space, -ways_tried(space, codes))
    ways, out = _screen(bits, space, codes, most), []
    for n, (_, how, code) in enumerate(ways):
        report(n / len(ways))
        out.append(judge(how, code))
    if wanted.check in (None, "crc-16"):
        by_text = [(c.arrangement, c.code) for c in out[:4] if c.code.check == "none"]
        out += [
            judge(how, with_fields(code, check="crc-16"))
            for how, code in dict.fromkeys([*_with_crc(bits, space, codes), *by_text])
        ]
    if wanted.check in (None, "reed-solomon") and len(bits) > 1:
        out += _with_reed_solomon(bits, space, wanted, judge)
    if wanted.check not in (None, "none", "parity"):
        out = [c for c in out if c.code.check == wanted.check] or out
    return out


def _with_crc(bits: Bits, space: Space, codes: list[Code]) -> Iterator[tuple[Arrangement, Code]]:
    """The ways to read the bits in which a CRC-16 after the text is right."""
    if len(space) * bits.size > MOST_TRIED or (bits < 0).any():
        return
    for how, starts, lines in space.readings(bits, bits.size):
        for code in codes:
            units, _, _ = units_of(lines, code)
            checks = crc_units_count(code.data_bits)
            if code.check != "none" or units.shape[1] <= checks:
                continue
            ends = units.shape[1] - np.argmax(units[:, ::-1] != 0, axis=1)
            last = np.maximum(ends[:, None] - checks, 0) + np.arange(checks)
            # each unit of a CRC begins with a one
            marked = np.take_along_axis(units, last, 1) >> (code.data_bits - 1) == 1
            for k in np.flatnonzero(marked.all(axis=1) & (ends > checks)):
                text = units[k, : ends[k] - checks].astype(np.uint8)
                if np.array_equal(crc_units(text, code.data_bits), units[k, last[k]]):
                    yield replace(how, start=int(starts[k])), code


def _confirmed(bits: Bits, space: Space) -> Iterator[Arrangement]:
    """The arrangements that check symbols of Reed-Solomon confirm."""
    if len(space) * bits.size > MOST_TRIED:
        return
    for how, starts, lines in space.readings(bits, bits.size):
        for k in np.flatnonzero(confirming(lines, *bits.shape)):
            yield replace(how, start=int(starts[k]))


def _with_reed_solomon(
    bits: Bits, space: Space, wanted: Wanted, judge: Callable[[Arrangement, Code], Candidate]
) -> list[Candidate]:
    codes = [c for c in codes_of(wanted) if c.check == "none"]
    out = []
    ways = [(how, code) for how in _confirmed(bits, space) for code in codes]
    if not ways:
        # the check symbols come after the text, so the first half shows the likeliest ways
        likely = _screen(bits, space, codes, min(4200, bits.size // 2))[:3]
        ways = [(how, code) for _, how, code in likely]
    for how, code in ways:
        for share in islice(shares_of(*bits.shape), 100 if wanted.check else USUAL_SHARES):
            out.append(judge(how, with_fields(code, check="reed-solomon", redundancy=share)))
            if out[-1].score > 30:
                return out
    return out
