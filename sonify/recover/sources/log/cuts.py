"""Where a log's rows begin, if nothing that repeats tells it: text, checks and what passes again.

A right cut joins the rows so that the text goes on from one to the next, and leaves between rows
what belongs to them. All cuts are screened by how well the code units that they put in a line
follow each other as text, and by what passes between rows; the likeliest few are then read in full.
Where no text stands out, Reed-Solomon checks are tried on all cuts of whole rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sonify.disc.code.alphabets import ALPHABETS
from sonify.disc.code.code import Code
from sonify.recover.search.arrangement import Wanted, units_of
from sonify.recover.search.framed import head_of
from sonify.recover.search.plain import (
    codes_of,
    is_intact,
    parity_evidence,
    text_evidence,
)
from sonify.recover.search.plausible import evidence
from sonify.recover.sources.log.again import Again
from sonify.recover.sources.log.cut import Cut, begins_of, following, grid_of, repairable, turned
from sonify.recover.sources.log.passes import laid_out

__all__ = ["likely_cuts"]

Reals = NDArray[np.float64]
Bits = NDArray[np.int8]
Index = NDArray[np.int64]

FEWEST, MOST = 6, 400
"""Positions of a turn that are tried."""

TURNS = range(2, 6)
"""Turns from row to row that are tried."""

STEPS = 2
"""Pauses tried in a position's time."""

SHORT = 32
"""Rows of fewer positions hold so few whole units that all of their cuts are read as text."""

CODES = 6
"""Codes, and what a hole means, that are screened: those with the best stretch of text."""

SCREENED, KEPT, ALIKE = 300, 24, 4
"""Cuts that are read as text, that are returned, and that may have the same number of positions."""

FIRST_BITS, MOST_BITS = 240, 1200
"""Bits of a cut that are read as text at first, and at most."""

STANDS_OUT = 120.0
"""Bits of text from which no check is needed to tell the best cuts."""

INTACT = 300
"""Cuts whose check is tried if no text stands out."""

WHOLE = 6.0
"""Bits for a log that begins and ends with a row, as most do (own choice)."""

SHORT_LOG = 400
"""Positions of a log of which more pauses are tried, if a Reed-Solomon check may tell the cut."""

LONGEST = 6000
"""Positions of a log that are looked at."""

PARTS = (200, 500, 1200)
"""Bits of which the text may be, before the check symbols of a code."""

STARTS = 24
"""Positions before a row's end is seen to repeat, in which the first row may begin: the stage's
move shows only when a hole is half away."""

Codes = Sequence[tuple[int, Code]]
"""What a hole means, and a code."""


@cache
def _following(alphabet: str) -> NDArray[np.float32]:
    """Bits of evidence of each unit (column) after each (row), as text."""
    bits = ALPHABETS[alphabet].unit_bits
    count = 1 << bits
    first, then = np.divmod(np.arange(count * count), count)
    both = np.stack([first, then], axis=1)
    known = np.ones(both.shape, bool)
    alone = evidence(both[::count, :1], known[::count, :1], alphabet, bits)
    out = evidence(both, known, alphabet, bits).reshape(count, count) - alone[:, None]
    return np.clip(out, -12, 12).astype(np.float32)


def _sums(bits: Bits, code: Code) -> Reals:
    """How well the unit that begins at each bit follows those before it, all together."""
    width = code.unit_bits
    units, known, parity = units_of(sliding_window_view(bits, width), code)
    units, known, parity = units[:, 0], known[:, 0], parity[:, 0]
    out = np.zeros(len(bits) + width)
    here = _following(code.alphabet)[units[:-width], units[width:]]
    both = known[:-width] & known[width:]
    out[width : len(units)] = here * both
    if code.check == "parity":
        out[: len(units)] += parity_evidence(units, parity)
    lines = np.concatenate([out, np.zeros(-len(out) % width)]).reshape(-1, width)
    return np.cumsum(lines, axis=0).reshape(-1)


