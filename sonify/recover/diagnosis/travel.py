"""What the data channel shows between the rows, while the stage moves from one to the next."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Travel"]

Reals = NDArray[np.float64]
Index = NDArray[np.int64]
Bits = NDArray[np.int8]

# Chosen on the simulated player in tests/recover/diagnosis/machine.py, as in `alignment`.

KNOTS = 12  # moments after a row's end at which the rows' visibility is estimated, at most
ROUGH = 0.15  # the least deviation of levels from what is expected, of the swing
HALF = 0.5  # prior mean and spread of a row's visibility
SHAKY = 0.24  # of the swing: if rows deviate by more while they are read, travel shows nothing
SETTLED = 3  # rounds of reweighting, in which outliers lose their weight
CAP = 4.0  # the least likely that one level is, as a negative logarithm


class Travel:
    """How much of the row that the stage leaves, and of the next one, is visible when.

    The visibility over time is the same after each row. It is estimated from all rows together, at
    some moments with straight lines between them.

    Parameters
    ----------
    seen : ndarray, shape (slots,)
        From -1 for a zero to 1 for a one; 0 where nothing is known.
    material : float
        How the solid material between the rows reads, on the same scale.
    read : ndarray of int8, shape (rows, positions)
        The bits of the row that was under the detector in each reading.
    goes_on : ndarray of bool, shape (rows,)
        Whether the next row on the disc follows; else the stage passes others.
    phase : int
        Of slot 0.
    slot_s : ndarray, shape (slots,)
        When each slot passed.
    last, last_s : ndarray, shape (rows, choices)
        Slots and times of the pulses that may be the last of each row.
    move_s : float
        How long the stage's move takes, about.
    rough : float
        Deviation of levels while rows are read.
    """

    def __init__(
        self,
        seen: Reals,
        material: float,
        read: Bits,
        goes_on: NDArray[np.bool_],
        phase: int,
        slot_s: Reals,
        last: Index,
        last_s: Reals,
        move_s: float,
        rough: float,
    ) -> None:
        # how far each place stands out from the material, and how far a fully visible bit does
        stands = (seen - material) / 2
        bit = (np.array([np.nan, -1.0, 1.0]) - material) / 2
        left = bit[read + 1]
        coming = np.where(goes_on[:, None], np.roll(left, -1, axis=0), np.nan)
        self.steady = rough < SHAKY
        self.rough = float(np.hypot(ROUGH, rough))
        period_s = float(np.median(np.diff(slot_s)))
        slots = max(2, int(np.ceil(move_s / period_s)) + 1)
        apart = max(1.0, slots / KNOTS)
        self.knots = int(np.ceil(slots / apart)) + 2
        slot = last[..., None] + np.arange(1, slots + 1)
        inside = (slot >= 0) & (slot < len(stands))
        slot = np.clip(slot, 0, len(stands) - 1)
        when = (slot_s[slot] - last_s[..., None]) / (period_s * apart)
        self.when = np.clip(when, 0, self.knots - 1.001)
        position, row = (slot + phase) % read.shape[1], np.arange(len(last))[:, None, None]
        both = np.stack([left[row, position], coming[row, position]])
        self.known = inside & (seen[slot] != 0) & np.isfinite(both).all(axis=0)
        self.seen = np.where(self.known, stands[slot], 0.0)
        self.both = np.where(self.known, both, 0.0)

    def picture(self, order: Index) -> tuple[Reals, float]:
        """The log likelihood of each choice, shape (rows, choices), by the visibility that an order
        of rows gives; and the log likelihood of what is seen in that order.

        Bayesian linear regression with known noise and prior (C. M. Bishop, Pattern Recognition
        and Machine Learning, sections 3.3 and 3.5).
        """
        r = np.arange(len(order))
        known = self.known[r, order]
        seen = self.seen[r, order][known]
        parts = self._parts(r, order)[known]
        weight = np.ones(len(seen))
        for _ in range(SETTLED):
            heavy = parts.T * weight / self.rough**2
            inverse = heavy @ parts + np.eye(2 * self.knots) / HALF**2
            mean = np.linalg.solve(inverse, heavy @ (seen - HALF * parts.sum(axis=-1)))
            off = (seen - parts @ (HALF + mean)) / self.rough
            weight = np.minimum(1.0, 2 * CAP / np.maximum(off**2, 1e-9))
        likely = -np.minimum(0.5 * off**2, CAP).sum() - 0.5 * mean @ mean / HALF**2
        likely -= 0.5 * np.linalg.slogdet(inverse * HALF**2)[1]
        shows = HALF + mean
        left = np.interp(self.when, np.arange(self.knots), shows[: self.knots])
        coming = np.interp(self.when, np.arange(self.knots), shows[self.knots :])
        off = (self.seen - left * self.both[0] - coming * self.both[1]) / self.rough
        price = np.where(self.known, 0.5 - np.minimum(0.5 * off**2, CAP), 0.0)
        return price.sum(axis=-1), float(likely)

    def _parts(self, r: Index, order: Index) -> Reals:
        """The weight of each knot at each place, shape (rows, places, 2 knots)."""
        when = self.when[r, order]
        low = when.astype(np.int64)
        share = when - low
        hat = np.zeros((*when.shape, self.knots))
        np.put_along_axis(hat, low[..., None], (1 - share)[..., None], axis=-1)
        np.put_along_axis(hat, low[..., None] + 1, share[..., None], axis=-1)
        a, b = self.both[0][r, order], self.both[1][r, order]
        out: Reals = np.concatenate([hat * a[..., None], hat * b[..., None]], axis=-1)
        return out
