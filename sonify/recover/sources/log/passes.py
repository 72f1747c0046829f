"""From positions that passed to rows: how many make a turn, and when the stage moved.

While the stage rests, the data repeats with each turn; a move breaks that. So the length of a turn
is the lag at which long stretches agree, and a row ends where they stop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural
from sonify.errors import Caution

__all__ = ["Rows", "agreement", "laid_out", "rows_at", "rows_from_turns", "turn_length"]

Reals = NDArray[np.float64]

SUREST = 8.0
"""Log-odds that a single look counts for at most, when two looks are compared."""

MOST_ODDS = 12.0
"""Log-odds that a single look counts for at most, when looks are added up."""

FROM_THE_SIDE = 0.3
"""Weight of a look while the stage is reaching or leaving a row, as part of a hole shows."""

LONG_RUN = 24
"""Positions that agree for a stretch to count as long: texts agree over shorter ones by chance."""

LEAST_PART = 0.34
"""Share of a row below which a part at an end of the log is left out."""

FEWEST, MOST = 6, 20_000
"""Positions of a turn that are searched for."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows out of a log.

    Attributes
    ----------
    odds : ndarray, shape (rows, positions)
        Natural logarithm of the odds for a hole, over all passes; 0 where nothing was seen.
    start : int
        The index of the first position 0 that passed.
    moves : tuple of int
        The indices of the positions at which the stage started to move.
    lost_to_move : int
        Positions that pass while the stage moves and settles.
    passes : tuple of int
        Turns seen of each row, whole or in part.
    cautions : tuple of Caution
    """

    odds: Reals
    start: int
    moves: tuple[int, ...]
    lost_to_move: int
    passes: tuple[int, ...]
    cautions: tuple[Caution, ...] = ()


def _same(one: Reals, other: Reals) -> Reals:
    """Evidence that two looks show the same bit, in nats."""
    sure = np.tanh(np.clip(one, -SUREST, SUREST) / 2) * np.tanh(np.clip(other, -SUREST, SUREST) / 2)
    out: Reals = np.log1p(np.maximum(sure, -0.98))
    return out


def agreement(odds: Reals, lag: int) -> Reals:
    """Evidence that each position and the one `lag` before show the same bit, in nats.

    0 for unknown, ln 2 for the same, strongly negative for different.
    """
    return _same(odds[lag:], odds[:-lag])


def turn_length(odds: Reals) -> tuple[int, float, float]:
    """Positions of a turn, 0 for none; and how far that lag is ahead of the others, as a ratio and
    in bits.

    Long stretches that agree count; scattered agreement, which all texts have, does not.
    """
    odds = odds[:60_000]
    longest = min(MOST, len(odds) - FEWEST)
    if longest <= FEWEST:
        return 0, 0.0, 0.0
    sure = np.tanh(np.clip(odds, -SUREST, SUREST) / 2).astype(np.float32)
    # data with few ones agrees with itself at any lag: count against chance
    chance = np.log1p(float(sure.mean()) ** 2)
    scores = np.zeros(longest + 1)
    for lag in range(FEWEST, longest + 1):
        both = np.log1p(np.maximum(sure[lag:] * sure[:-lag], np.float32(-0.98))) - chance
        w = min(LONG_RUN, max(8, lag - 2))
        if len(both) < w:
            break
        total = np.concatenate([[0.0], np.cumsum(both, dtype=np.float64)])
        scores[lag] = np.maximum(total[w:] - total[:-w], 0).sum() / w
    best = float(scores.max())
    if best <= 2.0:
        return 0, 0.0, 0.0
    # the shortest lag that does about as well: two turns agree too while a row is read again
    lag = int(np.flatnonzero(scores > 0.7 * best)[0])
    rivals = np.delete(scores, np.arange(lag, len(scores), lag))
    rival = float(rivals.max(initial=0.0))
    return lag, best / max(rival, 1.0), (best - rival) / np.log(2)


def rows_from_turns(odds: Reals, positions: int) -> Rows | None:
    """Rows of a log in which each passes more than once; None if nothing repeats.

    A row starts where agreement breaks off, turn after turn: the stage moves as soon as a row is
    done.
    """
    n = len(odds)
    g = agreement(odds, positions)
    if len(g) < positions // 2:
        return None
    start, lost, score = _best_cut(g, positions)
    if score <= 0.25 * positions:
        return None
    # what comes before the first cut belongs to a turn that started before the log did
    first = start - positions if start > 0 else start
    turns = -(-(n - first) // positions)
    padded, flags = np.zeros(turns * positions), np.zeros(turns * positions, bool)
    inside = slice(max(-first, 0), max(-first, 0) + n - max(first, 0))
    padded[inside], flags[inside] = odds[max(first, 0) :], True
    looks, seen = padded.reshape(turns, positions), flags.reshape(turns, positions)
    clear = np.arange(positions) >= lost
    same = (_same(looks[1:], looks[:-1]) * clear).sum(axis=1) > 0
    if _begins_with_first_row(same, int(seen[0].sum()), positions):
        same[0] = True
    same |= _within_row(same)
    stays = np.concatenate([[0], np.cumsum(~same)])
    total = np.zeros((int(stays[-1]) + 1, positions))
    passes = np.zeros(len(total), int)
    moves = []
    side = min(lost // 2 + 2, positions // 3)
    for t in range(turns):
        row = int(stays[t])
        use, weight = seen[t].copy(), seen[t].astype(float)
        if t > 0 and stays[t - 1] != row:
            use &= clear
            weight[:lost] = 0.0
            weight[lost : lost + side] *= FROM_THE_SIDE
            moves.append(first + t * positions)
        if t + 1 < turns and stays[t + 1] != row:
            weight[positions - side :] *= FROM_THE_SIDE
        # two looks that are sure and differ leave the bit unknown
        total[row] += weight * np.clip(looks[t], -MOST_ODDS, MOST_ODDS)
        passes[row] += bool(use.any())
    return _tidied(total, passes, moves, start, lost)


def _tidied(
    total: Reals, passes: NDArray[np.int64], moves: list[int], start: int, lost: int
) -> Rows:
    """Without parts of rows at the ends, and with equal rows that follow each other told apart."""
    positions = total.shape[1]
    cautions = []
    known = np.count_nonzero(total, axis=1)
    keep = np.ones(len(total), bool)
    for end in (0, -1):
        if len(total) > 1 and known[end] < LEAST_PART * positions and keep.sum() > 1:
            keep[end] = False
            cautions.append(
                f"{int(known[end])} positions of one more row at the "
                f"{'start' if end == 0 else 'end'} of the log were left out"
            )
    inner = passes[1:-1]
    usual = int(np.median(inner)) if len(inner) else 0
    repeat = np.ones(len(total), int)
    for r in range(1, len(total) - 1) if usual >= 2 else ():
        times = passes[r] / usual
        if times >= 2 and abs(times - round(times)) < 1e-9:
            repeat[r] = round(times)
            cautions.append(
                f"row {r + 1} passed {passes[r]} times and its neighbours {usual} times: taken as "
                f"{repeat[r]} equal rows"
            )
    short = [int(k) for k in np.flatnonzero(keep) if known[k] < positions]
    if short:
        lacks = [
            f"row {r + 1} lacks {plural(positions - int(known[r]), 'position')}" for r in short
        ]
        listed = ", ".join(lacks[:6] + ["..."] * (len(short) > 6))
        cautions.append(f"{plural(len(short), 'row')} incomplete: {listed}")
    return Rows(
        np.repeat(total[keep], repeat[keep], axis=0),
        start,
        tuple(moves),
        lost,
        tuple(np.repeat(passes[keep], repeat[keep]).tolist()),
        tuple(map(Caution, cautions)),
    )


def _begins_with_first_row(same: NDArray[np.bool_], first: int, positions: int) -> bool:
    """Whether the few positions before the first row belong to that row.

    They are cut off from it if what passes as the stage leaves looks like the row's end. The row
    then has one turn fewer than the others; after the end of another row it would have as many.
    """
    if first >= LEAST_PART * positions or len(same) < 4 or same[0]:
        return False
    turns = np.diff(np.concatenate([[0], np.flatnonzero(~same) + 1]))
    # the part, the first row, those between, and not the last one
    if len(turns) < 4:
        return False
    usual = int(np.median(turns[2:]))
    return usual >= 2 and int(turns[1]) == usual - 1


def _within_row(same: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where turns differ within a row: two rows that follow each other have as many turns together
    as each of the others, so it was noise and no move of the stage."""
    ends = np.flatnonzero(~same)
    turns = np.diff(np.concatenate([[-1], ends, [len(same)]]))
    out = np.zeros(len(same), bool)
    if len(turns) >= 6:
        usual = np.median(turns[1:-1])
        both = turns[:-1] + turns[1:] == usual
        # the first and last part of a log may be cut off
        out[ends[1:-1][both[1:-1]]] = True
    return out


