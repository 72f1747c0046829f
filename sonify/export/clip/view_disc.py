"""The view `disc`: the disc from the front, turning as it is read.

The stage moves from row to row, two spots show where the detectors look, and a hole that was read
lets the light of the diffuser behind it through from then on.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc.geometry.fit import derive_geometry
from sonify.export.clip.disc_art import DiscArt, Glow
from sonify.export.clip.material import MATERIALS
from sonify.export.clip.stage import Stage
from sonify.export.clip.turning import Turning, stage_row
from sonify.export.clip.views import Painted, Surroundings
from sonify.light.lamp_grid import Box
from sonify.light.look import F32, colour, from_linear, to_linear
from sonify.light.planes import halved

__all__ = ["DiscView"]

_ROOM = 0.055  # of the disc's diameter, above it for the stage
_BULK = 400
"""With more holes at once than this, all light is reckoned anew."""


class DiscView:
    """The turning disc."""

    def __init__(self, around: Surroundings, box: Box) -> None:
        import cv2

        self._cv2 = cv2
        show = around.show
        disc = show.disc
        self.show_ = show
        self.picture = around.picture
        geometry = disc.geometry or derive_geometry(disc.rows, disc.positions, disc.layout)
        x, y, w, h = box
        grain = max(4, around.cell)
        side = int(min(w, h / (1 + _ROOM))) // (2 * grain) * 2 * grain
        self.side = side
        self.x = (x + (w - side) // 2) // grain * grain
        self.y = (y + (h - side - round(side * _ROOM)) // 2 + round(side * _ROOM)) // grain * grain
        self.top = max(0, self.y - round(side * _ROOM)) // grain * grain
        scale = side * 0.97 / geometry.outer_diameter
        speed = 2 * math.pi * show.setup.player.rpm / 60
        material = MATERIALS[around.clip.material]
        lamp = to_linear(np.array(colour(around.look.lamp)) / 255)
        ground = to_linear(np.array(around.ground) / 255)
        glow = Glow.of(material, lamp, around.dim)
        self.art = DiscArt(
            disc, geometry, material, glow, side, scale, speed * float(1 / around.fps), ground
        )
        self.turning = Turning.of(show.timeline)
        self.frame_s = float(1 / around.fps)
        self.stage = Stage(self.art, around, (self.x, self.top, side, self.y + side - self.top))
        reading = show.reading
        self._time = np.ascontiguousarray(reading["time_s"])
        self._row = np.ascontiguousarray(reading["row"])
        self._position = np.ascontiguousarray(reading["position"])
        self._open = reading["bit"] == disc.layout.hole_means
        self._base = self.art.base().astype(np.float16)
        self._lit = (glow.lit - glow.dark).astype(np.float32)
        self._sprites: dict[int, F32] = {}
        self._own_cover = not around.look.plain
        self._edges()
        self.forget()

    def forget(self) -> None:
        """Paint all of it again next time."""
        self._seen = 0
        self._light = np.zeros((self.side, self.side), np.float32)
        self._faces: list[NDArray[Any]] = []
        self._first = True

    # ---- the disc's own picture, in planes ----

    def _edges(self) -> None:
        """The disc's outline, where the ground is no plain colour."""
        side = self.side
        at = np.arange(side) + 0.5 - side / 2
        rim = self.art.geometry.outer_diameter / 2 * self.art.scale
        radius = np.hypot(at[None], at[:, None]).astype(np.float32)
        self._outline: F32 = np.clip(rim - radius + 0.5, 0, 1).astype(np.float32)

    def _renew(self, x0: int, y0: int, x1: int, y1: int) -> None:
        """Bring a part of the picture in planes up to its light."""
        fmt = self.picture.format
        x0, y0, x1, y1 = x0 & ~1, y0 & ~1, (x1 + 1) & ~1, (y1 + 1) & ~1
        step = max(2, (1 << 18) // max(x1 - x0, 1) & ~1)
        for y in range(y0, y1, step):
            below = min(y + step, y1)
            light = self._base[y:below, x0:x1].astype(np.float32)
            light += self._light[y:below, x0:x1, None] * self._lit
            values = fmt.values(_seen(light))
            for k in range(3):
                part = values[..., k]
                if fmt.half and k > 0:
                    self._faces[k][y // 2 : below // 2, x0 // 2 : x1 // 2] = np.rint(halved(part))
                else:
                    self._faces[k][y:below, x0:x1] = np.rint(part)

    def _add(self, row: int, position: int) -> tuple[int, int, int, int]:
        """Let the light of one more hole through; the part of the picture that it falls on."""
        art = self.art
        sprite = self._sprites.get(row)
        if sprite is None:
            sprite = self._sprites[row] = art.sprite(row)
        turn = art.sense * 2 * math.pi * position / art.disc.positions
        r = float(art.radii[row])
        cx, cy = self.side / 2 + r * math.sin(turn), self.side / 2 - r * math.cos(turn)
        m = len(sprite)
        reach = m / 4 * 1.42
        x0, y0 = max(0, int(cx - reach)), max(0, int(cy - reach))
        x1 = min(self.side, int(cx + reach) + 1)
        y1 = min(self.side, int(cy + reach) + 1)
        cos, sin = math.cos(turn), math.sin(turn)
        # from a pixel of the picture to the sprite, which is twice as fine
        a, b = x0 + 0.5 - cx, y0 + 0.5 - cy
        matrix = np.array(
            [
                [2 * cos, 2 * sin, 2 * (cos * a + sin * b) + m / 2 - 0.5],
                [-2 * sin, 2 * cos, 2 * (-sin * a + cos * b) + m / 2 - 0.5],
            ]
        )
        cv2 = self._cv2
        self._light[y0:y1, x0:x1] += cv2.warpAffine(
            sprite, matrix, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        return x0, y0, x1, y1

    def _read_until(self, time_s: float) -> None:
        stop = int(np.searchsorted(self._time, time_s, side="right"))
        fresh = self._seen + np.flatnonzero(self._open[self._seen : stop])
        self._seen = stop
        if self._first or len(fresh) > _BULK:
            if self._first:
                self._faces = self.picture.format.empty(self.side, self.side)
            seen = np.zeros_like(self.art.holes)
            all_ = np.flatnonzero(self._open[:stop])
            seen[self._row[all_], self._position[all_]] = True
            self._light = self.art.light_of(seen) if len(all_) else self._light
            self._renew(0, 0, self.side, self.side)
            return
        for k in fresh.tolist():
            self._renew(*self._add(int(self._row[k]), int(self._position[k])))

    # ---- frames ----

    def show(self, time_s: float) -> Painted:
        """Paint the disc as it stands at a moment."""
        self._read_until(time_s)
        self._turn(self.turning.position(time_s))
        self._first = False
        row = stage_row(self.show_, time_s)
        self.stage.paint(self.turning.position(time_s), row, time_s)
        return [((self.x, self.top, self.side, self.y + self.side - self.top), None)]

    def _turn(self, position: float) -> None:
        cv2, side, picture = self._cv2, self.side, self.picture
        # positions pass the detector in their order: the disc turns against their sense
        turn = -self.art.sense * 2 * math.pi * (position / self.art.disc.positions)
        cos, sin = math.cos(turn), math.sin(turn)
        box = (self.x, self.y, side, side)
        out = picture.cut(picture.planes, *box)
        under = picture.cut(picture.ground, *box)
        for k in range(3):
            face = self._faces[k]
            n = len(face)
            c = (n - 1) / 2
            matrix = np.array(
                [[cos, sin, c - c * cos - c * sin], [-sin, cos, c + c * sin - c * cos]]
            )
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            if not self._own_cover:
                ground = float(under[k][0, 0])
                cv2.warpAffine(
                    face, matrix, (n, n), dst=out[k], flags=flags,
                    borderMode=cv2.BORDER_CONSTANT, borderValue=ground,
                )  # fmt: skip
                continue
            turned = cv2.warpAffine(
                face, matrix, (n, n), flags=flags, borderMode=cv2.BORDER_REPLICATE
            )
            self._within(k, turned, out[k], under[k])
        if self._own_cover and picture.format.alpha:
            top = picture.format.top
            below = under[3].astype(np.float32) / top
            out[3][:] = np.rint((self._outline + below * (1 - self._outline)) * top)

    def _within(self, k: int, turned: NDArray[Any], out: NDArray[Any], under: NDArray[Any]) -> None:
        """Put the turned disc within its outline over a ground of any kind."""
        outline = self._outlines(k)
        whole, edge, share = outline
        self._cv2.copyTo(turned, whole, out)
        if self.picture.format.alpha and self.picture.ground[3][0, 0] == 0:
            out[edge] = turned[edge]
        else:
            old = under[edge].astype(np.float32)
            out[edge] = np.rint(old + (turned[edge] - old) * share)

    def _outlines(self, k: int) -> tuple[Any, Any, Any]:
        half = self.picture.step(k) == 2
        known = self.__dict__.setdefault("_known", {})
        if half not in known:
            cover = halved(self._outline) if half else self._outline
            whole = (cover >= 0.999).astype(np.uint8)
            edge = np.nonzero((cover > 0.001) & (cover < 0.999))
            known[half] = (whole, edge, cover[edge])
        found: tuple[Any, Any, Any] = known[half]
        return found


_TABLE = 4096
_SRGB = from_linear(np.linspace(0, 1, _TABLE + 1) ** 2).astype(np.float32)


def _seen(light: F32) -> F32:
    """Linear light as sRGB values from 0 to 1, by a table that is even for the eye."""
    index = np.sqrt(np.clip(light, 0, 1))
    index *= _TABLE
    index += 0.5
    return _SRGB[index.astype(np.int16)]
