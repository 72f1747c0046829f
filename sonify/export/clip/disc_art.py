"""The disc's picture, blurred as by a shutter that is open for a whole frame.

The disc turns evenly, so its blur turns with it: one blurred picture is made and then turned for
each frame. A hole is a circle on a row; the share of the open shutter for which a pixel sees
through it is the length of an arc, and is computed exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sonify.disc.disc import Disc
from sonify.disc.sizes import Geometry, row_radii
from sonify.export.clip.material import DiscMaterial
from sonify.light.look import F32, LUMINANCE

__all__ = ["DiscArt", "Glow"]

_FINE = 3
_BAND = 32
# How much of its light a hole throws on what is around it.
_HALO = 0.30
# How much moving parts may differ in relative luminance: less than a flash (0.1).
_STEP = 0.095
# Materials from this relative luminance on are light.
_LIGHT = 0.2


@dataclass(frozen=True)
class Glow:
    """Colours in linear light: of a hole before it was read, and of the light behind it after."""

    dark: NDArray[np.float64]
    lit: NDArray[np.float64]

    @classmethod
    def of(cls, material: DiscMaterial, lamp: NDArray[np.float64], dim: float) -> Glow:
        """Colours that show what was read.

        On a dark material each differs from it by too little to flash as the disc turns; both pass
        one place only on the row that is read. On a light material that would be hard to see, so
        there it holds only if glows are dimmed.
        """
        own = material.luminance
        if own < _LIGHT:
            dark_at = max(own - _STEP, own * 0.06)
            lit_at = dark_at + (own + _STEP - dark_at) * dim
        elif dim < 1:
            dark_at = own - _STEP * 0.9 * dim
            lit_at = own - _STEP * 0.2
        else:
            dark_at, lit_at = own * 0.3, min(own * 0.8, max(float(lamp @ LUMINANCE), own * 0.5))
        dark = material.mean * (dark_at / own)
        return cls(dark, _at(lamp, lit_at))


def _at(rgb: NDArray[np.float64], luminance: float) -> NDArray[np.float64]:
    """A colour at a luminance, paler if it can't be that bright otherwise."""
    own = float(rgb @ LUMINANCE)
    out = rgb * (luminance / max(own, 1e-6))
    top = float(out.max())
    if top > 1:
        out = out / top
        reached = float(out @ LUMINANCE)
        out = out + (1 - out) * ((luminance - reached) / max(1 - reached, 1e-6))
    result: NDArray[np.float64] = np.clip(out, 0, 1)
    return result


