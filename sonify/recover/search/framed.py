"""Framed messages, whose frame shows where they start and how they run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from math import comb
from zlib import crc32

import numpy as np
from msgspec.structs import replace as with_fields
from numpy.typing import NDArray

from sonify.disc.code.checks import crc_units_count
from sonify.disc.code.code import Code
from sonify.disc.code.framing import FRAMINGS
from sonify.disc.code.reed_solomon import CRC_SYMBOLS, DEFAULT_REDUNDANCY, plan
from sonify.disc.code.units import bits_to_units, units_to_bits
from sonify.disc.disc import Disc
from sonify.progress import report
from sonify.recover.search.arrangement import Arrangement, Candidate, Space, Wanted, arrange
from sonify.recover.search.plain import (
    USUAL_SHARES,
    codes_of,
    habit,
    judged,
    shares_of,
    ways_tried,
)

__all__ = ["framed_candidates", "head_of"]

Bits = NDArray[np.int8]

MOST_HEADS = 8
SLIPS = 3
"""The most wrong bits with which SYN SYN STX still counts as seen."""


WRONG_BIT = 10.0
"""Bits of evidence that a bit is not wrong: one in a thousand is. Own choice."""


def head_of(code: Code) -> Bits:
    """The bits of SYN SYN STX."""
    return units_to_bits(np.array(FRAMINGS["framed"].head, np.uint8), code)


def _seen(
    bits: Bits, space: Space, codes: list[Code]
) -> Iterator[tuple[int, int, Arrangement, Code]]:
    """The ways in which the bits begin with SYN SYN STX: wrong bits, known bits, way, code."""
    heads = [(head_of(code), code) for code in codes]
    for how, starts, lines in space.readings(bits, max(len(head) for head, _ in heads)):
        for head, code in heads:
            part = lines[:, : len(head)]
            if part.shape[1] < len(head):
                continue
            known = (part >= 0).sum(axis=1)
            wrong = ((part >= 0) & (part != head)).sum(axis=1)
            for k in np.flatnonzero((wrong <= SLIPS) & (known >= len(head) * 2 // 3)):
                yield int(wrong[k]), int(known[k]), replace(how, start=int(starts[k])), code


def _checks(grid: Bits, code: Code, wanted: Wanted, clean: bool) -> Iterator[Code]:
    """A code with each check that a grid may have; fewer shares if the head is not clean."""
    if code.check == "parity":
        yield code
        return
    for check in ("none", "crc-16"):
        if wanted.check in (None, check):
            yield with_fields(code, check=check)
    if wanted.check in (None, "reed-solomon") and len(grid) > 1:
        for share in _shares(grid, code, clean or wanted.check is not None):
            yield with_fields(code, check="reed-solomon", redundancy=share)


def _shares(grid: Bits, code: Code, clean: bool) -> list[float | None]:
    """The shares of redundancy with which the grid may have been made: the one whose CRC-32 is
    right, or else those before whose CRC the text has its end and zeros, or else the usual ones."""
    line = grid.reshape(-1)
    near: list[float | None] = []
    others: list[float | None] = []
    for share in shares_of(*grid.shape) if clean else ():
        size = plan(*grid.shape, DEFAULT_REDUNDANCY if share is None else share).data_bits
        text, crc = line[:size] > 0, np.packbits(line[size:][: 8 * CRC_SYMBOLS] > 0)
        if crc32(np.packbits(text).tobytes()).to_bytes(CRC_SYMBOLS, "big") == crc.tobytes():
            return [share]
        last = int(np.flatnonzero(text)[-1]) // code.unit_bits if text.any() else 0
        unit, _ = bits_to_units(line[last * code.unit_bits :][: code.unit_bits], code)
        fits = int(unit[0]) == FRAMINGS["framed"].end and crc.any()
        (near if fits else others).append(share)
    return near or list(islice(others or shares_of(*grid.shape), USUAL_SHARES if clean else 3))


def _cost_of_filling(bits: Bits, how: Arrangement, code: Code) -> float | None:
    """Bits of evidence that free filling lacks against wrong bits after the end of the text; None
    if nothing is there."""
    disc = Disc.from_bits(arrange(bits, how), code=code)
    if disc.decoding is None or not len(disc.decoding.characters):
        return None
    check = crc_units_count(code.data_bits) if code.check == "crc-16" else 0
    end = int(disc.decoding.characters["last_bit"][-1]) + 1
    rest = disc.grid.reshape(-1)[end + (1 + check) * code.unit_bits :]
    ones = int((rest > 0).sum())
    return max(0.0, len(rest) - WRONG_BIT * ones) if ones else None


def framed_candidates(bits: Bits, space: Space, wanted: Wanted) -> list[Candidate]:
    """The ways to read the bits that begin with a frame, the best first."""
    codes = codes_of(wanted, "framed")
    if not codes:
        return []
    tried = ways_tried(space, codes)
    found = sorted(_seen(bits, space, codes), key=lambda w: (w[0], habit(w[2], w[3], space)))
    out = []
    heads = found[:MOST_HEADS]
    for n, (wrong, known, how, code) in enumerate(heads):
        report(n / len(heads))
        chance = sum(comb(known, k) for k in range(wrong + 1))
        lead = known - float(np.log2(chance)) - tried
        tries: list[Candidate] = []
        for one in _checks(arrange(bits, how), code, wanted, wrong == 0):
            tries.append(judged(bits, space, lead, how, one))
            free = with_fields(one, filling="free")
            cost = _cost_of_filling(bits, how, free)
            if cost is not None:
                tries.append(judged(bits, space, lead - cost, how, free))
            best = max(tries, key=lambda c: c.score)
            if best.score > 60 and best.code.check != "none":
                break
            ended = best.why.startswith("framed, its end") and best.code.filling is None
            if best.code.check in ("none", "parity") and ended:
                break
        out.append(best)
    out.sort(key=lambda c: -c.score)
    return [c for c in out if c.score > 8][:5]
