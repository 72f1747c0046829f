"""The view `disc`: the disc seen from the front, turning as it is read.

The stage moves from row to row, two spots show where the detectors look, and a hole that has been
read lets the light of the diffuser behind it through.
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
from sonify.light.look import F32, Look, from_linear, linear
from sonify.light.planes import Planes, halved

__all__ = ["DiscView"]

_ROOM = 0.055  # of the disc's diameter, above it for the stage
# With more holes at once than this, all light is computed anew.
_BULK = 400


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
        glow = Glow.of(material, linear(around.look.lamp), around.dim)
        ground = linear(around.look.ground)
        self.art = DiscArt(
            disc, geometry, material, glow, side, scale, speed * float(1 / around.fps), ground
        )
        self.turning = Turning.of(show.timeline)
        self.stage = Stage(self.art, around, (self.x, self.top, side, self.y + side - self.top))
        reading = show.reading
        self._time = np.ascontiguousarray(reading["time_s"])
        self._row = np.ascontiguousarray(reading["row"])
        self._position = np.ascontiguousarray(reading["position"])
        self._open = reading["bit"] == disc.layout.hole_means
        self._base = self.art.base().astype(np.float16)
        self._lit = (glow.lit - glow.dark).astype(np.float32)
        self._cover(around.look)
        self.forget()

    def forget(self) -> None:
        """Paint everything again next time."""
        self._seen = 0
        self._light = np.zeros((self.side, self.side), np.float32)
        # of each plane the face of the disc, turned by 0 to 3 right angles: shape (n, n, 4)
        self._faces: list[NDArray[Any]] = []

    # ---- the disc's own picture, in planes ----

    def _cover(self, look: Look) -> None:
        """How much of each plane the disc covers; None if the background is one colour."""
        self._covers: Planes | None = None
        if look.plain:
            return
        picture, side = self.picture, self.side
        at = np.arange(side) + 0.5 - side / 2
        rim = self.art.geometry.outer_diameter / 2 * self.art.scale
        radius = np.hypot(at[None], at[:, None])
        outline = np.clip(rim - radius + 0.5, 0, 1).astype(np.float32)
        covers = [halved(outline) if picture.step(k) == 2 else outline for k in range(3)]
        # without a background, pixels at the edge have the disc's colour and less coverage
        self._covers = [(c > 0.001).astype(np.float32) for c in covers] if look.clear else covers
        if picture.format.alpha:
            self._covers.append(outline)

    def _renew(self, x0: int, y0: int, x1: int, y1: int) -> None:
        """Update a part of the picture in planes to the current light."""
        fmt = self.picture.format
        step = max(2, (1 << 18) // max(x1 - x0, 1) & ~1)
        for y in range(y0, y1, step):
            below = min(y + step, y1)
            light = self._base[y:below, x0:x1].astype(np.float32)
            light += self._light[y:below, x0:x1, None] * self._lit
            values = fmt.values(_seen(light))
            for k in range(3):
                half = fmt.half and k > 0
                s = 2 if half else 1
                part = np.rint(halved(values[..., k]) if half else values[..., k])
                for turns in range(4):
                    upright = np.rot90(self._faces[k][..., turns], -turns)
                    upright[y // s : below // s, x0 // s : x1 // s] = part

    def _read_until(self, time_s: float) -> None:
        stop = int(np.searchsorted(self._time, time_s, side="right"))
        fresh = self._seen + np.flatnonzero(self._open[self._seen : stop])
        self._seen = stop
        whole = (0, 0, self.side, self.side)
        if not self._faces or len(fresh) > _BULK:
            if not self._faces:
                planes = self.picture.format.empty(self.side, self.side)[:3]
                self._faces = [np.zeros((*one.shape, 4), one.dtype) for one in planes]
                self._room = np.empty(2 * planes[0].size, planes[0].dtype)
            self._light[:] = 0
            self._shine(np.flatnonzero(self._open[:stop]), whole)
            self._renew(*whole)
            return
        for k in fresh.tolist():
            box = self.art.around(int(self._row[k]), int(self._position[k]))
            self._shine([k], box)
            self._renew(*box)

    def _shine(self, read: Any, box: tuple[int, int, int, int]) -> None:
        """Let the light of some holes through onto a part of the picture."""
        if len(read):
            seen = np.zeros_like(self.art.holes)
            seen[self._row[read], self._position[read]] = True
            x0, y0, x1, y1 = box
            self._light[y0:y1, x0:x1] += self.art.light_of(seen, *box)

    # ---- frames ----

    def show(self, time_s: float) -> Painted:
        """Paint the disc as it stands at a moment."""
        self._read_until(time_s)
        self._turn(self.turning.position(time_s))
        row = stage_row(self.show_, time_s)
        self.stage.paint(self.turning.position(time_s), row, time_s)
        return [((self.x, self.top, self.side, self.y + self.side - self.top), None)]

    def _turn(self, position: float) -> None:
        cv2, side, picture = self._cv2, self.side, self.picture
        # positions pass the detector in order, so the disc turns against their direction
        turn = -self.art.sense * 2 * math.pi * (position / self.art.disc.positions)
        box = (self.x, self.y, side, side)
        out = picture.cut(picture.planes, *box)
        under = picture.cut(picture.ground, *box)
        for k, face in enumerate(self._faces):
            if self._covers is None:
                self._turn_face(face, turn, out[k], cv2.BORDER_CONSTANT, float(under[k][0, 0]))
            else:
                turned = np.empty_like(out[k])
                self._turn_face(face, turn, turned, cv2.BORDER_REPLICATE, 0.0)
                _lay(out[k], under[k], turned, self._covers[k])
        if self._covers is not None and picture.format.alpha:
            _lay(out[3], under[3], np.float32(picture.format.top), self._covers[3])

    def _turn_face(
        self, face: NDArray[Any], turn: float, out: NDArray[Any], border: int, beyond: float
    ) -> None:
        """Turn a plane, the four quarters of it at once: each is the first one of a picture that
        was turned by right angles before."""
        cv2, n = self._cv2, len(face)
        c, cos, sin = (n - 1) / 2, math.cos(turn), math.sin(turn)
        matrix = np.array([[cos, sin, c - c * cos - c * sin], [-sin, cos, c + c * sin - c * cos]])
        m = n // 2
        # in memory that was used just now: new memory makes it half as slow again
        quarters, parts = self._room[: 8 * m * m].reshape(2, -1)
        quarters = quarters.reshape(m, m, 4)
        first, second, third, fourth = parts = parts.reshape(4, m, m)
        cv2.warpAffine(
            face, matrix, (m, m), quarters, cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, border,
            (beyond,) * 4,
        )  # fmt: skip
        cv2.split(quarters, list(parts))
        out[:m, :m] = first
        cv2.rotate(second, cv2.ROTATE_90_CLOCKWISE, dst=out[:m, m:])
        cv2.rotate(third, cv2.ROTATE_180, dst=out[m:, m:])
        cv2.rotate(fourth, cv2.ROTATE_90_COUNTERCLOCKWISE, dst=out[m:, :m])


def _lay(out: NDArray[Any], under: NDArray[Any], values: Any, cover: F32) -> None:
    """Lay values with a coverage over what lies under them."""
    below = under.astype(np.float32)
    out[:] = np.rint(below + (values - below) * cover)


_TABLE = 4096
_SRGB = from_linear(np.linspace(0, 1, _TABLE + 1) ** 2).astype(np.float32)


def _seen(light: F32) -> F32:
    """Linear light as sRGB values from 0 to 1, by a table with perceptually even steps."""
    index = np.sqrt(np.clip(light, 0, 1))
    index *= _TABLE
    index += 0.5
    return _SRGB[index.astype(np.int16)]
