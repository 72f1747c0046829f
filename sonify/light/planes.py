"""Planes: a picture as an encoder takes it, one array for each of its components.

A `Format` defines how colours become the numbers of the planes: YUV after ITU-R BT.709 (limited
range) with or without subsampled chroma, or plain RGB; optionally with a plane of coverage. Colours
are sRGB values from 0 to 1, as in a look's hex digits. They are stored as such, and tagged so
(ITU-T H.273, transfer characteristics 13); ProRes has no tag for that, so there they are stored for
a display after ITU-R BT.1886, with the tag of BT.709 (1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import F32, LUMINANCE, from_linear, to_linear

__all__ = ["FORMATS", "Format", "Picture", "Planes"]

# Arrays of the components, with chroma at half size if it is subsampled; coverage comes last.
Planes = list[NDArray[Any]]

# ITU-R BT.709, item 3.2 and 3.3
_BT709 = np.array(
    [
        LUMINANCE,
        [-0.2126 / 1.8556, -0.7152 / 1.8556, 0.5],
        [0.5, -0.7152 / 1.5748, -0.0722 / 1.5748],
    ]
)


@dataclass(frozen=True)
class Format:
    """One way to write colours as numbers.

    Attributes
    ----------
    name : str
        As FFmpeg calls it.
    bits : int
    yuv, half, alpha : bool
        Whether it is YUV, with chroma at half size both ways, with a plane of coverage.
    studio : bool
        Whether its values are for a display after ITU-R BT.1886, not sRGB.
    """

    name: str
    bits: int
    yuv: bool
    half: bool
    alpha: bool
    studio: bool = False

    @property
    def transfer(self) -> int:
        """Its transfer characteristics (ITU-T H.273, table 3)."""
        return 1 if self.studio else 13

    @property
    def dtype(self) -> type[np.unsignedinteger[Any]]:
        """The type of the planes."""
        return np.uint8 if self.bits == 8 else np.uint16

    @property
    def top(self) -> int:
        """The greatest number, which stands for full coverage."""
        return (1 << self.bits) - 1

    @property
    def _scale(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        if not self.yuv:
            return np.eye(3) * self.top, np.zeros(3)
        unit = 1 << (self.bits - 8)
        span = np.array([219.0, 224.0, 224.0]) * unit
        return _BT709 * span[:, None], np.array([16.0, 128.0, 128.0]) * unit

    def values(self, rgb: NDArray[Any]) -> F32:
        """Colours, shape (..., 3), as the components' numbers before rounding."""
        m, offset = self._scale
        if self.studio:
            rgb = _looked_up(_to_studio(), rgb)
        out: F32 = np.asarray(rgb, np.float32) @ m.T.astype(np.float32) + np.float32(offset)
        return out

    def rgb(self, parts: Sequence[NDArray[Any]]) -> F32:
        """The colours of the three components' numbers, shape (3, ...), not always clipped."""
        if not self.yuv:
            return np.stack(parts).astype(np.float32) / np.float32(self.top)
        unit = 1 << (self.bits - 8)
        luma = (parts[0].astype(np.float32) - 16 * unit) * np.float32(1 / (219 * unit))
        blue, red = (
            (part.astype(np.float32) - 128 * unit) * np.float32(1 / (224 * unit))
            for part in parts[1:]
        )
        out = np.empty((3, *luma.shape), np.float32)
        # ITU-R BT.709
        out[0] = luma + np.float32(1.5748) * red
        out[1] = luma - np.float32(0.187324) * blue - np.float32(0.468124) * red
        out[2] = luma + np.float32(1.8556) * blue
        return _looked_up(_from_studio(), out) if self.studio else out

    def nearest(self, rgb: NDArray[Any]) -> NDArray[Any]:
        """For colours, shape (n, 3), the whole numbers that convert back to the nearest colours."""
        values = self.values(rgb)
        if not self.yuv or self.bits > 8:
            return np.rint(values).astype(self.dtype)
        best = np.rint(values)
        least = np.full(len(values), np.inf)
        low = np.floor(values)
        for step in product((0, 1), (0, 1), (0, 1)):
            tried = low + np.array(step, np.float32)
            back = np.clip(self.rgb(list(tried.T)), 0, 1).T
            error = np.abs(back - rgb).max(axis=1)
            better = error < least - 1e-6
            best[better], least[better] = tried[better], error[better]
        return best.astype(self.dtype)

    def empty(self, width: int, height: int) -> Planes:
        """Planes of a size, which must be even if chroma is at half size."""
        k = 2 if self.half else 1
        shapes = [(height, width), (height // k, width // k), (height // k, width // k)]
        if self.alpha:
            shapes.append((height, width))
        return [np.zeros(shape, self.dtype) for shape in shapes]


FORMATS = {
    f.name: f
    for f in (
        Format("yuv420p", 8, True, True, False),
        Format("yuva420p", 8, True, True, True),
        Format("yuva444p10le", 10, True, False, True, studio=True),
        Format("rgb24", 8, False, False, False),
        Format("rgba", 8, False, False, True),
    )
}


# Steps of a table from one transfer to another: a quarter of a step of 10 bits and less, but near
# black.
_STEPS = (1 << 14) - 1


@cache
def _to_studio() -> F32:
    """From sRGB values to those whose 2.4th power is the light of a display (ITU-R BT.1886, with
    black at no light)."""
    return np.asarray(to_linear(np.arange(_STEPS + 1) / _STEPS) ** (1 / 2.4), np.float32)


@cache
def _from_studio() -> F32:
    """The other way round."""
    return np.asarray(from_linear((np.arange(_STEPS + 1) / _STEPS) ** 2.4), np.float32)


def _looked_up(table: F32, values: NDArray[Any]) -> F32:
    found: F32 = table[
        (np.clip(values, 0, 1) * np.float32(_STEPS) + np.float32(0.5)).astype(np.int16)
    ]
    return found


def halved(full: F32) -> F32:
    """The mean of each two by two pixels, shape (h, w) to (h / 2, w / 2)."""
    rows = full[0::2] + full[1::2]
    out: F32 = rows[:, 0::2] + rows[:, 1::2]
    out *= np.float32(0.25)
    return out


def bounds(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the marked pixels; right = left if there are none."""
    rows = np.flatnonzero(mask.any(axis=1))
    if not len(rows):
        return 0, 0, 0, 0
    columns = np.flatnonzero(mask[rows[0] : rows[-1] + 1].any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


@dataclass(eq=False)
class Picture:
    """A picture in planes that can be painted on.

    Attributes
    ----------
    format : Format
    width, height : int
    planes : list of ndarray
    ground : list of ndarray
        The planes of the empty background; read-only.
    """

    format: Format
    width: int
    height: int
    planes: Planes
    ground: Planes

    @classmethod
    def on_colour(
        cls, format: Format, width: int, height: int, rgb: NDArray[Any], cover: float = 1.0
    ) -> Picture:
        """A picture of one colour; with a cover of 0, of no colour."""
        planes = format.empty(width, height)
        numbers = [*format.nearest(np.asarray(rgb)[None])[0]]
        if format.alpha:
            numbers.append(round(cover * format.top))
        for plane, number in zip(planes, numbers, strict=True):
            plane[:] = number
        # one number broadcast to the plane, because a plane of a large picture takes many megabytes
        ground = [np.broadcast_to(plane[0, 0].copy(), plane.shape) for plane in planes]
        return cls(format, width, height, planes, ground)

    @classmethod
    def on_image(cls, format: Format, rgb: NDArray[np.uint8]) -> Picture:
        """A picture on an image, shape (height, width, 3)."""
        h, w = rgb.shape[:2]
        ground = format.empty(w, h)
        step = max(2, (1 << 20) // w & ~1)
        for y in range(0, h, step):
            band = format.values(rgb[y : y + step].astype(np.float32) / 255)
            for k in range(3):
                half = format.half and k > 0
                part = halved(band[..., k]) if half else band[..., k]
                top = y // 2 if half else y
                ground[k][top : top + len(part)] = np.rint(part)
        if format.alpha:
            ground[3][:] = format.top
        return cls(format, w, h, [p.copy() for p in ground], ground)

    def step(self, k: int) -> int:
        """How many pixels a number of plane k stands for, each way."""
        return 2 if self.format.half and k in (1, 2) else 1

    def cut(self, planes: Planes, x: int, y: int, w: int, h: int) -> Planes:
        """The part of planes that a rectangle of pixels covers."""
        out = []
        for k, plane in enumerate(planes):
            s = self.step(k)
            out.append(plane[y // s : (y + h) // s, x // s : (x + w) // s])
        return out

    def clear(self, x: int, y: int, w: int, h: int) -> None:
        """Clear a rectangle."""
        for plane, ground in zip(
            self.cut(self.planes, x, y, w, h), self.cut(self.ground, x, y, w, h), strict=True
        ):
            plane[:] = ground


def over(format: Format, out: Planes, under: Planes, values: F32, cover: F32) -> None:
    """Lay components' numbers with a coverage over planes.

    Parameters
    ----------
    format : Format
    out, under : list of ndarray
        Where the result goes, and what lies under it.
    values : ndarray of float32, shape (h, w, 3)
    cover : ndarray of float32, shape (h, w)
    """
    below: F32 | None = None
    if format.alpha:
        below = under[3].astype(np.float32) / np.float32(format.top)
        whole = cover + below * (1 - cover)
        out[3][:] = np.rint(whole * format.top)
    for k in range(3):
        weighted, share, rest = values[..., k] * cover, cover, below
        if format.half and k > 0:
            weighted, share = halved(weighted), halved(cover)
            rest = None if below is None else halved(below)
        old = under[k].astype(np.float32)
        if rest is None:
            mixed = weighted + old * (1 - share)
        else:
            kept = rest * (1 - share)
            total = share + kept
            mixed = np.where(total > 0, (weighted + old * kept) / np.maximum(total, 1e-6), old)
        out[k][:] = np.rint(mixed)
