"""A telephone's camera: where rays go, how they blur, and what sensor and software make of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Reals = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator

STEP = 8
"""Smooth fields are calculated at every eighth pixel and interpolated; a view's second
derivatives are below 1e-3 a pixel, so this errs by less than 0.01 pixels."""


@dataclass(frozen=True)
class Camera:
    """A pinhole with radial distortion, r' = r (1 + k1 r²) (Brown 1971, first term).

    `focal` in pixels, `place` in mm, `axes` are right, down and ahead in the world, as rows.
    """

    focal: float
    shape: tuple[int, int]
    place: Reals
    axes: Reals
    k1: float = 0.0

    @property
    def middle(self) -> Reals:
        """Where the optical axis meets the picture, (x, y) in pixels."""
        return np.array([self.shape[1] - 1, self.shape[0] - 1]) / 2

    def project(self, points: Any) -> Reals:
        """Pixels (x, y) of points in the world, shape (..., 3); a pixel's centre is whole."""
        away = (np.asarray(points, float) - self.place) @ self.axes.T
        flat = away[..., :2] / away[..., 2:]
        bend = 1 + self.k1 * (flat**2).sum(axis=-1, keepdims=True)
        return self.middle + self.focal * flat * bend

    def rays(self, pixels: Any) -> tuple[Reals, Reals]:
        """Where rays of pixels meet the plane z = 0, and their slopes dx/dz, dy/dz."""
        flat = (np.asarray(pixels, float) - self.middle) / self.focal
        bent = np.hypot(flat[..., 0], flat[..., 1])
        r = bent.copy()
        for _ in range(8):  # Newton
            r -= (r * (1 + self.k1 * r**2) - bent) / np.maximum(0.2, 1 + 3 * self.k1 * r**2)
        flat = flat * (r / np.maximum(bent, 1e-12))[..., None]
        ahead = flat @ self.axes[:2] + self.axes[2]
        slope = ahead[..., :2] / ahead[..., 2:]
        return self.place[:2] - self.place[2] * slope, slope


def aim(
    focal: float, shape: tuple[int, int], distance: float, tilt: float, way: float, roll: float,
    offset: Any = (0.0, 0.0), k1: float = 0.0,
) -> Camera:  # fmt: skip
    """A camera so far from the disc's centre, tilted towards `way` and rolled (radians); the
    centre appears `offset` pixels from the middle."""
    back = np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), np.cos(tilt)])
    right = np.cross([-np.sin(roll), np.cos(roll), 0.0], back)
    right /= np.linalg.norm(right)
    axes = np.stack((right, -np.cross(back, right), -back))
    place = distance * back - (np.asarray(offset) * distance / focal) @ axes[:2]
    return Camera(focal, shape, place, axes, k1)