def _best_cut(g: Reals, positions: int) -> tuple[int, int, float]:
    """Where turns start (index of a position), how many positions a move costs, and the evidence.

    For each start and count, the turns whose clear part agrees with the turn before are added up.
    """
    best = (-np.inf, 0, 0)
    turns = min(len(g) // positions + 1, 400)
    most = max(1, positions * 3 // 4)
    part = g[: turns * positions]
    for start in range(positions):
        # g[k] compares position k + positions with position k
        padded = np.zeros((turns + 1) * positions)
        padded[positions - start :][: len(part)] = part[: len(padded) - positions + start]
        lines = padded.reshape(turns + 1, positions)
        # the evidence of the clear part, by how many positions at its start are not clear
        tails = np.cumsum(lines[:, ::-1], axis=1)[:, ::-1][:, :most]
        score = np.maximum(tails, 0).sum(axis=0)
        lost = int(np.argmax(score))
        if score[lost] > best[0] + 1e-9:
            best = (float(score[lost]), start, lost)
    return best[1], best[2], best[0]


def rows_at(odds: Reals, begins: Sequence[int], positions: int) -> Rows:
    """Rows of a log in which each passes once, and begins where it is said.

    Each row's bits are put in place by counting the clock row, which never stops.

    Parameters
    ----------
    odds : ndarray, shape (passed,)
    begins : sequence of int
        Indices of the positions at which rows begin; the first one is position 0.
    positions : int
        Of a turn.
    """
    ends = np.add(begins, positions)
    lost = max([0, *(np.array(begins[1:]) - ends[:-1]).tolist()])
    moves = tuple(e for e in ends.tolist() if e < len(odds))
    return Rows(laid_out(odds, begins, positions, 0.0), 0, moves, lost, (1,) * len(begins))


def laid_out(
    values: NDArray[Any], begins: Sequence[int], positions: int, beyond: float
) -> NDArray[Any]:
    """The values of a log by row and position, shape (rows, positions), for rows that begin where
    it is said; `beyond` where the log has ended."""
    begin = np.array(begins)[:, None]
    at = begin + (np.arange(positions) - (begin - begins[0])) % positions
    return np.where(at < len(values), values[np.minimum(at, len(values) - 1)], beyond)
