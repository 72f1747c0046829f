"""Align what was read with the disc: which position each slot is, and when each row was read.

A *slot* is one position passing, counted from the start of the recording. Each slot is compared
with every row of the disc; dynamic programming then finds the best order of readings, in which
rows may be read twice or skipped at a price.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Alignment", "Design", "Move", "agreement", "agreement_of", "align_rows", "best_move",
    "best_order", "signs_of", "turn_phase", "usual_move",
]  # fmt: skip

Index = NDArray[np.int64]
Reals = NDArray[np.float64]
Signs = NDArray[np.int8]

# The prices below are shares of a row's bits. They were chosen on recordings of the simulated
# player in tests/recover/diagnosis/machine.py, with each fault at each strength.

LATE = 0.03  # of each slot between a row's start and where it should be
SURE_LATE = 0.2  # the same, once the time of the stage's move is known
OTHER_ROW = 0.02  # of reading another row than the one that is due
CHANGE = 0.12  # of a change to another row and back
FIRST = 0.3  # gained by a first row that starts with position 0
OUTSIDE = 0.5  # gained by a position outside the recording, where one that fits gains 1

OTHERS = (0, -1, 1)  # rows by which the stage may be off
LOST_ROWS = 3  # rows that may have been read before the recording started
UNSURE = 0.12  # standard deviation of the moment when the stage is ready, in positions
HARDLY = 8.0  # the least likely that a row starts one slot off, as a negative logarithm
GOOD_ROWS = 0.6  # share of the rows that tell whether this is the disc; faults may spoil the rest
MOST_BLOCKS = 160  # turns compared to find the phase: enough for any disc
FINE = 0.01  # positions between two times of the stage's move that are tried
LIKE_PROFILE = 0.25  # standard deviation of that time around the profile's, as a share of it


@dataclass(frozen=True, eq=False)
class Design:
    """What should have happened: the disc as designed, and the player's timing.

    Attributes
    ----------
    grid : ndarray of int8, shape (rows, positions)
        What a correct reading sees: 1, 0, -1 for unknown.
    step : int
        Slots from one row's start to the next one's.
    index : bool
        Whether each row waits for the index mark.
    move_s : float
        The time of the stage's move with settling, in s.
    least : int
        The least slots from one row's start to the next one's, as the stage takes its time.
    """

    grid: Signs
    step: int
    index: bool
    move_s: float = 1.0
    least: int = 0

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.grid.shape[0])

    @property
    def positions(self) -> int:
        """Positions in a row."""
        return int(self.grid.shape[1])


@dataclass(frozen=True)
class Move:
    """The time of the stage's move with settling, and the share of wrong bits."""

    move_s: float
    wrong: float


@dataclass(frozen=True, eq=False)
class Alignment:
    """When each row was read.

    Attributes
    ----------
    start : ndarray of int64, shape (rows,)
        The slot in which each reading started; may lie outside the recording at its ends.
    seen_row : ndarray of int64, shape (rows,)
        The row that was under the detector.
    phase : int
        Slot k is position (k + phase) % positions.
    agreement : float
        Share of the observed bits that are correct; 0.5 is chance.
    best_rows : float
        The same over the three fifths of the rows that agree best.
    """

    start: Index
    seen_row: Index
    phase: int
    agreement: float
    best_rows: float

    @property
    def rows_off(self) -> int:
        """How many readings saw another row than the one that was due."""
        return int((self.seen_row != np.arange(len(self.seen_row))).sum())

    def places(self, design: Design) -> Index:
        """The position at which each reading counts its slots, shape (rows, positions)."""
        first = np.zeros_like(self.start) if design.index else self.start + self.phase
        return (first[:, None] + np.arange(design.positions)) % design.positions


def signs_of(grid: Signs) -> Signs:
    """1 for a one, -1 for a zero, 0 for unknown."""
    return np.where(grid < 0, 0, 2 * grid - 1).astype(np.int8)