@dataclass(frozen=True, eq=False)
class DiscArt:
    """A disc at a size, not turned, with its blur.

    Attributes
    ----------
    disc : Disc
    geometry : Geometry
    material : DiscMaterial
    glow : Glow
    side : int
        Of the square picture in pixels, even.
    scale : float
        Pixels a mm.
    blur : float
        How far the disc turns while the shutter is open, in radians.
    ground : ndarray of float64, shape (3,)
        The colour around it, in linear light.
    """

    disc: Disc
    geometry: Geometry
    material: DiscMaterial
    glow: Glow
    side: int
    scale: float
    blur: float
    ground: NDArray[np.float64]

    @cached_property
    def radii(self) -> NDArray[np.float64]:
        """Of the data rows, in pixels."""
        return row_radii(self.geometry, self.disc.layout, self.disc.rows) * self.scale

    @property
    def hole(self) -> float:
        """Radius of a hole in pixels."""
        return self.geometry.hole_diameter * self.scale / 2

    @property
    def sense(self) -> int:
        """1 where positions follow each other clockwise, -1 where anticlockwise."""
        return -1 if self.disc.layout.turning == "clockwise" else 1

    @cached_property
    def _order(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Radii of all rows and the clock row (-1), in ascending order."""
        radii = np.append(self.radii, self.geometry.clock_radius * self.scale)
        rows = np.append(np.arange(self.disc.rows), -1)
        order = np.argsort(radii)
        return radii[order], rows[order]

    @cached_property
    def holes(self) -> NDArray[np.bool_]:
        """Where there are holes, shape (rows + 1, positions); the clock row comes last."""
        data = self.disc.grid == self.disc.layout.hole_means
        return np.vstack([data, np.ones((1, self.disc.positions), bool)])

    def coverage(self, holes: NDArray[np.bool_], x0: int, y0: int, x1: int, y1: int) -> F32:
        """The share of the open shutter for which pixels of a rectangle see through holes."""
        x, y = (
            (np.arange(a * _FINE, b * _FINE) + 0.5) / _FINE - self.side / 2
            for a, b in ((x0, x1), (y0, y1))
        )
        radius = np.hypot(x[None], y[:, None])
        order, rows = self._order
        near = np.searchsorted((order[1:] + order[:-1]) / 2, radius)
        yy, xx = np.nonzero(np.abs(radius - order[near]) < self.hole)
        r, own, row = radius[yy, xx], order[near[yy, xx]], rows[near[yy, xx]]
        half = np.arccos(np.clip((r**2 + own**2 - self.hole**2) / (2 * r * own), -1, 1))
        angle = np.arctan2(x[xx], -y[yy]) * self.sense
        total = np.zeros((holes.shape[0], self.disc.positions + 1))
        np.cumsum(holes, axis=1, out=total[:, 1:])
        a, b = (
            self._through(angle + turn, half, row, holes, total)
            for turn in (self._open / 2, -self._open / 2)
        )
        fine = np.zeros(radius.shape, np.float32)
        fine[yy, xx] = (a - b) / self._open
        out: F32 = fine.reshape(y1 - y0, _FINE, x1 - x0, _FINE).mean(axis=(1, 3))
        return out

    @property
    def _open(self) -> float:
        """The blur in radians, at least half a pixel at the rim."""
        return max(self.blur, 1 / self.side)

    def _through(
        self,
        angle: NDArray[np.float64],
        half: NDArray[np.float64],
        row: NDArray[np.int64],
        holes: NDArray[np.bool_],
        total: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """The length of open arc from twelve o'clock to an angle."""
        n = self.disc.positions
        pitch = 2 * math.pi / n
        half = np.minimum(half, pitch / 2)
        place = np.floor(angle / pitch + 0.5).astype(np.int64)
        turns, position = np.divmod(place, n)
        inside = np.clip(angle - place * pitch + half, 0, 2 * half)
        before = total[row, position] + turns * total[row, n]
        out: NDArray[np.float64] = 2 * half * before + inside * holes[row, position]
        return out

    def base(self) -> F32:
        """The disc before anything was read, in linear light, shape (side, side, 3)."""
        out = self._blurred(self.material.field(self.side))
        dark = self.glow.dark.astype(np.float32)
        for y in range(0, self.side, _BAND):
            below = min(y + _BAND, self.side)
            cover = self.coverage(self.holes, 0, y, self.side, below)[..., None]
            band = out[y:below]
            band += (dark - band) * cover
        self._fittings(out)
        return out

    def _blurred(self, field: F32) -> F32:
        import cv2

        arc = self.blur * self.side / 2
        if arc < 1 or self.material.grain == "round":
            return field
        count = int(min(max(arc / 2, 2), 24))
        out = np.zeros_like(field)
        centre = (self.side - 1) / 2
        for k in range(count):
            turn = math.degrees(self.blur) * ((k + 0.5) / count - 0.5)
            m = cv2.getRotationMatrix2D((centre, centre), turn, 1)
            out += cv2.warpAffine(field, m, (self.side, self.side), borderMode=cv2.BORDER_REPLICATE)
        out /= count
        return out

    def _fittings(self, out: F32) -> None:
        """Rim, bore, hub and keep-outs, and the background with a soft shadow around the disc."""
        g, s = self.geometry, self.scale
        at = np.arange(self.side) + 0.5 - self.side / 2
        rim, bore = g.outer_diameter / 2 * s, g.bore_diameter / 2 * s
        mean = self.material.mean
        for keep in g.keep_out:
            angle = math.radians(keep.angle)
            # a magnet or a screw: smeared along its path like everything else
            smear = max(1, int(self.blur * keep.radius * s / 2))
            for k in range(smear):
                a = angle + self.blur * ((k + 0.5) / smear - 0.5)
                cx, cy = keep.radius * s * math.sin(a), -keep.radius * s * math.cos(a)
                d = np.hypot(at[None] - cx, at[:, None] - cy) - keep.diameter / 2 * s
                cover = (np.clip(0.5 - d, 0, 1) / smear).astype(np.float32)[..., None]
                tone = np.full(3, self.material.luminance + 0.05)
                out += (tone.astype(np.float32) - mean.astype(np.float32)) * cover
        radius = np.hypot(at[None], at[:, None]).astype(np.float32)
        # a thin bevel catches light at the rim and around the bore
        for edge, width in ((rim, max(1.5, 0.6 * s)), (bore, max(1.5, 0.5 * s))):
            bevel = np.clip(1 - np.abs(radius - edge) / width, 0, 1)[..., None]
            out += bevel * (0.35 * out + 0.004)
        spindle = np.clip(bore - radius + 0.5, 0, 1)[..., None]
        out += (np.array([0.012, 0.012, 0.013], np.float32) - out) * spindle
        pin = np.clip(bore * 0.55 - radius + 0.5, 0, 1)[..., None]
        out += (np.array([0.12, 0.12, 0.13], np.float32) - out) * pin
        shadow = np.exp(-np.maximum(radius - rim, 0) / max(2.0, 2.5 * s))[..., None] * 0.55
        fade = np.clip((self.side / 2 - radius) / max(1.0, self.side / 2 - rim), 0, 1)[..., None]
        around = self.ground.astype(np.float32) * (1 - shadow * fade)
        outside = np.clip(radius - rim + 0.5, 0, 1)[..., None]
        out += (around - out) * outside

    def light_of(self, seen: NDArray[np.bool_], x0: int, y0: int, x1: int, y1: int) -> F32:
        """The light that seen holes add to a rectangle, in shares of the lit colour."""
        import cv2

        out = np.empty((y1 - y0, x1 - x0), np.float32)
        for y in range(y0, y1, _BAND):
            below = min(y + _BAND, y1)
            out[y - y0 : below - y0] = self.coverage(seen, x0, y, x1, below)
        halo = cv2.GaussianBlur(out, (0, 0), max(1.0, self.hole * 1.1))
        lit: F32 = out + _HALO * halo * (1 - np.clip(out, 0, 1))
        return lit

    def around(self, row: int, position: int) -> tuple[int, int, int, int]:
        """The rectangle that the light of a hole falls on: left, top, right and bottom."""
        turn = self.sense * 2 * math.pi * position / self.disc.positions
        r, middle = float(self.radii[row]), self.side / 2
        cx, cy = middle + r * math.sin(turn), middle - r * math.cos(turn)
        reach = self.hole * 4 + r * self._open / 2 + 3
        x0, y0 = (max(0, int(c - reach) & ~1) for c in (cx, cy))
        x1, y1 = (min(self.side, (int(c + reach) + 2) & ~1) for c in (cx, cy))
        return x0, y0, x1, y1
