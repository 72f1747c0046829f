"""Find when each row was read: each slot is compared with every row of the disc, and dynamic
programming finds the best order of readings, in which rows may be read twice or skipped at a price.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design, agreement, signs_of
from sonify.recover.signal.next_start import next_start

__all__ = ["FIRST", "LOST_ROWS", "SURE", "align", "align_reading_on", "align_rows", "in_order"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]
Signs = NDArray[np.int8]

# The prices below are shares of a row's bits. They were chosen on recordings of the simulated
# player in tests/recover/diagnosis/machine.py, with each fault at each strength.

LATE = 0.03  # of each slot between a row's start and where it should be
LONG, FAR = 12, 0.004  # slots that count in full, and what each of all slots adds
SURE_LATE = 0.2  # the same, once the time of the stage's move is known
OTHER_ROW = 0.02  # of reading another row than the one that is due
CHANGE = 0.12  # of a change to another row and back
FIRST = 0.3  # gained by a first row that starts with position 0
OUTSIDE = 0.25  # gained by a position outside the recording, where one that fits gains 1

LATE_ROWS = 2
"""Rows by which a log may start late before other starts are tried as well."""

SURE = 0.9
"""Share of correct bits from which the rows are surely in place."""

LEAST_ROWS = 2
"""Rows' worth of bits that a log must hold for that."""

OTHERS = (0, -1, 1)  # rows by which the stage may be off
LOST_ROWS = 3  # rows that may have been read before the recording started
UNSURE = 0.12  # standard deviation of the moment when the stage is ready, in positions
HARDLY = 8.0  # the least likely that a row starts one slot off, as a negative logarithm
FINE = 0.01  # positions between two times of the stage's move that are tried
LIKE_PROFILE = 0.25  # standard deviation of that time around the profile's, as a share of it


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
        off = _slot_prices(off, n, wrong)
    chosen, other = _best_order(fit[allowed], first, allowed, ahead, design, off)
    start, seen_row = allowed[chosen] - margin, np.arange(rows) + other
    found = agreement(seen, design, phase, turning, start, seen_row)
    return Alignment(start, seen_row, phase, found)


def _slot_prices(off: Reals, n: int, wrong: float) -> Reals:
    """The prices of a start one slot early and one slot late, as shares of a row.

    `off` is how far the moment when the stage is ready is from either, in slots. A wrong bit costs
    2 of n.
    """
    bit = np.log((1 - wrong) / wrong)
    out: Reals = 2 / (n * bit) * np.minimum(0.5 * (off / UNSURE) ** 2, HARDLY)
    return out


def align_reading_on(
    seen: Signs | Reals,
    design: Design,
    phase: int,
    passed: Reals,
    lost: int = LOST_ROWS,
) -> Alignment:
    """The same for a player that reads on at the next position.

    Parameters
    ----------
    seen, design, phase, lost
        As for `align_rows`.
    passed : ndarray
        When the slots passed, in s, from a turn before the first one on.
    """
    n = design.positions
    slots = np.arange(len(seen))
    move_s, wrong = _usual_move(
        seen, design, phase, passed, max(n, (lost - LOST_ROWS) * design.step)
    )
    following = _following(passed, n, slots, move_s)
    return align_rows(seen, design, phase, True, following, wrong, lost)


def _following(
    passed: Reals, n: int, slots: Index, move_s: Reals | float
) -> tuple[Index, Reals, Reals]:
    """For rows that start in slots: the slots in which the next ones should start, and how far the
    moment when the stage is ready is from the slot before and after, in slots."""
    last = np.clip(slots + 2 * n - 1, 0, len(passed) - 1)
    at, early, late = next_start(passed, last, move_s)
    early = np.clip(early / np.maximum(early + late, 1e-9), 0.0, 1.0)
    return at - n, early, 1.0 - early


