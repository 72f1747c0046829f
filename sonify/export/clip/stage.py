"""The stage over the disc: its rails, the carriage, and the two spots of the detectors."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sonify.export.clip.disc_art import DiscArt
from sonify.export.clip.views import RGB, Surroundings, mixed
from sonify.light.lamp_grid import Box
from sonify.light.look import F32
from sonify.light.planes import Format, halved

__all__ = ["Stage"]

_METAL = (150, 156, 164)
_SPOT = (255, 128, 96)
_AFTER_S = 0.22  # how long the diffuser's flare at the spot takes to fade by a factor e
_SHADES = 32  # steps in which it fades: at most 7 of 255 each (0.85 * 255 / 32)

# For each plane, the share to keep of what lies below and what to add (with 0.5 to round).
Parts = list[tuple[F32, F32]]


class Stage:
    """What stands still over the turning disc, and the carriage that moves from row to row.

    Parameters
    ----------
    art : DiscArt
    around : Surroundings
    box : tuple of int
        The view's rectangle.
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
        # the same while the carriage stands
        self._carriage = lru_cache(maxsize=1)(self._make_carriage)
        self._spot = lru_cache(maxsize=_SHADES + 4)(self._make_spot)
        self._flare = 0.0
        self._time = -1.0
        n = art.disc.positions
        self._share = min(0.5, art.hole / float(art.radii.max()) * n / (2 * np.pi))

    def _grid(self, box: Box) -> tuple[F32, F32]:
        x, y, w, h = box
        gx = (np.arange(w, dtype=np.float32) + np.float32(x + 0.5 - self.cx))[None]
        gy = (np.arange(h, dtype=np.float32) + np.float32(y + 0.5))[:, None]
        return gx, gy

    def _draw_rails(self) -> Parts:
        """The rails and the clock's head, in their place."""
        gx, gy = self._grid(self.place)
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
        return _parts(self.picture.format, np.clip(colours, 0, 1), cover.astype(np.float32))

    def paint(self, position: float, row: float, time_s: float) -> None:
        """Paint the stage over the disc as the picture shows it now.

        Parameters
        ----------
        position : float
            The position at the detectors.
        row : float
            The row over which the carriage stands.
        time_s : float
        """
        art = self.art
        low = int(min(max(row, 0), art.disc.rows - 1))
        high = min(low + 1, art.disc.rows - 1)
        radius = float(art.radii[low] + (art.radii[high] - art.radii[low]) * (row - low))
        data = self.cy - radius
        clock = self.cy - art.geometry.clock_radius * art.scale
        near = round(position)
        over = abs(position - near) < self._share
        passing = over and row == low and bool(art.holes[low, near % art.disc.positions])
        elapsed = max(0.0, time_s - self._time) if self._time >= 0 else 0.0
        self._time = time_s
        self._flare *= float(np.exp(-elapsed / _AFTER_S))
        if passing:
            self._flare = 1.0
        self._lay(self.place, self._rails)
        self._lay(*self._carriage(data))
        if self._flare > 0.02:
            shade = round(self._flare * _SHADES) / _SHADES
            self._lay(*self._spot(data, art.hole * 1.15, self.lamp, shade * 0.85 * self.dim))
        for y, hollow in ((clock, over), (data, passing)):
            self._lay(*self._spot(y, max(1.2, art.hole * 0.38), _SPOT, 0.35 if hollow else 0.95))

    def _lay(self, box: Box, parts: Parts) -> None:
        for plane, (kept, added) in zip(
            self.picture.cut(self.picture.planes, *box), parts, strict=True
        ):
            plane[:] = plane * kept + added

    def _make_carriage(self, data: float) -> tuple[Box, Parts]:
        """The carriage with the head over the row that is read."""
        u, hole = self.unit, self.art.hole
        x, y, w, h = self.place
        reach = hole * 1.9 + 4 * u
        top, below = max(y, int(data - reach) & ~1), min(y + h, int(data + reach) + 2 & ~1)
        box = (x, top, w, below - top)
        gx, gy = self._grid(box)
        head = _ring(gx, gy, data, hole * 1.9 + 1.2 * u, 0.8 * u)
        yoke = _bar(gx, gy, 0.0, data - hole * 1.9 - 2.2 * u, max(hole * 1.9, 4 * u) + u, u)
        bright = np.array(mixed(_METAL, (255, 255, 255), 0.35), np.float32) / np.float32(255)
        cover = np.maximum(head, yoke)
        return box, _parts(self.picture.format, np.broadcast_to(bright, (*cover.shape, 3)), cover)

    def _make_spot(self, y: float, size: float, rgb: RGB, strength: float) -> tuple[Box, Parts]:
        """A round soft spot of light in the middle column."""
        reach = int(size * 3.2) + 2
        x0, y0 = int(self.cx - reach) & ~1, int(y - reach) & ~1
        x1, y1 = (int(self.cx + reach) + 2) & ~1, (int(y + reach) + 2) & ~1
        x0, y0 = max(x0, 0), max(y0, 0)
        x1, y1 = min(x1, self.picture.width), min(y1, self.picture.height)
        gx = np.arange(x0, x1, dtype=np.float32) + np.float32(0.5 - self.cx)
        gy = np.arange(y0, y1, dtype=np.float32) + np.float32(0.5 - y)
        w = np.float32(1 / (2 * size**2))
        shape: F32 = np.exp(-(gy**2) * w)[:, None] * np.exp(-(gx**2) * w)[None]
        cover = shape * np.float32(strength)
        straight = np.broadcast_to(np.array(rgb, np.float32) / np.float32(255), (*cover.shape, 3))
        return (x0, y0, x1 - x0, y1 - y0), _parts(self.picture.format, straight, cover)


def _parts(fmt: Format, rgb: F32, cover: F32) -> Parts:
    """Colours, shape (h, w, 3), that cover a disc by some share."""
    values = fmt.values(rgb)
    out: Parts = []
    for k in range(3):
        added, share = values[..., k] * cover, cover
        if fmt.half and k > 0:
            added, share = halved(added), halved(share)
        out.append(((1 - share).astype(np.float32), (added + 0.5).astype(np.float32)))
    if fmt.alpha:
        out.append((1 - cover, cover * np.float32(fmt.top) + np.float32(0.5)))
    return out


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
