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
    grid : ndarray of int8, shape (rows, positions)
        What a correct reading sees.
    seen_row : ndarray of int64, shape (rows,)
        The row that was under the detector in each reading.
    phase : int
        Of slot 0.
    slot_s : ndarray, shape (slots,)
        When each slot passed.
    """

    def __init__(
        self,
        seen: Reals,
        material: float,
        grid: Bits,
        seen_row: Index,
        phase: int,
        slot_s: Reals,
    ) -> None:
        # how far each place stands out from the material, and how far a fully visible bit does
        self.stands = (seen - material) / 2
        self.unknown = seen == 0
        bit = (np.array([0.0, -1.0, 1.0]) - material) / 2
        read = grid[seen_row]
        self.left = np.where(read < 0, np.nan, bit[read + 1])
        # between rows that do not follow each other, the stage passes others
        goes_on = np.append(np.diff(seen_row) == 1, False)
        self.coming = np.where(goes_on[:, None], np.roll(self.left, -1, axis=0), np.nan)
        self.phase, self.slot_s = phase, slot_s

    def look_after(
        self, last: Index, last_s: Reals, period_s: float, move_s: float, rough: float
    ) -> None:
        """Look at what follows each of the pulses that may be the last of a row, shape (rows,
        choices), from their slots and times; `rough` is the deviation of levels while rows are
        read."""
        self.steady = rough < SHAKY
        self.rough = float(np.hypot(ROUGH, rough))
        slots = max(2, int(np.ceil(move_s / period_s)) + 1)
        apart = max(1.0, slots / KNOTS)
        self.knots = int(np.ceil(slots / apart)) + 2
        slot = last[..., None] + np.arange(1, slots + 1)
        inside = (slot >= 0) & (slot < len(self.stands))
        slot = np.clip(slot, 0, len(self.stands) - 1)
        when = (self.slot_s[slot] - last_s[..., None]) / (period_s * apart)
        self.when = np.clip(when, 0, self.knots - 1.001)
        position = (slot + self.phase) % self.left.shape[1]
        row = np.arange(len(last))[:, None, None]
        left, coming = self.left[row, position], self.coming[row, position]
        known = inside & ~self.unknown[slot] & np.isfinite(left) & np.isfinite(coming)
        self.known = known
        self.seen = np.where(known, self.stands[slot], 0.0)
        self.both = np.where(known, np.stack([left, coming]), 0.0)

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
