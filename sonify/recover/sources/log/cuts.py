"""Where a log's rows begin, if nothing that repeats tells it: the text decides.

A *cut* says how many positions make a turn, at which position of the log the first row begins, and
how the next row is found: after a pause in seconds (a player that reads on at the next position),
or after a number of whole turns. A right cut joins the rows so that the text goes on from one to
the next. All cuts are screened by how well the code units that they put in a line follow each other
as text; the likeliest few are then read in full.
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
from sonify.recover.search.plain import codes_of, is_intact, parity_evidence, text_evidence
from sonify.recover.search.plausible import evidence
from sonify.recover.signal.next_start import next_start
from sonify.recover.sources.log.passes import laid_out

__all__ = ["Cut", "begins_of", "likely_cuts"]

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

LONGEST = 6000
"""Positions of a log that are looked at."""

PARTS = (200, 500, 1200)
"""Bits of which the text may be, before the check symbols of a code."""

STARTS = 24
"""Positions before a row's end is seen to repeat, in which the first row may begin: the stage's
move shows only when a hole is half away."""

Codes = Sequence[tuple[int, Code]]
"""What a hole means, and a code."""


@dataclass(frozen=True)
class Cut:
    """A way to cut a log into rows.

    Attributes
    ----------
    positions : int
        Of a turn.
    start : int
        Where in the log the first row begins.
    pause : float
        From the end of a row to where reading goes on, in s; nan if it goes on after whole turns.
    turns : int
        From the beginning of a row to the next one; 0 if a pause tells it.
    """

    positions: int
    start: int = 0
    pause: float = np.nan
    turns: int = 0


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


def begins_of(bits: Bits, times: Reals, cut: Cut, most: float = np.inf) -> list[int]:
    """Where the first rows of a cut begin, as indices of the log's positions."""
    size = cut.positions
    out = [cut.start]
    while len(out) < most:
        begin = int(_next(times, np.array(out[-1:]), size, cut.pause, cut.turns)[0])
        if begin + size // 3 >= len(times):
            break
        rest = bits[out[-1] + size :]
        if begin + size > len(times) and (rest == bits[out[-1] : len(bits) - size]).all():
            # what passes once more is the last row: the stage did not move
            break
        out.append(begin)
    return out


def _next(
    times: Reals,
    begin: Index,
    positions: Index | int,
    pause: Reals | float,
    turns: Index | int,
) -> Index:
    """Where the row after the one that begins there begins; the log's length if nowhere."""
    last = np.minimum(begin + positions - 1, len(times) - 1)
    half = (times[np.minimum(last + 1, len(times) - 1)] - times[last]) / 2
    start, _, late = next_start(times, last, half + np.nan_to_num(pause))
    start = np.where(late >= 0, np.maximum(start, begin + positions), len(times))
    return np.where(np.asarray(turns) > 0, begin + turns * positions, start)


def _heads(bits: Bits, codes: Codes) -> list[int]:
    """Where a frame's head is seen."""
    out = set[int]()
    for sense, code in codes:
        head = head_of(code)
        if len(bits) >= len(head) and code.alphabet != "ita2":
            seen = sliding_window_view(_turned(bits, sense), len(head))
            wrong = ((seen >= 0) & (seen != head)).sum(axis=1)
            out |= set(np.flatnonzero(wrong <= 1).tolist())
    return sorted(out)


def _turned(bits: Bits, sense: int) -> Bits:
    """Bits in which a one is a one."""
    return np.where(bits < 0, bits, bits ^ (1 - sense)).astype(np.int8)


def _starts(bits: Bits, positions: int, heads: Sequence[int]) -> list[int]:
    """Where the first row may begin: at the beginning, with a frame's head, or after positions
    that pass again a turn later."""
    same = bits[positions:] == bits[:-positions]
    again = len(same) if same.all() else int(np.argmin(same))
    again = min(again, positions)
    near = range(max(0, again - STARTS), again + 1)
    return sorted({0, *near, *(h for h in heads if h <= positions)})


