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
    "Alignment",
    "Design",
    "Move",
    "agreement",
    "agreement_of",
    "align_rows",
    "best_order",
    "lengths",
    "likeliest",
    "signs_of",
    "turn_phase",
    "usual_move",
    "with_neighbours",
]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]
Signs = NDArray[np.int8]

LATE = 0.03  # price of a slot away from when a row should begin, as a share of a row
SURE_LATE = 0.2  # the same, once it is known when rows do begin on this machine
UNSURE = 0.12  # positions by which the moment is unsure at which the stage is ready
HARDLY = 8.0  # how unlikely it is at most, as a logarithm, that a row begins a slot off
OTHER_ROW = 0.02  # price of reading another row than the one it should be
CHANGE = 0.12  # price of a change to another row and back
OTHERS = (0, -1, 1)
LOST_ROWS = 3
OUTSIDE = 0.5  # what a row that lies outside the recording counts for, if 1 is one that fits
FIRST = 0.3  # what it speaks for a start that the first row begins with position 0
GOOD_ROWS = 0.6
MOST_BLOCKS = 160
FINE = 0.01  # positions between two lengths of the stage's move that are tried
LIKE_PLAN = 0.25  # how far it is from the design's, usually, as a share of it


@dataclass(frozen=True, eq=False)
class Design:
    """What should have happened.

    Attributes
    ----------
    grid : ndarray of int8, shape (rows, positions)
        What a right reading sees: 1, 0, -1 for what nobody knows.
    step : int
        Slots from a row's start to the next one's.
    index : bool
        Whether each row waits for the index.
    move_s : float
        The stage's move and settling, in s.
    least : int
        Slots from a row's start to the next one's, at least: the stage takes its time.
    """

    grid: Signs
    step: int
    index: bool
    move_s: float = 1.0
    least: int = 0

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return int(self.grid.shape[0])

    @property
    def positions(self) -> int:
        """Positions a row."""
        return int(self.grid.shape[1])


@dataclass(frozen=True)
class Move:
    """How long the stage's move takes, with settling, and the share of bits that were wrong."""

    move_s: float
    wrong: float


@dataclass(frozen=True, eq=False)
class Alignment:
    """When each row was read.

    Attributes
    ----------
    start : ndarray of int64, shape (rows,)
        The slot in which each reading began; may lie outside the recording at its ends.
    seen_row : ndarray of int64, shape (rows,)
        The row that was under the detector.
    phase : int
        Slot k is position (k + phase) % positions.
    agreement : float
        Share of the bits that are as they should be, of those that were seen; 0.5 is chance.
    best_rows : float
        The same over the three fifths of the rows that agree best.
    """

    start: Index
    seen_row: Index
    phase: int
    agreement: float
    best_rows: float


def signs_of(grid: Signs) -> Signs:
    """1 for a one, -1 for a zero, 0 for unknown."""
    return np.where(grid < 0, 0, 2 * grid - 1).astype(np.int8)