def spread(field: Any, box: tuple[int, int, int, int]) -> Floats:
    """A field at every STEP-th pixel, interpolated in a box (left, top, right, bottom)."""
    left, top, right, low = box
    move = np.array([[1 / STEP, 0, left / STEP], [0, 1 / STEP, top / STEP]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    small = np.ascontiguousarray(field, np.float32)
    return cv2.warpAffine(small, move, (right - left, low - top), flags=flags, borderMode=1)


def soften(image: Pixels, deviation: float) -> Pixels:
    """An image blurred by a normal curve, on a coarser grid where the curve is wide."""
    shape, small = image.shape[1::-1], image
    while deviation > 6:
        small = cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        deviation /= 2
    small = cv2.GaussianBlur(small, (0, 0), max(0.5, deviation))
    return cv2.resize(small, shape) if small.shape[1::-1] != shape else small


def kernel(soft: float, defocus: float, shake: float, way: float, fine: int = 1) -> Floats:
    """How a point spreads: a normal curve of deviation `soft`, a disc of radius `defocus` (the
    aperture's image) and a stroke of length `shake`, in pixels, each of `fine` cells."""
    half = int(np.ceil(fine * (3 * soft + defocus + shake / 2))) + 1
    ups = 4
    size = (2 * half + 1) * ups
    y, x = (np.mgrid[:size, :size] - (size - 1) / 2) / ups / fine
    disc = (np.hypot(x, y) <= max(defocus, 0.75 / ups / fine)).astype(np.float32)
    if shake:
        along, across = x * np.cos(way) + y * np.sin(way), y * np.cos(way) - x * np.sin(way)
        bow = across - 0.3 * (along**2 / max(shake, 1.0) - shake / 12)
        line = ((np.abs(along) <= shake / 2) & (np.abs(bow) <= 0.5 / fine)).astype(np.float32)
        disc = cv2.filter2D(disc, -1, line, borderType=cv2.BORDER_CONSTANT)
    disc = cv2.GaussianBlur(disc, (0, 0), soft * ups * fine)
    small = disc.reshape(2 * half + 1, ups, 2 * half + 1, ups).sum(axis=(1, 3))
    return (small / small.sum()).astype(np.float32)


def own_light(spread_: Floats, jacobian: Reals, radius: float, fine: int) -> float:
    """The share of a hole's light that falls within the hole's own outline.

    `jacobian` is pixels a mm at the hole, `spread_` a kernel with `fine` cells a pixel.
    """
    half = int(np.ceil(fine * np.linalg.norm(jacobian, 2) * radius)) + 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1] / fine
    inverse = np.linalg.inv(jacobian)
    inside = np.hypot(*np.tensordot(inverse, np.stack((x, y)), 1)) <= radius
    mask = np.pad(inside.astype(np.float32), len(spread_) // 2)
    out = cv2.filter2D(mask, -1, spread_, borderType=cv2.BORDER_CONSTANT)
    return float(out[mask > 0].mean())


@dataclass(frozen=True)
class Sensor:
    """What becomes of light between lens and file.

    `electrons` fill a pixel at white, `read` is the noise of reading one in electrons; `tint` is
    the error of the white balance; `contrast` bends the tone curve; `clean` is how strongly noise
    is smoothed, and `crisp` the share of sharpening.
    """

    electrons: float
    read: float
    tint: tuple[float, float, float]
    contrast: float
    clean: float
    crisp: float

    def tone(self, linear: Any) -> NDArray[Any]:
        """Levels 0 to 255 of exposed light: the curve of IEC 61966-2-1, bent to an S."""
        x = np.clip(np.asarray(linear, np.float64) * self.tint, 0, 1)
        y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
        return 255 * (y - self.contrast * np.sin(2 * np.pi * y) / (2 * np.pi))

    def develop(self, light: Floats, rng: Rng) -> Pixels:
        """The picture that the telephone makes of exposed light."""
        h, w, _ = light.shape
        table = np.empty((3, 1 << 14), np.uint8)
        ramp = np.linspace(0, 1, 1 << 14)
        for c, levels in enumerate(self.tone(np.stack([ramp] * 3, axis=-1)).T):
            table[c] = np.round(levels)
        small = rng.standard_normal(((h + 1) // 2, (w + 1) // 2, 3), np.float32)
        out = np.empty((h, w, 3), np.uint8)
        for top in range(0, h, 256):
            part = np.clip(light[top : top + 256], 0, 1)
            own = cv2.resize(small[top // 2 : top // 2 + 128], part.shape[1::-1])
            # photons are counted by each colour; half of the noise is shared after demosaicing
            own += np.float32(0.75) * rng.standard_normal((*part.shape[:2], 1), np.float32)
            own *= np.sqrt(
                part / np.float32(self.electrons) + np.float32((self.read / self.electrons) ** 2)
            )
            part += own
            np.clip(part, 0, 1, out=part)
            part *= (1 << 14) - 1
            index = part.astype(np.uint16)
            for c in range(3):
                out[top : top + 256, :, c] = table[c][index[..., c]]
        if self.clean:
            # in strips that fit a processor's cache, with as many rows more as blurs reach
            tops = range(0, h, 256)
            parts = [
                self._smoothed(out[max(0, t - 16) : t + 272])[t - max(0, t - 16) :][:256]
                for t in tops
            ]
            out = np.concatenate(parts)
        if self.crisp:
            soft = cv2.GaussianBlur(out, (0, 0), 1.2)
            out = cv2.addWeighted(out, 1 + self.crisp, soft, -self.crisp, 0)
        return out

    def _smoothed(self, image: Pixels) -> Pixels:
        """Colour is blurred, and brightness where it varies no more than noise does (Lee 1980)."""
        y, red, blue = cv2.split(cv2.cvtColor(image, cv2.COLOR_RGB2YCrCb))
        red, blue = (cv2.GaussianBlur(c, (0, 0), 0.5 + 2 * self.clean) for c in (red, blue))
        bright = y.astype(np.float32)
        mean = cv2.blur(bright, (5, 5))
        spread_ = cv2.blur(bright * bright, (5, 5)) - mean * mean
        noise = np.float32((self.clean * 600 / np.sqrt(self.electrons)) ** 2)
        keep = np.maximum(spread_ - noise, 0) / np.maximum(spread_, 1e-3)
        y = np.clip(mean + keep * (bright - mean) + 0.5, 0, 255).astype(np.uint8)
        return cv2.cvtColor(cv2.merge((y, red, blue)), cv2.COLOR_YCrCb2RGB)
