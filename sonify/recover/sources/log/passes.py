"""From positions that passed to rows: how many make a turn, when the stage moved, what agrees.

While the stage rests, the data comes round again each turn; a move breaks that. So the length of
a turn is the lag at which long stretches agree, and a row ends where they stop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc.report import plural

__all__ = ["Rows", "rows_from_turns", "rows_of_length", "turn_length"]

Floats = NDArray[np.float64]

SUREST = 8.0  # no single look counts for more than these odds
MOST_ODDS = 12.0  # nor for more than these when looks are added up
FROM_THE_SIDE = 0.3
FEWEST = 6  # positions of a turn
MOST = 20_000


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows out of a log.

    Attributes
    ----------
    odds : ndarray, shape (rows, positions)
        Natural logarithm of the odds for a hole, all passes together; 0 where nothing was seen.
    start : int
        The index of the position that passed first of those that are position 0.
    moves : tuple of int
        The indices of the positions at which the stage began to move.
    lost_to_move : int
        Positions that pass while the stage moves and settles.
    passes : tuple of int
        Turns seen of each row, whole or in part.
    notes : tuple of str
    """

    odds: Floats
    start: int
    moves: tuple[int, ...]
    lost_to_move: int
    passes: tuple[int, ...]
    notes: tuple[str, ...] = ()


def agreement(odds: Floats, lag: int) -> Floats:
    """Evidence that each position and the one `lag` before show the same bit, in nats.

    0 means that nothing can be told; ln 2 that they agree; strongly negative that they differ.
    """
    sure = np.tanh(np.clip(odds, -SUREST, SUREST) / 2)
    out: Floats = np.log1p(np.maximum(sure[lag:] * sure[:-lag], -0.98)).astype(np.float64)
    return out


def turn_length(odds: Floats) -> tuple[int, float]:
    """Positions of a turn, and how far that lag is ahead of the others; 0 for none.

    Long stretches that agree count; scattered agreement, which all texts have, does not.
    """
    n = min(len(odds), 60_000)
    odds = odds[:n]
    longest = min(MOST, n - FEWEST)
    if longest <= FEWEST:
        return 0, 0.0
    sure = np.tanh(np.clip(odds, -SUREST, SUREST) / 2).astype(np.float32)
    # what is rarely a one agrees with itself anywhere: count against what chance would give
    mean = float(sure.mean())
    scores = np.zeros(longest + 1)
    chance = np.log1p(max(mean * mean, 0.0))
    for lag in range(FEWEST, longest + 1):
        both = np.log1p(np.maximum(sure[lag:] * sure[:-lag], np.float32(-0.98))) - chance
        w = min(24, max(8, lag - 2))
        if len(both) < w:
            break
        total = np.concatenate([[0.0], np.cumsum(both, dtype=np.float64)])
        run = total[w:] - total[:-w]
        scores[lag] = np.maximum(run, 0).sum() / w
    best = float(scores.max())
    if best <= 2.0:
        return 0, 0.0
    # the shortest lag that does about as well: twice a turn agrees too while a row is read again
    good = np.flatnonzero(scores > 0.7 * best)
    lag = int(good[0])
    rivals = np.delete(scores, np.arange(lag, len(scores), lag))
    rival = float(rivals.max()) if len(rivals) else 0.0
    return lag, best / max(rival, 1.0)