def turn_phase(seen: Signs | Reals, grid: Signs) -> tuple[int, float]:
    """The position of slot 0, by correlating each turn with each row.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    grid : ndarray of int8, shape (rows, positions)

    Returns
    -------
    phase : int
    score : float
        How far it stands out from the other phases, in standard deviations.
    """
    rows, n = grid.shape
    padded = np.zeros(max(1, len(seen) // n) * n)
    padded[: len(seen)] = seen[: len(padded)]
    turns = padded.reshape(-1, n)
    if len(turns) > MOST_BLOCKS:
        turns = turns[np.linspace(0, len(turns) - 1, MOST_BLOCKS).astype(int)]
    signs = signs_of(grid[:: max(1, -(-rows // MOST_BLOCKS))]).astype(float)
    a = np.fft.rfft(turns - turns.mean(axis=1, keepdims=True), axis=1)
    b = np.fft.rfft(signs - signs.mean(axis=1, keepdims=True), axis=1)
    # for each turn and shift s, the row that fits best: the sum over k of seen[k] row[(k + s) % n]
    total = sum(np.fft.irfft(np.conj(one) * b, n, axis=1).max(axis=0) for one in a)
    best = int(np.argmax(total))
    rest = np.delete(total, best)
    spread = float(rest.std()) if len(rest) > 1 else 1.0
    return best, float((total[best] - rest.mean()) / max(spread, 1e-9))


def _windows(
    seen: Signs | Reals, design: Design, phase: int, turning: bool, margin: int
) -> NDArray[np.float32]:
    """How well a row that starts in each slot agrees with each row, shape (starts, rows).

    Starts are counted from -margin.
    """
    rows, n = design.grid.shape
    signs = signs_of(design.grid)
    padded = np.zeros(len(seen) + 2 * margin + n)
    padded[margin : margin + len(seen)] = seen
    starts = len(seen) + 2 * margin
    out = np.empty((starts, rows), np.float32)
    if turning:
        position = (np.arange(len(padded)) - margin + phase) % n
        for r in range(rows):
            total = np.concatenate([[0], np.cumsum(padded * signs[r][position])])
            out[:, r] = total[n : n + starts] - total[:starts]
    else:
        size = 1 << int(np.ceil(np.log2(len(padded) + n)))
        a = np.fft.rfft(padded, size)
        for r in range(rows):
            b = np.fft.rfft(signs[r].astype(np.float64), size)
            out[:, r] = np.fft.irfft(a * np.conj(b), size)[:starts]
    at = np.arange(starts) - margin
    outside = np.minimum(np.clip(-at, 0, n) + np.clip(at + n - len(seen), 0, n), n)
    out += (OUTSIDE * outside).astype(np.float32)[:, None]
    share: NDArray[np.float32] = out / np.float32(n)
    return share


def align_rows(
    seen: Signs | Reals,
    design: Design,
    phase: int,
    turning: bool,
    following: tuple[Index, Reals, Reals] | None = None,
    wrong: float = 0.01,
    lost: int = LOST_ROWS,
) -> Alignment:
    """Find when each row was read.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    design : Design
    phase : int
        Of slot 0, if the positions keep turning through the whole recording.
    turning : bool
        Whether they do, and `phase` can be trusted; else each row is taken to start with position
        0.
    following : tuple of ndarray, shape (slots,), optional
        For a row that starts in each slot: the slot in which the next one should start, and how far
        that moment is from the slot before and after, in slots. As designed if not given.
    wrong : float
        The share of wrong bits that is usual in this recording.
    lost : int
        How many rows late the recording may start.
    """
    rows, n = design.grid.shape
    margin = lost * design.step
    fit = _windows(seen, design, phase, turning, margin)
    allowed = np.arange(len(fit))
    if turning and design.index:
        allowed = allowed[(allowed - margin + phase) % n == 0]
    first = (allowed - margin + phase) % n == 0 if turning else np.zeros(len(allowed), bool)
    ahead = np.full(len(allowed), design.step)
    off = None
    if following is not None:
        inside = (allowed >= margin) & (allowed < margin + len(following[0]))
        slot = allowed[inside] - margin
        ahead[inside] = following[0][slot] - slot
        off = np.full((2, len(allowed)), 0.5)
        off[:, inside] = following[1][slot], following[2][slot]
        off = slot_prices(off, n, wrong)
    chosen, other = best_order(fit[allowed], first, allowed, ahead, design, off)
    start, seen_row = allowed[chosen] - margin, np.arange(rows) + other
    return Alignment(
        start, seen_row, phase, *agreement(seen, design, phase, turning, start, seen_row)
    )


def slot_prices(off: Reals, n: int, wrong: float) -> Reals:
    """The prices of a start one slot early and one slot late, as shares of a row.

    `off` is how far the moment when the stage is ready is from either, in slots. A wrong bit costs
    2 of n.
    """
    bit = np.log((1 - wrong) / wrong)
    out: Reals = 2 / (n * bit) * np.minimum(0.5 * (off / UNSURE) ** 2, HARDLY)
    return out


def agreement(
    seen: Signs | Reals, design: Design, phase: int, turning: bool, start: Index, seen_row: Index
) -> tuple[float, float]:
    """The share of the observed bits that are correct: over all rows, and over the best ones."""
    n = design.positions
    slot = start[:, None] + np.arange(n)
    inside = (slot >= 0) & (slot < len(seen))
    bits = np.where(inside, np.sign(seen[np.clip(slot, 0, len(seen) - 1)]), 0)
    place = (slot + phase) % n if turning else np.broadcast_to(np.arange(n), slot.shape)
    right = (bits * signs_of(design.grid)[seen_row[:, None], place]).sum(axis=1)
    there = inside.any(axis=1)
    share = right[there] / inside[there].sum(axis=1) if there.any() else np.zeros(1)
    good = np.sort(share)[-max(1, round(GOOD_ROWS * len(share))) :]
    return float(0.5 + share.mean() / 2), float(0.5 + good.mean() / 2)


def agreement_of(seen: Signs | Reals, design: Design, alignment: Alignment) -> tuple[float, float]:
    """The same for an alignment whose rows keep turning."""
    return agreement(seen, design, alignment.phase, True, alignment.start, alignment.seen_row)


def usual_move(
    seen: Signs | Reals,
    design: Design,
    phase: int,
    period_s: float,
    following: Callable[[Index, Reals], Index],
) -> Move:
    """The time of the stage's move on this machine, with settling, from slots.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    design : Design
    phase : int
        Of slot 0.
    period_s : float
        How long a position usually lasts.
    following : callable
        The slots in which the next rows should start, from slots in which rows start (inside the
        recording) and times of the move in s, both of one shape.
    """
    n = margin = design.positions
    fit = _windows(seen, design, phase, True, margin)
    first = np.arange((-phase) % n - n, len(seen), n)
    first = first[(first >= -margin) & (first < len(seen))]

    def after(start: Index, move: Reals) -> Index:
        inside = np.clip(start, 0, len(seen) - 1)
        return following(inside, move) + start - inside

    return best_move(fit, first, margin, design, period_s, after)


def best_move(
    fit: NDArray[np.float32],
    first: Index,
    margin: int,
    design: Design,
    period_s: float,
    after: Callable[[Index, Reals], Index],
) -> Move:
    """The likeliest time of the stage's move.

    With a steady move each row's start follows from the one before, so each time of the move gives
    the whole order of rows.

    Parameters
    ----------
    fit : ndarray, shape (starts, rows)
        How well a row that starts at -margin, -margin + 1, ... agrees with each row.
    first : ndarray of int64
        Where the first row may start.
    after : callable
        Where the next rows start, from starts and times of the move, both of one shape.
    """
    n, rows = design.positions, design.rows
    # the stage may have missed by a row, at a price
    gain = fit.copy()
    gain[:, 1:] = np.maximum(gain[:, 1:], fit[:, :-1] - CHANGE)
    gain[:, :-1] = np.maximum(gain[:, :-1], fit[:, 1:] - CHANGE)
    longest = min(4 * design.move_s + 2 * n * period_s, design.move_s + n * period_s)
    moves = np.arange(0.5, longest / period_s, FINE) * period_s
    start = np.broadcast_to(first, (len(moves), len(first)))
    move = np.broadcast_to(moves[:, None], start.shape)
    total = np.zeros(start.shape)
    for r in range(rows):
        total += gain[np.clip(start + margin, 0, len(fit) - 1), r]
        start = after(start, move)
    scores = total.max(axis=1)
    wrong = float(np.clip(0.5 - scores.max() / (2 * rows), 0.002, 0.4))
    likely = 0.5 * n * np.log((1 - wrong) / wrong) * scores
    likely -= 0.5 * (np.log(moves / design.move_s) / LIKE_PROFILE) ** 2
    # neighbouring times that give one order of rows count together: near a whole number of
    # positions many orders are tried, and one of them may fit by chance
    parts = np.split(np.arange(len(moves)), np.flatnonzero(np.abs(np.diff(scores)) > 1e-9) + 1)
    best = max(parts, key=lambda part: float(np.logaddexp.reduce(likely[part])))
    return Move(float((moves[best[0]] + moves[best[-1]]) / 2), wrong)


def best_order(
    fit: NDArray[np.float32],
    first: NDArray[np.bool_],
    at: Index,
    ahead: Index,
    design: Design,
    off: Reals | None,
) -> tuple[Index, Index]:
    """The start of each reading, among the candidates, and how many rows the stage was off.

    Viterbi's algorithm over starts and rows off.

    Parameters
    ----------
    fit : ndarray, shape (candidates, rows)
    first : ndarray of bool, shape (candidates,)
        Candidates at position 0.
    at : ndarray of int64, shape (candidates,)
        The slots of the candidates.
    ahead : ndarray of int64, shape (candidates,)
        Slots from each candidate to the next row's start, as designed.
    design : Design
    off : ndarray, shape (2, candidates), optional
        The prices of one slot less and one slot more, where they are known.
    """
    count, rows = fit.shape
    n = design.positions
    longest = max(4 * design.step, design.step + 2 * n)
    whole_turns = design.index and count > 1 and int(np.diff(at).min()) >= n
    unit = n if whole_turns else 1
    steps = np.arange(1, longest // n + 2) if whole_turns else np.arange(n, longest + 1)
    steps = steps[(steps < max(count, 2)) & (steps * unit >= min(design.least, design.step))]
    if not len(steps):
        steps = np.array([1])
    late = steps[:, None] * unit - ahead[None, :]
    far = np.abs(late)
    if off is None:
        price = (LATE * np.minimum(far, 12.0) + 0.004 * far).astype(np.float32)
    else:
        # whether a position has just passed or not is a matter of chance
        one = np.where(late < 0, off[0], off[1]) * (far > 0)
        more = np.clip(far - 1, 0, None)
        price = (one + SURE_LATE * np.minimum(more, 11) + 0.004 * more).astype(np.float32)

    def gain(r: int, other: int) -> NDArray[Any]:
        if not 0 <= r + other < rows:
            return np.full(count, -9.0)
        out: NDArray[Any] = fit[:, r + other] - OTHER_ROW * abs(other)
        return out

    best: list[NDArray[Any]] = [gain(0, o) - (CHANGE if o else 0) + FIRST * first for o in OTHERS]
    back = np.zeros((rows, len(OTHERS), count), np.int64)
    came = np.zeros((rows, len(OTHERS), count), np.int8)
    for r in range(1, rows):
        now: list[NDArray[Any]] = []
        for k, o in enumerate(OTHERS):
            ways = np.stack([best[j] - CHANGE * (j != k) for j in range(len(OTHERS))])
            from_other = np.argmax(ways, axis=0)
            before = ways[from_other, np.arange(count)]
            options = np.full((len(steps), count), -1e9)
            for j, s in enumerate(steps):
                options[j, s:] = before[:-s] - price[j, :-s]
            pick = np.argmax(options, axis=0)
            source = np.maximum(np.arange(count) - steps[pick], 0)
            back[r, k], came[r, k] = source, from_other[source]
            now.append(options[pick, np.arange(count)] + gain(r, o))
        best = now
    out, other = np.zeros(rows, np.int64), np.zeros(rows, np.int64)
    k = int(np.argmax([b.max() for b in best]))
    c = int(np.argmax(best[k]))
    for r in range(rows - 1, -1, -1):
        out[r], other[r] = c, OTHERS[k]
        c, k = int(back[r, k, c]), int(came[r, k, c])
    return out, other