def turn_phase(seen: Signs | Reals, grid: Signs) -> tuple[int, float]:
    """The position of slot 0, from what was seen turn by turn.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    grid : ndarray of int8, shape (rows, positions)

    Returns
    -------
    phase : int
    score : float
        How far it stands out of the other phases, in standard deviations.
    """
    rows, n = grid.shape
    blocks = max(1, len(seen) // n)
    padded = np.zeros(blocks * n if len(seen) >= n else n)
    padded[: len(seen)] = seen[: len(padded)]
    turns = padded.reshape(-1, n)
    if len(turns) > MOST_BLOCKS:
        turns = turns[np.linspace(0, len(turns) - 1, MOST_BLOCKS).astype(int)]
    some = grid[:: max(1, -(-rows // MOST_BLOCKS))]
    mean = signs_of(some).astype(float)
    a = np.fft.rfft(turns - turns.mean(axis=1, keepdims=True), axis=1)
    b = np.fft.rfft(mean - mean.mean(axis=1, keepdims=True), axis=1)
    total = np.zeros(n)
    for one in a:
        # sum over k of seen[k] * row[(k + s) % n], for each shift s and row
        match = np.fft.irfft(np.conj(one)[None, :] * b, n, axis=1)
        total += match.max(axis=0)
    best = int(np.argmax(total))
    rest = np.delete(total, best)
    spread = float(rest.std()) if len(rest) > 1 else 1.0
    return best, float((total[best] - rest.mean()) / max(spread, 1e-9))


def _windows(
    seen: Signs | Reals, design: Design, phase: int, turning: bool, margin: int
) -> NDArray[np.float32]:
    """How well a row read from each slot on agrees with each row, shape (starts, rows).

    Starts are counted from -margin. A slot outside the recording counts, but less than one that
    fits.
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
            match = padded * signs[r][position]
            total = np.concatenate([[0], np.cumsum(match)])
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
        Of slot 0, where the positions turn on through the whole recording.
    turning : bool
        Whether they do, and `phase` can be trusted; else every row is taken to begin with
        position 0 at its start.
    following : tuple of ndarray, shape (slots,), optional
        The slot in which the next row should begin if one begins in this slot, and how far that
        is from being the one before and the one after, in slots; as the design says if not given.
    wrong : float
        The share of bits that are usually wrong in this recording.
    lost : int
        How many rows late the recording may begin.
    """
    rows, n = design.grid.shape
    margin = lost * design.step
    fit = _windows(seen, design, phase, turning, margin)
    allowed = np.arange(len(fit))
    if turning and design.index:
        allowed = allowed[(allowed - margin + phase) % n == 0]
    first = (allowed - margin + phase) % n == 0 if turning else np.zeros(len(allowed), bool)
    longest = max(4 * design.step, design.step + 2 * n)
    ahead = np.full(len(allowed), design.step)
    off = None
    if following is not None:
        inside = (allowed >= margin) & (allowed < margin + len(following[0]))
        slot = allowed[inside] - margin
        ahead[inside] = following[0][slot] - slot
        off = np.full((2, len(allowed)), 0.5)
        off[0, inside], off[1, inside] = following[1][slot], following[2][slot]
        # in the unit of fit, where a wrong bit is 2 of n
        bit = np.log((1 - wrong) / wrong)
        off = 2 / (n * bit) * np.minimum(0.5 * (off / UNSURE) ** 2, HARDLY)
    chosen, other = best_order(fit[allowed], first, allowed, ahead, design, longest, off)
    start = allowed[chosen] - margin
    seen_row = np.arange(rows) + other
    overall, best = agreement(seen, design, phase, turning, start, seen_row)
    return Alignment(start, seen_row, phase, overall, best)


def agreement(
    seen: Signs | Reals, design: Design, phase: int, turning: bool, start: Index, seen_row: Index
) -> tuple[float, float]:
    """The share of bits, of those that were seen, that are as they should be: over all rows, and
    over those that agree best."""
    n = design.positions
    slot = start[:, None] + np.arange(n)
    inside = (slot >= 0) & (slot < len(seen))
    bits = np.where(inside, np.sign(seen[np.clip(slot, 0, len(seen) - 1)]), 0)
    place = (slot + phase) % n if turning else np.broadcast_to(np.arange(n), slot.shape)
    right = (bits * signs_of(design.grid)[seen_row[:, None], place]).sum(axis=1)
    there = inside.any(axis=1)
    share = right[there] / inside[there].sum(axis=1) if there.any() else np.zeros(1)
    # a fault may spoil some rows: the others tell whether this is the disc
    good = np.sort(share)[-max(1, round(GOOD_ROWS * len(share))) :]
    return float(0.5 + share.mean() / 2), float(0.5 + good.mean() / 2)


def agreement_of(seen: Signs | Reals, design: Design, alignment: Alignment) -> tuple[float, float]:
    """The shares of bits that are as they should be, of `Alignment`, where rows turn on."""
    return agreement(seen, design, alignment.phase, True, alignment.start, alignment.seen_row)


def usual_move(
    seen: Signs | Reals,
    design: Design,
    phase: int,
    period_s: float,
    following: Callable[[Index, Reals], Index],
) -> Move:
    """How long the stage's move takes on this machine, with settling, in s.

    With a steady move every row's start follows from the one before; so for each length of the
    move the whole order of rows is known, and the likeliest length is taken.

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
        The slots in which the next rows should begin, from slots in which rows begin (within the
        recording) and lengths of the move in s, both of one shape.
    """
    rows, n = design.grid.shape
    margin = n
    fit = _windows(seen, design, phase, True, margin)
    gain = with_neighbours(fit)
    first = np.arange((-phase) % n - n, len(seen), n)
    first = first[(first >= -margin) & (first < len(seen))]
    moves = lengths(design, period_s)
    # all lengths and all first rows side by side
    start = np.broadcast_to(first, (len(moves), len(first)))
    move = np.broadcast_to(moves[:, None], start.shape)
    total = np.zeros(start.shape)
    for r in range(rows):
        total += gain[np.clip(start + margin, 0, len(fit) - 1), r]
        inside = np.clip(start, 0, len(seen) - 1)
        start = following(inside, move) + start - inside
    return likeliest(moves, total.max(axis=1), design)


def with_neighbours(fit: NDArray[np.float32]) -> NDArray[np.float32]:
    """How well rows fit from each start on, where the stage may have missed by a row: then they
    fit as another one, at a price."""
    gain = fit.copy()
    gain[:, 1:] = np.maximum(gain[:, 1:], fit[:, :-1] - CHANGE)
    gain[:, :-1] = np.maximum(gain[:, :-1], fit[:, 1:] - CHANGE)
    return gain


def lengths(design: Design, period_s: float) -> Reals:
    """Lengths of the stage's move that are worth trying, in s."""
    n = design.positions
    most = min(4 * design.move_s + 2 * n * period_s, design.move_s + n * period_s)
    out: Reals = np.arange(0.5, most / period_s, FINE) * period_s
    return out


def likeliest(moves: Reals, scores: Reals, design: Design) -> Move:
    """The middle of the likeliest stretch of moves.

    Moves that lie together and give one order of rows count together: near a whole number of
    positions each hair's breadth gives another order, and one of many may fit by chance.
    """
    n, rows = design.positions, design.rows
    wrong = float(np.clip(0.5 - scores.max() / (2 * rows), 0.002, 0.4))
    likely = 0.5 * n * np.log((1 - wrong) / wrong) * scores
    likely -= 0.5 * (np.log(moves / design.move_s) / LIKE_PLAN) ** 2
    edge = np.flatnonzero(np.abs(np.diff(scores)) > 1e-9) + 1
    parts = np.split(np.arange(len(moves)), edge)
    mass = [float(np.logaddexp.reduce(likely[p])) for p in parts]
    best = parts[int(np.argmax(mass))]
    return Move(float((moves[best[0]] + moves[best[-1]]) / 2), wrong)


def best_order(
    fit: NDArray[np.float32],
    first: NDArray[np.bool_],
    at: Index,
    ahead: Index,
    design: Design,
    longest: int,
    off: Reals | None,
) -> tuple[Index, Index]:
    """For each reading its start, among the candidates, and how far its row is off.

    `ahead` is how many slots after each candidate the next row should begin, and `off` the prices
    of one slot less and one slot more where that is known well. Viterbi's algorithm:
    the stage may be a row short or long for a while, at a price for each change.
    """
    count, rows = fit.shape
    n = design.positions
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
        # whether a position just passed or just not is a matter of chance
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
