"""How the machine samples its data detector: when, and over which part of a position."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Design
from sonify.recover.signal.averages import Integral
from sonify.recover.signal.clock import PulseClock

__all__ = ["Sampling", "passing"]

Reals = NDArray[np.float64]

WINDOW = 0.22
"""Share of a position averaged for its level, if the player's profile does not say it; less for
holes that are shorter in a comparator's log, which shows no noise."""


@dataclass(frozen=True)
class Sampling:
    """How the machine samples its data detector, as far as that is known.

    Attributes
    ----------
    at_s : float or None
        The middle of the averaging window, in s after the middle of the clock pulse; where holes
        pass if None.
    width : float or None
        The length of that window, as a share of a position; None if not known.
    """

    at_s: float | None = None
    width: float | None = None

    def window(self, design: Design, noise: float) -> float:
        """What is averaged, as a share of a position."""
        short = WINDOW if noise or design.widths is None else float(design.widths.min())
        return self.width or min(WINDOW, short)

    def levels(
        self, sums: Integral, clock: PulseClock, pulse_s: Reals, delay_s: float, window: float
    ) -> Reals:
        """The level that the machine takes for the bit of each pulse.

        Where the sampling is known, the log's samples are taken for the machine's own: it averages
        some of them, and sees an edge of the clock at the first sample past it.
        """
        half = window / 2 * np.interp(pulse_s, clock.slot_s, passing(clock))
        if self.at_s is None and self.width is None:
            return sums.mean(pulse_s + delay_s - half, pulse_s + delay_s + half)
        middle = pulse_s + (delay_s if self.at_s is None else self.at_s + 0.5 / sums.rate)
        return sums.held(middle - half, middle + half)


def passing(clock: PulseClock) -> Reals:
    """How long a position lasts at each slot, in s, whatever the disc waits before it or after."""
    gaps = np.diff(clock.slot_s)
    out: Reals = np.minimum(np.append(gaps[:1], gaps), np.append(gaps, gaps[-1:]))
    return out
