"""The stage over the disc: its rails, the carriage, and the two spots of the detectors."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.light.panel import Box
from sonify.light.planes import F32, halved
from sonify.write.clip.disc_art import DiscArt
from sonify.write.clip.scenes import RGB, Surroundings, mixed

__all__ = ["Stage"]

_METAL = (150, 156, 164)
_SPOT = (255, 128, 96)
_AFTER_S = 0.22  # how long the diffuser's flare at the spot takes to die away


class Stage:
    """What stands still over the turning disc, and the carriage that moves from row to row.

    Parameters
    ----------
    art : DiscArt
    around : Surroundings
    box : tuple of int
        The scene's rectangle.
    """

    def __init__(self, art: DiscArt, around: Surroundings, box: Box) -> None:
        self.art, self.picture, self.box = art, around.picture, box
        x, y, w, h = box
        self.lamp: RGB = around.lamp
        self.dim = around.dim
        self.unit = max(2.0, art.side / 260)
        self.cx = x + w / 2
        self.cy = y + h - art.side / 2
        half = int(max(self.unit * 9, art.hole * 3.2)) // 2 * 2 + 2
        left = int(self.cx - half) & ~1
        inner = float(art.radii.min()) - art.hole * 2.5
        bottom = (int(self.cy - max(inner, 0)) + 3) & ~1
        self.place: Box = (left, y, 2 * half, bottom - y)
        self._rails = self._draw_rails()
        self._last: dict[str, float] = {}
        self._flare = 0.0
        self._time = -1.0
        n = art.disc.positions
        self._share = min(0.5, art.hole / float(art.radii.max()) * n / (2 * np.pi))

    def _grid(self) -> tuple[F32, F32]:
        x, y, w, h = self.place
        gx = (np.arange(w, dtype=np.float32) + np.float32(x + 0.5 - self.cx))[None]
        gy = (np.arange(h, dtype=np.float32) + np.float32(y + 0.5))[:, None]
        return gx, gy

    def _draw_rails(self) -> tuple[F32, F32]:
        """Colours and coverage of the rails and of the clock's head, shapes (h, w, 3), (h, w)."""
        gx, gy = self._grid()
        u = self.unit
        off = max(self.art.hole * 1.9, 4 * u)
        rail = np.clip(u * 0.55 - np.abs(np.abs(gx) - off) + 0.5, 0, 1)
        rail = np.broadcast_to(rail, (self.place[3], self.place[2])).copy()
        foot = self.place[1] + self.place[3]
        rail *= np.clip((foot - gy) / (6 * u), 0, 1)
        bridge = _bar(gx, gy, 0.0, self.place[1] + 2.2 * u, off + 1.5 * u, 1.3 * u)
        clock = self.cy - self.art.geometry.clock_radius * self.art.scale
        head = _ring(gx, gy, clock, self.art.hole * 1.5 + u, 0.55 * u)
        cover = np.maximum(np.maximum(rail * np.float32(0.85), bridge), head)
        colours = np.empty((*cover.shape, 3), np.float32)
        colours[:] = np.array(_METAL, np.float32) / 255
        # the metal is a little lighter on its left
        colours *= (1 - 0.18 * np.clip(gx / max(off, 1), -1, 1))[..., None]
        return np.clip(colours, 0, 1), cover.astype(np.float32)

    def paint(self, position: float, row: float, time_s: float) -> None:
        """Paint all of it over the disc as it stands on the picture now.

        Parameters
        ----------
        position : float
            That is at the detectors.
        row : float
            Over which the carriage stands.
        time_s : float
        """
        art, u = self.art, self.unit
        gx, gy = self._grid()
        low = int(min(max(row, 0), art.disc.rows - 1))
        high = min(low + 1, art.disc.rows - 1)
        radius = float(art.radii[low] + (art.radii[high] - art.radii[low]) * (row - low))
        data = self.cy - radius
        clock = self.cy - art.geometry.clock_radius * art.scale
        near = round(position)
        over = abs(position - near) < self._share
        passing = over and row == low and self._reading(low, near, time_s)
        elapsed = max(0.0, time_s - self._time) if self._time >= 0 else 0.0
        self._time = time_s
        self._flare *= float(np.exp(-elapsed / _AFTER_S))
        if passing:
            self._flare = 1.0
        colours, cover = self._rails
        layers: list[tuple[Any, F32]] = [(colours, cover)]
        carriage = _ring(gx, gy, data, art.hole * 1.9 + 1.2 * u, 0.8 * u)
        yoke = _bar(gx, gy, 0.0, data - art.hole * 1.9 - 2.2 * u, max(art.hole * 1.9, 4 * u) + u, u)
        layers.append((mixed(_METAL, (255, 255, 255), 0.35), np.maximum(carriage, yoke)))
        if self._flare > 0.02:
            flare = np.exp(-(((gx**2) + (gy - data) ** 2) / (2 * (art.hole * 1.15) ** 2)))
            layers.append((self.lamp, (flare * self._flare * 0.85 * self.dim).astype(np.float32)))
        for y, hollow in ((clock, over), (data, passing)):
            d2 = gx**2 + (gy - y) ** 2
            size = max(1.2, art.hole * 0.38)
            dot = np.exp(-d2 / (2 * size**2)) * (0.35 if hollow else 0.95)
            layers.append((_SPOT, dot.astype(np.float32)))
        self._lay(layers)

    def _reading(self, row: int, near: int, time_s: float) -> bool:
        """Whether the position near the detector is a hole of the row that is being read."""
        art = self.art
        return bool(art.holes[row, near % art.disc.positions])

    def _lay(self, layers: list[tuple[Any, F32]]) -> None:
        picture, fmt = self.picture, self.picture.format
        out = picture.cut(picture.planes, *self.place)
        parts: list[NDArray[np.float32]] = [p.astype(np.float32) for p in out]
        for colours, cover in layers:
            cover = np.ascontiguousarray(np.broadcast_to(cover, parts[0].shape), np.float32)
            half = halved(cover) if fmt.half else cover
            if isinstance(colours, tuple):
                flat = fmt.values(np.array([colours], np.float32) / 255)[0]
                values: list[Any] = list(flat)
            else:
                full = self._metal(colours)
                values = full
            for k in range(3):
                share = half if fmt.half and k > 0 else cover
                parts[k] += (values[k] - parts[k]) * share
            if fmt.alpha:
                parts[3] += (fmt.top - parts[3]) * cover
        for plane, part in zip(out, parts, strict=True):
            plane[:] = np.rint(part)

    def _metal(self, colours: F32) -> list[F32]:
        known: list[F32] | None = self.__dict__.get("_metal_values")
        if known is None:
            fmt = self.picture.format
            full = fmt.values(colours)
            known = [
                halved(full[..., k]) if fmt.half and k else full[..., k].copy() for k in range(3)
            ]
            self.__dict__["_metal_values"] = known
        return known


def _ring(gx: F32, gy: F32, y: float, radius: float, width: float) -> F32:
    """The coverage of a ring around the middle column."""
    d = np.abs(np.hypot(gx, gy - np.float32(y)) - radius)
    out: F32 = np.clip(width - d + 0.5, 0, 1).astype(np.float32)
    return out


def _bar(gx: F32, gy: F32, x: float, y: float, half_width: float, half_height: float) -> F32:
    """The coverage of an upright rectangle around a point."""
    a = np.clip(half_width - np.abs(gx - np.float32(x)) + 0.5, 0, 1)
    b = np.clip(half_height - np.abs(gy - np.float32(y)) + 0.5, 0, 1)
    out: F32 = (a * b).astype(np.float32)
    return out
