"""The matrix at an angle in a dark room, as in a photograph.

The panel is painted from the front, then turned in linear light, with the wide bloom of a camera,
and what it throws on the wall and the table.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.lamp_grid import Box
from sonify.light.look import F32, Look, colour, from_linear, linear, to_linear
from sonify.light.mounting import Mounting
from sonify.light.panel import Panel
from sonify.light.planes import FORMATS, Picture, halved
from sonify.light.renderer import Shown

__all__ = ["Room", "proportion"]

# Where the corners of the panel are, as shares of the picture from its top left (by eye: a panel
# on a table, its left edge nearer): top left, top right, bottom right, bottom left.
_CORNERS = ((0.07, 0.10), (0.93, 0.21), (0.93, 0.70), (0.07, 0.80))
_TURNED = 1.12  # how much narrower a panel that is turned by 27 degrees looks
# The frame round the lamps, as a share of the panel's height.
_FRAME = 0.05
# Light of the wall and the table without the panel; of the bloom, near and wide, and how wide they
# are as shares of the picture's height; and of the reflection on the table.
_WALL, _TABLE = 0.0012, 0.0022
_BLOOMS = ((0.10, 0.02), (0.16, 0.10))
_REFLECTED = 0.16
_EDGE = 0.07  # the share of a side over which the room fades
# Bloom and reflection are made at this scale.
_COARSE = 8
_LEVELS = 4095


def proportion(look: Look, matrix: Matrix) -> float:
    """The proportion, width by height, of a picture in which a matrix in a room looks good."""
    across, down = Mounting.of(look, matrix).size
    return min(max(0.6 * (across + 1) / (down + 1), 0.6), 16 / 9)


class Room:
    """A matrix in a room on a picture; takes the place of a `Panel`.

    Parameters
    ----------
    look : Look
    matrix : Matrix
    picture : Picture
        What it is painted on.
    box : tuple of int
        The rectangle that it fills.

    Raises
    ------
    InputError
        Lamps would be too small to see.
    """

    def __init__(self, look: Look, matrix: Matrix, picture: Picture, box: Box) -> None:
        import cv2

        x, y, w, h = (v & ~1 for v in box)
        self.picture, self.box = picture, (x, y, w, h)
        ground = np.array(colour(look.ground)) / 255
        self._front = Picture.on_colour(FORMATS["rgb24"], w, h, ground)
        self.panel = Panel(look, matrix, self._front, (0, 0, w, h))
        left, top, wide, high = self.panel.box
        frame = round(_FRAME * high)
        self._cut = (
            max(0, left - frame), max(0, top - frame),
            min(w, left + wide + frame), min(h, top + high + frame),
        )  # fmt: skip
        left, top, right, below = self._cut
        corners = np.array(_CORNERS)
        # turned away, the panel is narrower than it is from the front
        tall = _TURNED * (below - top) / (right - left) * (corners[1, 0] - corners[0, 0]) * w / h
        mean = float(corners[3, 1] - corners[0, 1] + corners[2, 1] - corners[1, 1]) / 2
        corners[:, 1] = 0.46 + (corners[:, 1] - 0.46) * min(1.0, tall / mean)
        corners[:, 0] = 0.5 + (corners[:, 0] - 0.5) * min(1.0, mean / tall)
        self._corners = corners * (w, h)
        source = np.array([(0, 0), (right - left, 0), (right - left, below - top),
                           (0, below - top)], np.float32)  # fmt: skip
        self._turn = cv2.getPerspectiveTransform(source, self._corners.astype(np.float32))
        # OpenCV counts from the middle of the first pixel
        half = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])
        self._warp = np.linalg.inv(half) @ self._turn @ half
        self._linear = to_linear(np.arange(256) / 255).astype(np.float32)
        self._encoded = from_linear(np.linspace(0, 1, _LEVELS + 1) ** 2).astype(np.float32)
        self._cover = cv2.warpPerspective(
            np.ones((below - top, right - left), np.float32), self._warp, (w, h),
            flags=cv2.INTER_AREA,
        )[..., None]  # fmt: skip
        self._still = self._surroundings(w, h)
        # where the panel stands on the table, and how its reflection fades towards the viewer
        self._foot = round(float(self._corners[2, 1] + self._corners[3, 1]) / 2 + 0.04 * h)
        down = np.arange(h, dtype=np.float32)[:, None, None] - self._foot
        faded = _REFLECTED * np.exp(-np.maximum(down, 0) / (0.18 * h))
        self._fall = np.where(down >= 0, faded, 0).astype(np.float32)
        # beside other views the room fades into the background
        self._ground = linear(look.ground).astype(np.float32)
        self._fade: F32 | None = None
        if (w, h) != (picture.width & ~1, picture.height & ~1):
            edges = [np.minimum(np.arange(n), n - 1 - np.arange(n)) / (_EDGE * n) for n in (h, w)]
            down, across = (np.clip(e, 0, 1).astype(np.float32) for e in edges)
            self._fade = (down[:, None] * across[None])[..., None]
        # dither of half a step hides the steps of faint light; the same in every frame
        self._noise = (np.random.default_rng(1).random((h, w, 1), np.float32) - 0.5) / 255

    def centres(self) -> NDArray[np.float64]:
        """Where lamps have their middles on the picture, shape (rows, columns, 2), x and y."""
        xs, ys = self.panel.centres()
        left, top = self._cut[:2]
        flat = np.stack(
            [*np.meshgrid(xs - left + 0.5, ys - top + 0.5), np.ones((len(ys), len(xs)))]
        )
        at = np.tensordot(self._turn, flat, 1)
        out: NDArray[np.float64] = np.moveaxis(at[:2] / at[2], 0, -1) + self.box[:2]
        return out

    def forget(self) -> None:
        """Paint everything again next time."""
        self.panel.forget()

    def update(self, shown: Shown) -> tuple[Box, None] | None:
        """Paint lamps; the whole rectangle if anything changed."""
        if self.panel.update(shown) is None:
            return None
        self._paint()
        return self.box, None

    def _surroundings(self, w: int, h: int) -> F32:
        """The dark room, in linear light, shape (h, w, 3)."""
        y = (np.arange(h, dtype=np.float32) / h)[:, None]
        x = (np.arange(w, dtype=np.float32) / w)[None, :]
        edge = 0.72
        # the wall darkens towards the top, the table towards the viewer
        wall = _WALL * (0.4 + 0.6 * y / edge)
        table = _TABLE * (1 - 0.7 * np.clip((y - edge) / (1 - edge), 0, 1))
        tone = np.where(y < edge, wall, table) * (1 - 0.5 * np.abs(x - 0.45))
        tint = np.array([0.95, 1.0, 1.15], np.float32)
        out: F32 = (tone[..., None] * tint).astype(np.float32)
        return out

    def _paint(self) -> None:
        import cv2

        x, y, w, h = self.box
        left, top, right, below = self._cut
        front = np.dstack([self._linear[p[top:below, left:right]] for p in self._front.planes])
        self._framed(front)
        seen = cv2.warpPerspective(front, self._warp, (w, h), flags=cv2.INTER_AREA)
        light = self._still * (1 - self._cover) + seen
        small = (max(1, w // _COARSE), max(1, h // _COARSE))
        coarse: F32 = np.asarray(cv2.resize(seen, small, interpolation=cv2.INTER_AREA), np.float32)
        added = sum(
            share
            * cv2.GaussianBlur(
                coarse, (0, 0), max(wide * small[1], 0.6), borderType=cv2.BORDER_CONSTANT
            )
            for share, wide in _BLOOMS
        )
        for part, by in ((added, 1.0), (self._reflected(coarse), self._fall)):
            wide = cv2.resize(np.asarray(part, np.float32), (w, h), interpolation=cv2.INTER_CUBIC)
            light += by * wide
        if self._fade is not None:
            light = self._ground + (light - self._ground) * self._fade
        np.clip(light, 0, 1, out=light)
        rgb = self._encoded[(np.sqrt(light) * _LEVELS + 0.5).astype(np.int16)]
        rgb += self._noise
        self._place(x, y, np.clip(rgb, 0, 1))

    def _framed(self, front: F32) -> None:
        """A dark frame with a lighter edge, round the lamps."""
        line = max(1, len(front) // 160)
        for band in (front[:line], front[-line:], front[:, :line], front[:, -line:]):
            band += 0.012

    def _reflected(self, coarse: F32) -> F32:
        """The panel's light on the table: upside down and soft, at the coarse size."""
        import cv2

        h, w = coarse.shape[:2]
        scale = h / self.box[3]
        flip = np.array([[1, 0, 0], [0, -1, 2 * self._foot * scale - 1]])
        upside_down = cv2.warpAffine(coarse, flip, (w, h))
        made: F32 = np.asarray(
            cv2.GaussianBlur(
                upside_down, (0, 0), 0.02 * w, sigmaY=0.03 * h, borderType=cv2.BORDER_CONSTANT
            ),
            np.float32,
        )
        return made

    def _place(self, x: int, y: int, rgb: F32) -> None:
        fmt, h, w = self.picture.format, *rgb.shape[:2]
        planes: list[NDArray[Any]] = self.picture.cut(self.picture.planes, x, y, w, h)
        values = fmt.values(rgb)
        for k in range(3):
            part = halved(values[..., k]) if fmt.half and k else values[..., k]
            planes[k][:] = np.rint(part)
        if fmt.alpha:
            planes[3][:] = fmt.top