def _best_stretch(sums: Reals, width: int) -> float:
    """The most that any stretch of units has for it."""
    lines = sums[: len(sums) // width * width].reshape(-1, width)
    return float((lines - np.minimum.accumulate(lines, axis=0)).max())


def _heads(bits: Bits, codes: Codes) -> list[int]:
    """Where a frame's head is seen."""
    out = set[int]()
    for sense, code in codes:
        head = head_of(code)
        if len(bits) >= len(head) and code.alphabet != "ita2":
            seen = sliding_window_view(turned(bits, sense), len(head))
            wrong = ((seen >= 0) & (seen != head)).sum(axis=1)
            out |= set(np.flatnonzero(wrong <= 1).tolist())
    return sorted(out)


def _starts(bits: Bits, positions: int, heads: Sequence[int]) -> list[int]:
    """Where the first row may begin: at the beginning, with a frame's head, or after positions
    that pass again a turn later."""
    same = bits[positions:] == bits[:-positions]
    again = len(same) if same.all() else int(np.argmin(same))
    again = min(again, positions)
    near = range(max(0, again - STARTS), again + 1)
    return sorted({0, *near, *(h for h in heads if h <= positions)})


def likely_cuts(
    bits: Bits,
    times: Reals,
    period: float,
    lengths: Sequence[int] | None = None,
    pauses: Reals | None = None,
) -> list[tuple[float, Cut]]:
    """The cuts of two or more rows whose text stands out most, and how far, in bits.

    Parameters
    ----------
    bits, times : ndarray, shape (passed,)
    period : float
        A position's usual time in s.
    lengths : sequence of int, optional
        Positions of a turn to try.
    pauses : ndarray, optional
        Pauses to try, in s.
    """
    bits, times = bits[:LONGEST], times[:LONGEST]
    n = len(bits)
    if lengths is None:
        lengths = range(FEWEST, min(MOST, n // 2) + 1)
    lengths = [k for k in lengths if 2 * k <= n]
    if n < 3 * FEWEST or not lengths:
        return []
    codes = [(sense, code) for sense in (1, 0) for code in codes_of(Wanted())]
    lines = []
    for k, (sense, code) in enumerate(codes):
        sums = _sums(turned(bits, sense), code)
        lines.append((_best_stretch(sums, code.unit_bits), k, sums))
    lines.sort(key=lambda v: -v[0])
    heads = _heads(bits, codes)
    tried = _every_cut(times, lengths, [_starts(bits, k, heads) for k in lengths], period, pauses)
    text = [(sums, codes[k][1].unit_bits) for _, k, sums in lines[:CODES]]
    scores, ends = _screened(times, text, tried, again := Again(bits, lengths))
    whole = np.abs(ends - n) <= 1
    scores += WHOLE * (whole & (tried.start == 0))
    scores[tried.positions < SHORT] = np.inf
    short = int((tried.positions < SHORT).sum())
    best = np.argsort(-scores, kind="stable")[: short + SCREENED]
    first = _read(bits, times, [tried.one(int(k)) for k in best], codes, FIRST_BITS, again)
    found = _read(bits, times, [v.cut for v in first[:SCREENED]], codes, MOST_BITS, again)
    if found[0].score < STANDS_OUT:
        # of a log of whole rows, every cut is tried, as its check may tell it
        every = [tried.one(int(k)) for k in np.flatnonzero(whole)]
        sure = repairable(bits, times, every)
        if not sure and pauses is None and n <= SHORT_LOG:
            steps = period / STEPS * np.array([-3, -2, -1, 1, 2, 3, 4]) / 8
            some = [c for c in every if not c.turns and not c.start]
            every = [replace(c, pause=c.pause + s) for c in some for s in steps]
            sure = repairable(bits, times, every)
        if sure:
            # a log that goes on after its last row has the same turns, and other pauses
            same = np.flatnonzero(np.isin(tried.positions, [cut.positions for cut in sure]))
            sure = repairable(bits, times, [*sure, *(tried.one(int(k)) for k in same)])
            return [(STANDS_OUT, cut) for cut in sure[:KEPT]]
        more = np.flatnonzero(whole & ~np.isin(np.arange(len(whole)), best))
        found += _read(bits, times, [tried.one(k) for k in more[:INTACT]], codes, FIRST_BITS, again)
    if pauses is None:
        fine = [
            replace(v.cut, pause=v.cut.pause + period * k / 8)
            for v in found[: 2 * KEPT] if not v.cut.turns for k in (-3, -2, -1, 1, 2, 3)
        ]  # fmt: skip
        found += _read(bits, times, fine, codes, MOST_BITS, again)
    return _best_of(found, bits, times, codes)


def _best_of(
    found: Sequence[_Found], bits: Bits, times: Reals, codes: Codes
) -> list[tuple[float, Cut]]:
    """The cuts that lay out different bits, with one first whose check is right."""
    seen = set[tuple[int, bytes]]()
    out = list[tuple[float, Cut]]()
    most = INTACT if found[0].score < STANDS_OUT else KEPT
    for one in sorted(found, key=lambda v: -v.score):
        size = one.cut.positions
        line = grid_of(bits, times, one.cut).reshape(-1)
        if (size, line.tobytes()) in seen:
            continue
        seen.add((size, line.tobytes()))
        alike = sum(cut.positions == size for _, cut in out)
        if alike < ALIKE and len(out) < KEPT:
            out.append((one.score, one.cut))
        elif most == KEPT:
            if len(out) == KEPT:
                break
            continue
        elif len(seen) > most:
            break
        sense, code = codes[one.code]
        grid = turned(line, sense).reshape(-1, size)
        if code.check == "none" and is_intact(grid, code):
            return [(one.score, one.cut), *(v for v in out if v[1] != one.cut)]
    return out


class _Found(NamedTuple):
    """A cut, its evidence as text, and the number of the code that it is text in."""

    score: float
    cut: Cut
    code: int


@dataclass(frozen=True, eq=False)
class _Tried:
    """Many cuts, as columns."""

    positions: Index
    start: Index
    pause: Reals
    turns: Index

    def one(self, k: int) -> Cut:
        """A cut of them."""
        return Cut(*(v[k].item() for v in vars(self).values()))


def _every_cut(
    times: Reals,
    lengths: Sequence[int],
    starts: Sequence[Sequence[int]],
    period: float,
    pauses: Reals | None,
) -> _Tried:
    """All cuts that are tried, of two rows or more."""
    out = []
    for size, begins in zip(lengths, starts, strict=True):
        waits = period * np.arange(1, STEPS * size) / STEPS if pauses is None else pauses
        turns = np.array(TURNS if pauses is None else (), int)
        pause = np.append(np.maximum(waits, 0.0), np.full(len(turns), np.nan))
        both = np.append(np.zeros(len(waits), int), turns)
        for start in begins:
            out.append((np.full(len(both), size), np.full(len(both), start), pause, both))
    columns = [np.concatenate(v) for v in zip(*out, strict=True)]
    second = following(times, columns[1], *(columns[k] for k in (0, 2, 3)))
    two = second + columns[0] // 3 < len(times)
    return _Tried(*(v[two] for v in columns))


def _screened(
    times: Reals, text: Sequence[tuple[Reals, int]], cuts: _Tried, again: Again
) -> tuple[Reals, Index]:
    """How far each cut stands out, by the text in any code, from the units that are whole in it,
    and by what passes between rows; and where its last row ends, or that which is looked at last.

    Parameters
    ----------
    times : ndarray
    text : sequence of tuple
        The sums of a code, and the bits of its unit.
    cuts : _Tried
    again : Again
    """
    positions, start, pause, turns = vars(cuts).values()
    out, total = np.zeros((2, len(text), len(start)))
    left, begin, row = np.arange(len(start)), start, 0
    ends, between = np.zeros(len(start), np.int64), again.first(positions, start).astype(float)
    while len(left):
        size = positions[left]
        angle = (begin - start[left]) % size
        for k, (sums, width) in enumerate(text):
            phase = -row * size % width
            for low, high, at in ((angle, size, begin), (0 * angle, angle, begin + size - angle)):
                first = low + (phase - low) % width
                units = np.minimum((high - first) // width,
                                   (len(times) - at - (first - low)) // width)  # fmt: skip
                seen = np.minimum(at + first - low, len(sums) - 1)
                to = np.minimum(seen + width * np.maximum(units - 1, 0), len(sums) - 1)
                total[k, left] += sums[to] - sums[seen]
            out[k, left] = np.maximum(out[k, left], total[k, left])
        ends[left] = begin + size
        begin = following(times, begin, size, pause[left], turns[left])
        row += 1
        more = begin + size // 3 < len(times)
        between[left] += again.between(size, ends[left], np.where(more, begin, len(times)))
        goes_on = more & (row * size < MOST_BITS)
        left, begin = left[goes_on], begin[goes_on]
    return out.max(axis=0) + between, ends


def _read(
    bits: Bits, times: Reals, cuts: Sequence[Cut], codes: Codes, most: int, again: Again
) -> list[_Found]:
    """The evidence of each cut in its first bits and between its rows, the most first."""
    if not cuts:
        return []
    lines = np.full((len(cuts), most), -1, np.int8)
    between = np.zeros(len(cuts))
    for k, cut in enumerate(cuts):
        size, rows = cut.positions, -(-most // cut.positions)
        begins = begins_of(bits, times, cut, rows + 1)
        first = laid_out(bits, begins[:rows], size, -1).reshape(-1)[:most]
        lines[k, : len(first)] = first
        ends = np.add(begins[:rows], size)
        after = [*begins[1:], len(bits)][:rows]
        between[k] = again.between(size, ends, np.maximum(after, ends)).sum()
        between[k] += again.first(size, cut.start)
    scores = np.empty((len(codes), len(cuts)))
    for k, (sense, code) in enumerate(codes):
        right_way = turned(lines, sense)
        parts = PARTS if most == MOST_BITS else (most,)
        scores[k] = np.max([text_evidence(right_way[:, :part], code) for part in parts], axis=0)
    scores += between
    best, which = scores.max(axis=0), scores.argmax(axis=0)
    return [
        _Found(float(best[k]), cuts[k], int(which[k])) for k in np.argsort(-best, kind="stable")
    ]