def _usual_move(
    seen: Signs | Reals, design: Design, phase: int, passed: Reals, margin: int
) -> tuple[float, float]:
    """The likeliest time of the stage's move with settling, in s, and the share of wrong bits.

    With a steady move each row's start follows from the one before, so each time of the move gives
    the whole order of rows.
    """
    n, rows = design.positions, design.rows
    period_s = float(np.median(np.diff(passed)))
    fit = _windows(seen, design, phase, True, margin)
    # the stage may have missed by a row, at a price
    gain = fit.copy()
    gain[:, 1:] = np.maximum(gain[:, 1:], fit[:, :-1] - CHANGE)
    gain[:, :-1] = np.maximum(gain[:, :-1], fit[:, 1:] - CHANGE)
    first = np.arange((-phase) % n - margin // n * n, len(seen), n)
    longest = min(4 * design.move_s + 2 * n * period_s, design.move_s + n * period_s)
    moves = np.arange(0.5, longest / period_s, FINE) * period_s
    start = np.broadcast_to(first, (len(moves), len(first)))
    total = np.zeros(start.shape)
    for r in range(rows):
        total += gain[np.clip(start + margin, 0, len(fit) - 1), r]
        inside = np.clip(start, 0, len(seen) - 1)
        start = start - inside + _following(passed, n, inside, moves[:, None])[0]
    scores = total.max(axis=1)
    wrong = float(np.clip(0.5 - scores.max() / (2 * rows), 0.002, 0.4))
    likely = 0.5 * n * np.log((1 - wrong) / wrong) * scores
    likely -= 0.5 * (np.log(moves / design.move_s) / LIKE_PROFILE) ** 2
    # neighbouring times that give one order of rows count together: near a whole number of
    # positions many orders are tried, and one of them may fit by chance
    parts = np.split(np.arange(len(moves)), np.flatnonzero(np.abs(np.diff(scores)) > 1e-9) + 1)
    best = max(parts, key=lambda part: float(np.logaddexp.reduce(likely[part])))
    return float((moves[best[0]] + moves[best[-1]]) / 2), wrong


def _best_order(
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
        price = LATE * np.minimum(far, LONG) + FAR * far
    else:
        # whether a position has just passed or not is a matter of chance
        one = np.where(late < 0, off[0], off[1]) * (far > 0)
        more = np.clip(far - 1, 0, None)
        price = one + SURE_LATE * np.minimum(more, LONG - 1) + FAR * more
    price = price.astype(np.float32)

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


def in_order(seen: Reals, design: Design, phase: int) -> Alignment:
    """The best readings that follow one another as designed, from the log's beginning on."""
    every = np.arange(design.rows)
    first = np.arange(-design.positions, min(design.step, len(seen)))
    if design.index:
        first = first[(first + phase) % design.positions == 0]
    fits = [
        agreement(seen, design, phase, True, s + every * design.step, every) for s in first.tolist()
    ]
    best = int(np.argmax(fits))
    return Alignment(first[best] + every * design.step, every, phase, fits[best])


def align(seen: Reals, design: Design, phase: int, passed: Reals) -> Alignment:
    """When each row was read, by the rows alone; a log may start many rows late."""
    n = design.positions

    def found(lost: int) -> Alignment:
        if design.index:
            return align_rows(seen, design, phase, turning=True, lost=lost)
        return align_reading_on(seen, design, phase, passed, lost)

    alignment = found(LOST_ROWS)
    sure = alignment.agreement >= SURE
    if sure and alignment.start[0] > -LATE_ROWS * design.step:
        return alignment
    late = found(design.rows - 1)
    # if nothing fits, rows outside the log would fit best
    slot = late.start[:, None] + np.arange(n)
    held = np.count_nonzero(seen[slot[(slot >= 0) & (slot < len(seen))]])
    enough = held >= LEAST_ROWS * n
    better = not sure or late.rows_off < alignment.rows_off
    return late if enough and late.agreement >= SURE and better else alignment
