"""Materials of a disc, as fields of light: grain made by a seeded generator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import F32, LUMINANCE, linear

__all__ = ["MATERIALS", "DiscMaterial"]


@dataclass(frozen=True)
class DiscMaterial:
    """What a disc is made of.

    Attributes
    ----------
    light, dark : str
        The colours between which its grain varies.
    grain : str
        "mottled", "long" or "round".
    contrast : float
        How far the grain goes towards them, from 0 to 1.
    """

    light: str
    dark: str
    grain: str
    contrast: float

    @property
    def mean(self) -> NDArray[np.float64]:
        """Its mean colour in linear light."""
        return (linear(self.light) + linear(self.dark)) / 2

    @property
    def luminance(self) -> float:
        """Its mean relative luminance."""
        return float(self.mean @ LUMINANCE)

    def field(self, side: int, seed: int = 7) -> F32:
        """A square piece in linear light, shape (side, side, 3)."""
        rng = np.random.default_rng(seed)
        if self.grain == "round":
            grain = _rings(side, rng)
        elif self.grain == "long":
            grain = 0.65 * _noise(side, rng, 3, 40) + 0.35 * _noise(side, rng, 12, 160)
        else:
            grain = (
                0.5 * _noise(side, rng, 9, 9)
                + 0.3 * _noise(side, rng, 40, 40)
                + 0.2 * _noise(side, rng, 160, 160)
            )
        share = (0.5 + grain * self.contrast / 2)[..., None]
        a, b = (linear(c).astype(np.float32) for c in (self.light, self.dark))
        return (b + (a - b) * np.clip(share, 0, 1)).astype(np.float32)


def _noise(side: int, rng: np.random.Generator, across: int, down: int) -> F32:
    """Smooth noise of about -1 to 1 with that many knots across and down."""
    import cv2

    small = rng.standard_normal((min(down, side), min(across, side))).astype(np.float32) * 0.5
    out: F32 = cv2.resize(small, (side, side), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    return out


def _rings(side: int, rng: np.random.Generator) -> F32:
    """Fine rings, like those that a lathe leaves."""
    at = (np.arange(side, dtype=np.float32) - (side - 1) / 2) / (side / 2)
    radius = np.hypot(at[None], at[:, None])
    knots = rng.standard_normal(240) * 0.5
    out: F32 = np.interp(radius, np.linspace(0, 1.5, 240), knots).astype(np.float32)
    return out


MATERIALS = {
    "slate": DiscMaterial("#53595f", "#41464c", "mottled", 0.9),
    "walnut": DiscMaterial("#7a573f", "#54392a", "long", 0.9),
    "birch": DiscMaterial("#dcc096", "#c4a272", "long", 0.8),
    "card": DiscMaterial("#efeae0", "#e2dccf", "mottled", 0.6),
    "steel": DiscMaterial("#878c93", "#6d7279", "round", 0.8),
}
