"""Blends one picture into another, for a clip whose end becomes its start."""

from __future__ import annotations

import numpy as np

from sonify.light.planes import Picture, Planes, halved

__all__ = ["blend"]


def blend(out: Picture, old: Planes, new: Planes, share: float) -> None:
    """Paint the mixture of two pictures, with `share` of the new one; colours count by coverage."""
    part = np.float32(share)
    if not out.format.alpha:
        for plane, a, b in zip(out.planes, old, new, strict=True):
            plane[:] = np.rint(a + (b - a.astype(np.float32)) * part)
        return
    before, after = old[3] * (1 - part), new[3] * part
    for k in range(3):
        if out.step(k) == 2:
            a, b = halved(before), halved(after)
        else:
            a, b = before, after
        mixed = (old[k] * a + new[k] * b) / np.maximum(a + b, np.float32(1e-6))
        out.planes[k][:] = np.rint(np.where(a + b > 0, mixed, old[k]))
    out.planes[3][:] = np.rint(before + after)
