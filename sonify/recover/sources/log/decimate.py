"""How fast the clock row passes, and means over short blocks that suit that speed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.recover.sources.log.samples import BLOCK, Floats, Samples

__all__ = ["PER_PERIOD", "coarse", "probe"]

PER_PERIOD = 32
"""Coarse samples per position, about: as many as the bins that holes are measured with."""

FEWEST = 5.0
"""Samples per position below which holes and webs can't be told apart."""

WINDOW = 1 << 17
"""Samples looked at in one place."""

PLACES = 9
"""Places of a log looked at: the speed drifts slowly."""

CLEAR = 12.0
"""Standard deviations by which the clock's tone stands out, at least."""


def _strongest(x: NDArray[np.float64]) -> tuple[float, float]:
    """The frequency (cycles per sample) that stands out most, and by how much (its z-score)."""
    n = len(x)
    ramp = np.linspace(-1, 1, n)
    x = x - x.mean()
    x = x - ramp * (x @ ramp) / (ramp @ ramp)
    bins = np.arange(6, int(n / FEWEST))
    if not x.any() or len(bins) < 8:
        return 0.0, 0.0
    power = np.abs(np.fft.rfft(x * np.hanning(n))) ** 2
    total = np.concatenate([[0.0], np.cumsum(power)])
    low = np.floor(bins * 0.94).astype(int)
    high = np.minimum(np.ceil(bins * 1.06).astype(int) + 1, len(power))
    width = high - low
    floor = max(float(np.median(power[6:])), float(power[6:].mean()) * 1e-3)
    z = ((total[high] - total[low]) / floor - width) / np.sqrt(width)
    at = int(np.argmax(z))
    part = power[low[at] : high[at]]
    centre = float((part * np.arange(low[at], high[at])).sum() / part.sum())
    return centre / n, float(z[at])


def probe(samples: Samples, path: object) -> tuple[float, float]:
    """The middle and highest frequency of the clock row, in positions per sample.

    Raises
    ------
    InputError
        No pulses, or too few samples per position.
    """
    n = samples.frames
    if n < 64:
        raise InputError(
            f"{n} samples are too few; a log should hold at least one turn of the disc", file=path
        )
    span, found, flat = min(n, WINDOW), list[float](), True
    while True:
        count = min(PLACES, max(1, n // span))
        found = []
        for start in np.linspace(0, n - span, count).astype(int).tolist():
            x = samples.part(start, span)[:, 0].astype(np.float64)
            if len(x) < 64:
                continue
            flat = flat and not np.ptp(x) > 0
            # what is slow against the window needs no fine samples
            fine = max(1, len(x) // WINDOW)
            x = x[: len(x) // fine * fine].reshape(-1, fine).mean(axis=1)
            rate, z = _strongest(x)
            if z > CLEAR and rate * len(x) >= 8:
                found.append(rate / fine)
        if len(found) >= max(1, count // 3) or span >= n:
            break
        span = min(n, span * 8)
    if not found:
        why = "it never changes" if flat else "nothing in it repeats evenly"
        raise InputError(
            f"the clock channel has no pulses ({why}); was the detector over the clock row, and "
            "are clock and data in their columns?",
            file=path,
        )
    middle = float(np.median(found))
    near = [r for r in found if 0.6 < r / middle < 1.6]
    if 1 / max(near) < FEWEST:
        raise InputError(
            f"there are {1 / max(near):.1f} samples per position and at least {FEWEST:.0f} are "
            "needed; sample faster or turn slower",
            file=path,
        )
    return middle, max(near)


def coarse(samples: Samples, step: int) -> Floats:
    """The means of every `step` samples, shape (means, 2)."""
    # one matrix product for both channels is the fastest mean
    weights = np.tile(np.eye(2, dtype=np.float32) / step, (step, 1))
    blocks = samples.blocks(max(1, BLOCK // step) * step)
    whole = (block[: len(block) // step * step].reshape(-1, 2 * step) for block in blocks)
    return np.concatenate([block @ weights for block in whole])