def _laid_out(bits: Bits, times: Reals, cut: Cut, most: int) -> Bits:
    """The first bits of a cut in the order of its grid, -1 where the log ends."""
    begins = begins_of(bits, times, cut, -(-most // cut.positions))
    return laid_out(bits, begins, cut.positions, -1).reshape(-1)[:most].astype(np.int8)


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
        sums = _sums(_turned(bits, sense), code)
        lines.append((_best_stretch(sums, code.unit_bits), k, sums))
    lines.sort(key=lambda v: -v[0])
    heads = _heads(bits, codes)
    tried = _every_cut(times, lengths, [_starts(bits, k, heads) for k in lengths], period, pauses)
    scores, ends = np.full(len(tried.start), -np.inf), np.zeros(0, np.int64)
    for _, k, sums in lines[:CODES]:
        score, ends = _screened(times, sums, codes[k][1].unit_bits, tried)
        scores = np.maximum(scores, score)
    whole = (tried.start == 0) & (np.abs(ends - n) <= 1)
    scores += WHOLE * whole
    scores[tried.positions < SHORT] = np.inf
    short = int((tried.positions < SHORT).sum())
    best = np.argsort(-scores, kind="stable")[: short + SCREENED]
    first = _read(bits, times, [tried.one(k) for k in best], codes, FIRST_BITS)
    found = _read(bits, times, [v.cut for v in first[:SCREENED]], codes, MOST_BITS)
    if found[0].score < STANDS_OUT:
        # of a log of whole rows, every cut is tried, as its check may tell it
        more = np.flatnonzero(whole & ~np.isin(np.arange(len(whole)), best))
        found += _read(bits, times, [tried.one(k) for k in more[:INTACT]], codes, FIRST_BITS)
    if pauses is None:
        fine = [
            replace(v.cut, pause=v.cut.pause + period * k / 8)
            for v in found[: 2 * KEPT] if not v.cut.turns for k in (-3, -2, -1, 1, 2, 3)
        ]  # fmt: skip
        found += _read(bits, times, fine, codes, MOST_BITS)
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
        line = _laid_out(bits, times, one.cut, (len(bits) // size + 1) * size)
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
        grid = _turned(line, sense).reshape(-1, size)
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
    second = _next(times, columns[1], *(columns[k] for k in (0, 2, 3)))
    two = second + columns[0] // 3 < len(times)
    return _Tried(*(v[two] for v in columns))


def _screened(times: Reals, sums: Reals, width: int, cuts: _Tried) -> tuple[Reals, Index]:
    """How far the text of each cut stands out in a code, from the units that are whole in it, and
    where the last row ends, or that which is looked at last."""
    positions, start, pause, turns = vars(cuts).values()
    out, total = np.zeros(len(start)), np.zeros(len(start))
    left, begin, row = np.arange(len(start)), start, 0
    ends = np.zeros(len(start), np.int64)
    while len(left):
        size = positions[left]
        angle = (begin - start[left]) % size
        phase = -row * size % width
        for low, high, at in ((angle, size, begin), (0 * angle, angle, begin + size - angle)):
            first = low + (phase - low) % width
            units = np.minimum((high - first) // width,
                               (len(times) - at - (first - low)) // width)  # fmt: skip
            seen = np.minimum(at + first - low, len(sums) - 1)
            to = np.minimum(seen + width * np.maximum(units - 1, 0), len(sums) - 1)
            total[left] += sums[to] - sums[seen]
        out[left] = np.maximum(out[left], total[left])
        ends[left] = begin + size
        begin = _next(times, begin, size, pause[left], turns[left])
        row += 1
        goes_on = (begin + size // 3 < len(times)) & (row * size < MOST_BITS)
        left, begin = left[goes_on], begin[goes_on]
    return out, ends


def _read(bits: Bits, times: Reals, cuts: Sequence[Cut], codes: Codes, most: int) -> list[_Found]:
    """The text's evidence of each cut in its first bits, the most first."""
    if not cuts:
        return []
    lines = np.full((len(cuts), most), -1, np.int8)
    for line, cut in zip(lines, cuts, strict=True):
        first = _laid_out(bits, times, cut, most)
        line[: len(first)] = first
    scores = np.empty((len(codes), len(cuts)))
    for k, (sense, code) in enumerate(codes):
        turned = _turned(lines, sense)
        parts = PARTS if most == MOST_BITS else (most,)
        scores[k] = np.max([text_evidence(turned[:, :part], code) for part in parts], axis=0)
    best, which = scores.max(axis=0), scores.argmax(axis=0)
    return [
        _Found(float(best[k]), cuts[k], int(which[k])) for k in np.argsort(-best, kind="stable")
    ]