def rows_from_turns(odds: Floats, positions: int) -> Rows | None:
    """Rows of a log in which each is passed more than once; None where nothing comes again.

    Where a row begins is found as the place at which agreement breaks off, turn after turn: the
    stage moves as soon as a row is done.
    """
    n = len(odds)
    g = agreement(odds, positions)
    if len(g) < positions // 2:
        return None
    start, lost, score = _best_cut(g, positions)
    if score <= 0.25 * positions:
        return None
    # turns: those before the cut belong to a turn that began before the log did
    first = start - positions if start > 0 else start
    turns = -(-(n - first) // positions)
    padded = np.zeros(turns * positions)
    padded[-first if first < 0 else 0 :][:n] = odds[max(first, 0) :]
    looks = padded.reshape(turns, positions)
    flags = np.zeros(turns * positions, bool)
    flags[-first if first < 0 else 0 :][: n - max(first, 0)] = True
    seen = flags.reshape(turns, positions)
    again = np.log1p(
        np.maximum(
            np.tanh(np.clip(looks[1:], -SUREST, SUREST) / 2)
            * np.tanh(np.clip(looks[:-1], -SUREST, SUREST) / 2),
            -0.98,
        )
    )
    clear = np.arange(positions) >= lost
    same = (again * clear).sum(axis=1) > 0
    if _begins_with_first_row(same, int(seen[0].sum()), positions):
        same[0] = True
    stays = np.concatenate([[0], np.cumsum(~same)])
    count = int(stays[-1]) + 1
    total = np.zeros((count, positions))
    passes = np.zeros(count, int)
    moves = []
    side = min(lost // 2 + 2, positions // 3)
    for t in range(turns):
        row = int(stays[t])
        use = seen[t].copy()
        weight = np.where(use, 1.0, 0.0)
        if t > 0 and stays[t - 1] != row:
            use &= clear
            weight[:lost] = 0.0
            # a row that the stage is just reaching, or just leaving, is seen from its side
            weight[lost : lost + side] *= FROM_THE_SIDE
            moves.append(first + t * positions)
        if t + 1 < turns and stays[t + 1] != row:
            weight[positions - side :] *= FROM_THE_SIDE
        # two looks that are sure and differ leave the bit open
        total[row] += weight * np.clip(looks[t], -MOST_ODDS, MOST_ODDS)
        passes[row] += bool(use.any())
    covered = np.array([seen[stays == r].any(axis=0).mean() for r in range(count)])
    return _tidied(total, passes, moves, covered, start, lost, positions)


def _tidied(
    total: Floats,
    passes: NDArray[np.int64],
    moves: list[int],
    covered: Floats,
    start: int,
    lost: int,
    positions: int,
) -> Rows:
    """Scraps at the ends dropped, and rows alike that follow each other told apart by length."""
    notes = []
    known = np.count_nonzero(total, axis=1)
    keep = np.ones(len(total), bool)
    for end in (0, -1):
        if len(total) > 1 and known[end] < 0.34 * positions and keep.sum() > 1:
            keep[end] = False
            notes.append(
                f"{int(known[end])} positions of one more row at the "
                f"{'start' if end == 0 else 'end'} of the log were left out"
            )
    inner = passes[1:-1] if len(passes) > 2 else passes[:0]
    usual = int(np.median(inner)) if len(inner) else 0
    repeat = np.ones(len(total), int)
    if usual >= 2:
        for r in range(1, len(total) - 1):
            times = passes[r] / usual
            if times >= 2 and abs(times - round(times)) < 1e-9:
                repeat[r] = round(times)
                notes.append(
                    f"row {r + 1} was passed {passes[r]} times and its neighbours {usual} times: "
                    f"taken for {repeat[r]} rows that are alike"
                )
    short = [int(k) for k in np.flatnonzero(keep) if known[k] < positions]
    if short:
        notes.append(
            f"{plural(len(short), 'row')} not seen whole: "
            + ", ".join(
                f"row {r + 1} lacks {plural(positions - int(known[r]), 'position')}"
                for r in short[:6]
            )
            + (", ..." if len(short) > 6 else "")
        )
    rows = np.repeat(total[keep], repeat[keep], axis=0)
    counts = np.repeat(passes[keep], repeat[keep])
    return Rows(rows, start, tuple(moves), lost, tuple(int(c) for c in counts), tuple(notes))


def _begins_with_first_row(same: NDArray[np.bool_], first: int, positions: int) -> bool:
    """Whether the few positions before the first row are that row's own.

    They are cut off from it where what passes as the stage leaves looks like the row's end. The row
    has then one turn fewer than the others; after the end of another row it would have as many.
    """
    if first >= 0.34 * positions or len(same) < 4 or same[0]:
        return False
    begins = np.concatenate([[0], np.flatnonzero(~same) + 1])
    turns = np.diff(begins)
    # the scrap, the first row, those between, and not the last one
    if len(turns) < 4:
        return False
    usual = int(np.median(turns[2:]))
    return usual >= 2 and int(turns[1]) == usual - 1


def _best_cut(g: Floats, positions: int) -> tuple[int, int, float]:
    """Where turns begin (index of a position), how many are lost to a move, and the evidence.

    For each start and each count of lost positions, the turns whose clear part agrees with the
    turn before are added up.
    """
    best = (-np.inf, 0, 0)
    turns = min(len(g) // positions + 1, 400)
    most = max(1, positions * 3 // 4)
    for start in range(positions):
        # g[k] compares position k + positions with position k
        padded = np.zeros((turns + 1) * positions)
        part = g[: turns * positions]
        padded[positions - start :][: len(part)] = part[: len(padded) - positions + start]
        lines = padded.reshape(turns + 1, positions)
        # evidence of the clear part, by how many positions at its start are not clear
        tails = np.cumsum(lines[:, ::-1], axis=1)[:, ::-1][:, :most]
        score = np.maximum(tails, 0).sum(axis=0)
        lost = int(np.argmax(score))
        if score[lost] > best[0] + 1e-9:
            best = (float(score[lost]), start, lost)
    return best[1], best[2], best[0]


def rows_of_length(odds: Floats, times: Floats, positions: int, pause: float) -> Rows:
    """Rows of a log in which each is passed once, the next read on after a pause.

    The bits go back to their places by counting the clock row, which never stops.

    Parameters
    ----------
    odds, times : ndarray, shape (passed,)
    positions : int
        Of a turn.
    pause : float
        Seconds from the end of a row's last position to where reading goes on, at the next
        position.
    """
    n = len(odds)
    ends = np.concatenate([[times[0] - (times[1] - times[0]) / 2], (times[1:] + times[:-1]) / 2])
    rows: list[Floats] = []
    moves: list[int] = []
    begin, lost = 0, 0
    while begin < n and len(rows) < n:
        part = odds[begin : begin + positions]
        if rows and len(part) < positions // 3:
            break
        row = np.zeros(positions)
        row[(begin + np.arange(len(part))) % positions] = part
        _doubt_edges(row, odds, begin, positions)
        rows.append(row)
        end = begin + positions
        if end >= n:
            break
        moves.append(end)
        begin = int(np.searchsorted(times, ends[end] + pause))
        lost = max(lost, begin - end)
    return Rows(np.array(rows), 0, tuple(moves), lost, (1,) * len(rows))


def _doubt_edges(row: Floats, odds: Floats, begin: int, positions: int) -> None:
    """Leave bits at a row's ends open where the look a turn before or after says otherwise.

    There the stage may have been on its way, should the row begin a little sooner or later.
    """
    for k in (begin, begin + positions - 1):
        other = k + positions if k < begin + positions // 2 else k - positions
        if 0 <= k < len(odds) and 0 <= other < len(odds) and odds[k] * odds[other] < 0:
            row[k % positions] = 0.0
