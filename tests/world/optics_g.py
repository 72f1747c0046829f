"""Light through holes, by geometry: how much of what an eye sees of the disc is hole.

An eye sees a round spot (two circles overlap in a lens), a slit, or the blur of a cheap lens. Slit
and blur are cut into a few strips along the track; in each the hole is a chord, so that only the
way along the track is summed by a rule of Gauss.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

FULL_TURN = 2 * np.pi


@dataclass(frozen=True)
class Eye:
    """What a detector looks at: its kind, and its size along and across the track in mm (round: the
    diameter, twice)."""

    kind: str
    along: float
    across: float

    @property
    def reach(self) -> float:
        """How far from its middle it sees, in mm."""
        return self.along * (0.5 if self.kind == "round" else 1.5) + self.across / 2


@dataclass(frozen=True)
class Rings:
    """Holes in rings: the radius of each ring in mm, and for each place whether there is a hole,
    how far off it is along the track (in positions) and across it (in mm), and its radius."""

    radius: Reals
    present: NDArray[np.bool_]
    along: Reals
    across: Reals
    size: Reals


def share(x: Reals, y: Reals, hole: Reals, eye: Eye) -> Reals:
    """The share of an eye's light that falls into a hole whose middle is x along and y across."""
    if eye.kind == "round":
        return _lens(np.hypot(x, y), hole, eye.along / 2)
    if eye.kind == "slit":
        node, weight = np.polynomial.legendre.leggauss(5)
        node, weight = node * eye.along / 2, weight / 2
    else:
        node, weight = np.polynomial.hermite_e.hermegauss(7)
        node, weight = node * eye.along / 3, weight / weight.sum()
    half = eye.across / 2
    out = np.zeros_like(x)
    for u, w in zip(node.tolist(), weight.tolist(), strict=True):
        chord = np.sqrt(np.maximum(hole**2 - (x - u) ** 2, 0.0))
        out += w * np.maximum(np.minimum(half, y + chord) - np.maximum(-half, y - chord), 0.0)
    return out / eye.across


def _lens(apart: Reals, hole: Reals, spot: float) -> Reals:
    """The share of a round spot that lies in a round hole."""
    out = np.where(apart + spot <= hole, 1.0, np.minimum(1.0, (hole / spot) ** 2))
    out[apart >= hole + spot] = 0.0
    cut = (apart < hole + spot) & (apart > np.abs(hole - spot))
    d, r = apart[cut], hole[cut]
    to_hole = (d * d + r * r - spot * spot) / (2 * d)
    to_spot = d - to_hole
    lens = r * r * np.arccos(np.clip(to_hole / r, -1, 1)) - to_hole * np.sqrt(
        np.maximum(r * r - to_hole**2, 0)
    )
    lens += spot**2 * np.arccos(np.clip(to_spot / spot, -1, 1)) - to_spot * np.sqrt(
        np.maximum(spot**2 - to_spot**2, 0)
    )
    out[cut] = lens / (np.pi * spot**2)
    return out


def seen(phase: Reals, radius: Reals, rings: Rings, eye: Eye) -> Reals:
    """The share of hole in an eye's sight, by the disc's phase in positions and the eye's radius in
    mm."""
    count, positions = rings.present.shape
    out = np.zeros(len(phase))
    near = np.floor(phase).astype(np.int64)
    pitch = FULL_TURN * radius / positions
    largest = float(rings.size.max())
    step = rings.radius[1] - rings.radius[0] if count > 1 else 1.0
    ring = np.floor((radius - rings.radius[0]) / step).astype(np.int64)
    for side in (0, 1):
        row = ring + side
        inside = (row >= 0) & (row < count)
        off = radius - rings.radius[np.clip(row, 0, count - 1)]
        rows = np.flatnonzero(inside & (np.abs(off) < largest + eye.reach))
        for k in (0, 1):
            slot = near[rows] + k
            place = slot % positions
            have = rings.present[row[rows], place]
            x = (phase[rows] - slot - rings.along[row[rows], place]) * pitch[rows]
            use = have & (np.abs(x) < largest + eye.reach)
            at = rows[use]
            where = row[at], place[use]
            out[at] += share(-x[use], rings.across[where] - off[at], rings.size[where], eye)
    return np.minimum(out, 1.0)


def single(
    phase: Reals, place: float, pitch: float, positions: int, hole: float, eye: Eye
) -> Reals:
    """The share of one more hole on the eye's track, at a place between positions."""
    x = ((phase - place + positions / 2) % positions - positions / 2) * pitch
    out = np.zeros_like(phase)
    use = np.flatnonzero(np.abs(x) < hole + eye.reach)
    out[use] = share(x[use], np.zeros(len(use)), np.full(len(use), hole), eye)
    return out


def thrown_back(gap: Reals, best: float) -> Reals:
    """What a reflective detector gets back over its distance to the disc, 1 at the best one: light
    spreads by the square of the distance, and near by, lamp and eye look past each other (common
    practice, no source)."""
    z = np.maximum(gap, 0.05 * best) / best
    return z**2 * np.exp(2 * (1 - z))


def low_pass(x: Reals, tau: float, dt: float) -> Reals:
    """One pole, by its transfer function; what came before the start was as the start is."""
    if tau <= 0.05 * dt:
        return x
    n = len(x)
    size = 1 << (n + min(n, int(8 * tau / dt)) + 1).bit_length()
    pole = np.exp(-dt / tau)
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)
    spectrum = np.fft.rfft(x - x[0], size) * (1 - pole) / (1 - pole * turn)
    return np.asarray(np.fft.irfft(spectrum, size)[:n] + x[0])


def ground(rng: np.random.Generator, phase: Reals, positions: int, depth: float) -> Reals:
    """How much light bare material gives, around 1: its grain, the same in every turn."""
    out = np.ones_like(phase)
    if depth:
        turn = FULL_TURN * np.arange(1024) / 1024
        grain = sum(np.cos(k * turn + rng.uniform(0, FULL_TURN)) / np.sqrt(k) for k in range(1, 9))
        out += depth * np.interp(phase / positions * 1024 % 1024, np.arange(1024), grain)
    return out
