"""What an alignment of a recording with a disc is, and how well it agrees.

A *slot* is one position passing, counted from the start of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Alignment", "Design", "agreement", "agreement_of", "signs_of", "turn_phase"]

Index = NDArray[np.int64]
Reals = NDArray[np.float64]
Signs = NDArray[np.int8]

MOST_BLOCKS = 160
"""Turns compared to find the phase: enough for any disc."""


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
    stage_s : float
        The time of the stage's move alone, in s.
    hole : float
        The holes' diameter, as a share of the rows' distance.
    pitch_mm : float or None
        The rows' distance in mm; None if the disc has no geometry.
    widths : ndarray, shape (rows,), or None
        How long the holes of each row pass, as a share of a position; None likewise.
    """

    grid: Signs
    step: int
    index: bool
    move_s: float = 1.0
    least: int = 0
    stage_s: float = 1.0
    hole: float = 0.5
    pitch_mm: float | None = None
    widths: Reals | None = None

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.grid.shape[0])

    @property
    def positions(self) -> int:
        """Positions in a row."""
        return int(self.grid.shape[1])

    def errors(self, bits: Signs) -> int:
        """How many bits differ from the disc's, of those that are known of both."""
        return int(((bits >= 0) & (self.grid >= 0) & (bits != self.grid)).sum())


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
    turning : bool
        Whether the phase can be trusted through the whole recording.
    """

    start: Index
    seen_row: Index
    phase: int
    agreement: float
    turning: bool = False

    @property
    def rows_off(self) -> int:
        """How many readings saw another row than the one that was due."""
        return int((self.seen_row != np.arange(len(self.seen_row))).sum())

    def cut(self, slots: int) -> bool:
        """Whether a recording of so many slots begins or ends within a reading."""
        return bool(self.start[0] < 0 or self.start[-1] >= slots)

    def places(self, design: Design) -> Index:
        """The position at which each reading counts its slots, shape (rows, positions)."""
        fixed = design.index and not self.turning
        first = np.zeros_like(self.start) if fixed else self.start + self.phase
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


def agreement(
    seen: Signs | Reals, design: Design, phase: int, turning: bool, start: Index, seen_row: Index
) -> float:
    """The share of the observed bits that are correct, averaged over the rows."""
    n = design.positions
    slot = start[:, None] + np.arange(n)
    inside = (slot >= 0) & (slot < len(seen))
    bits = np.where(inside, np.sign(seen[np.clip(slot, 0, len(seen) - 1)]), 0)
    place = (slot + phase) % n if turning else np.broadcast_to(np.arange(n), slot.shape)
    signs = signs_of(design.grid)[seen_row[:, None], place]
    known = (inside & (signs != 0)).sum(axis=1)
    there = known > 0
    share = (bits * signs).sum(axis=1)[there] / known[there] if there.any() else np.zeros(1)
    return float(0.5 + share.mean() / 2)


def agreement_of(seen: Signs | Reals, design: Design, alignment: Alignment) -> float:
    """The same for an alignment whose rows keep turning."""
    return agreement(seen, design, alignment.phase, True, alignment.start, alignment.seen_row)
