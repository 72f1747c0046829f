"""A pinhole camera with radial distortion, and its sensor.

- Rays: x = x_d (1 + k r_d^2) from the distorted point, the inverse form of Brown's radial term
  (D. C. Brown, "Close-range camera calibration", 1971, from memory). k = -0.04 to 0.16: phone main
  to wide lenses, from memory.
- Focal length 0.65 to 1.6 of the picture's longer side (24 to 57 mm on 36 mm film): from memory.
- Natural vignetting: cos^4 of the ray's angle (textbook).
- Defocus is a disc of confusion, motion blur a line, both in linear light (textbook optics).
- Sensor: photon (Poisson, here normal) noise, read noise, an sRGB curve (IEC 61966-2-1). 3,000
  to 9,000 electrons at white at base gain, divided by gains of 1 to 24: from memory, small pixels.
  Demosaicing correlates the noise of neighbours: a blur of noise by 0.6 pixels, by eye.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Rng = np.random.Generator
Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]

_CODED = np.linspace(0, 1, 256)
TO_LINEAR = np.where(_CODED <= 0.04045, _CODED / 12.92, ((_CODED + 0.055) / 1.055) ** 2.4)
"""sRGB's curve for each coded byte."""
_LEVELS = np.linspace(0, 1, 4096)
TO_CODED = 255 * np.where(
    _LEVELS <= 0.0031308, 12.92 * _LEVELS, 1.055 * _LEVELS ** (1 / 2.4) - 0.055
)


def linear(coded: Bytes) -> Floats:
    """Linear light, 0 to 1, of coded pixels."""
    return cv2.LUT(coded, TO_LINEAR.astype(np.float32))


@dataclass(frozen=True)
class Camera:
    """A camera that looks at the plane z = 0; lengths in mm, f in pixels."""

    width: int
    height: int
    focal: float
    k: float
    axes: Reals  # rows: right, up, back, in the plane's coordinates
    eye: Reals

    @classmethod
    def looking(
        cls, shape: tuple[int, int], focal: float, k: float, pose: tuple[float, float, float],
        distance: float, target: Reals,
    ) -> Camera:  # fmt: skip
        """From tilt, its direction and roll in rad; the axis meets the plane at `target`."""
        tilt, way, roll = pose
        back = np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), np.cos(tilt)])
        right = np.array([np.cos(roll), np.sin(roll), 0.0])
        right -= back * (right @ back)
        right /= np.linalg.norm(right)
        axes = np.stack((right, np.cross(back, right), back))
        return cls(shape[1], shape[0], focal, k, axes, np.append(target, 0.0) + distance * back)

    def plane(self, u: Reals, v: Reals) -> tuple[Reals, Reals]:
        """Where the rays of pixels meet the plane (x, y; last axis), and cos of their angle."""
        x, y = (u - (self.width - 1) / 2) / self.focal, (v - (self.height - 1) / 2) / self.focal
        gain = 1 + self.k * (x**2 + y**2)
        rays = np.stack((x * gain, -y * gain, -np.ones_like(x)), -1)
        cos = 1 / np.linalg.norm(rays, axis=-1)
        world = rays @ self.axes
        reach = -self.eye[2] / np.minimum(world[..., 2], -1e-3)
        return self.eye[:2] + reach[..., None] * world[..., :2], cos

    def pixels(self, points: Reals) -> Reals:
        """The pixels (u, v) of points on the plane."""
        full = np.concatenate((points, np.zeros((*points.shape[:-1], 1))), -1) - self.eye
        seen = full @ self.axes.T
        x, y = seen[..., 0] / -seen[..., 2], -seen[..., 1] / -seen[..., 2]
        r = np.hypot(x, y)
        bent = r.copy()
        for _ in range(20):
            bent = bent - (bent * (1 + self.k * bent**2) - r) / (1 + 3 * self.k * bent**2)
        gain = np.divide(bent, r, out=np.ones_like(r), where=r > 1e-12) * self.focal
        return np.stack((x * gain + (self.width - 1) / 2, y * gain + (self.height - 1) / 2), -1)

    def maps(self, every: int) -> tuple[Floats, Floats]:
        """Plane coordinates and cosines of a coarse grid with one cell to spare on each side."""
        h, w = -(-self.height // every) + 2, -(-self.width // every) + 2
        u = (np.arange(w) - 1 + 0.5) * every - 0.5
        v = (np.arange(h) - 1 + 0.5) * every - 0.5
        where, cos = self.plane(*np.meshgrid(u, v))
        return where.astype(np.float32), cos.astype(np.float32)

    def strip(self, coarse: Floats, rows: slice, every: int) -> Floats:
        """A coarse field of `maps` for each pixel of some rows, which begin with a whole cell."""
        first, last = rows.start // every, -(-rows.stop // every) + 2
        part = np.ascontiguousarray(coarse[first:last])
        h, w = part.shape
        big = cv2.resize(part, (w * every, h * every), interpolation=cv2.INTER_LINEAR)
        return big[every : every + rows.stop - rows.start, every : every + self.width]

    def smaller(self, fewer: int) -> Camera:
        """The same view with `fewer` times fewer pixels each way."""
        return replace(
            self,
            width=self.width // fewer,
            height=self.height // fewer,
            focal=self.focal / fewer,
        )


def blurred(light: Floats, defocus: float, motion: float, way: float) -> Floats:
    """Defocus by a disc of so many pixels across, and motion along a line."""
    if defocus > 8:
        # so much blur leaves nothing finer than two pixels, so half the pixels hold it
        h, w = light.shape[:2]
        half = cv2.resize(light, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        return cv2.resize(blurred(half, defocus / 2, motion / 2, way), (w, h))
    if defocus > 0.7:
        n = int(np.ceil(defocus / 2)) * 2 + 1
        y, x = np.mgrid[0:n, 0:n] - n // 2
        kernel = np.clip(defocus / 2 + 0.5 - np.hypot(x, y), 0, 1)
        light = cv2.filter2D(light, -1, (kernel / kernel.sum()).astype(np.float32))
    if motion > 0.7:
        n = int(np.ceil(motion / 2)) * 2 + 3
        y, x = np.mgrid[0:n, 0:n] - n // 2
        along, across = x * np.cos(way) + y * np.sin(way), y * np.cos(way) - x * np.sin(way)
        kernel = np.clip(motion / 2 + 0.5 - abs(along), 0, 1) * np.clip(1 - abs(across), 0, 1)
        light = cv2.filter2D(light, -1, (kernel / kernel.sum()).astype(np.float32))
    return light


def sensed(rng: Rng, light: Floats, electrons: float, read: float, sharpen: float) -> Bytes:
    """Coded pixels of a picture in linear light, 1 = white."""
    h, w = light.shape[:2]
    # large pictures take a tile of noise; its repeat of 2,048 pixels is far beyond a hole's size
    tile = rng.standard_normal((min(h, 2048), min(w, 2048), 3), np.float32)
    tile = cv2.GaussianBlur(tile, (0, 0), 0.6)
    tile /= tile.std()
    table = (TO_CODED + 0.5).astype(np.uint8)
    coded = np.empty(light.shape, np.uint8)
    across = -(-w // tile.shape[1])
    step = 128  # rows at a time, so that all of it stays in the processor's cache
    for top in range(0, h, step):
        part = light[top : top + step]
        rows = np.arange(top, top + len(part)) % len(tile)
        noise = np.tile(tile[rows], (1, across, 1))[:, :w]
        spread = np.sqrt(np.maximum(part, 0) * np.float32(1 / electrons) + np.float32(read**2))
        noise *= spread
        noise += part
        noise *= np.float32(4095)
        coded[top : top + step] = table[np.clip(noise, 0, 4095, out=noise).astype(np.uint16)]
    if sharpen > 0:
        coded = cv2.addWeighted(
            coded, 1 + sharpen, cv2.GaussianBlur(coded, (0, 0), 1.2), -sharpen, 0
        )
    return coded


def jpeg_of(pixels: Bytes, quality: int, orientation: int, when: str) -> bytes:
    """A JPEG file whose EXIF says how to turn it."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x0110] = "Hut Phone 2"
    exif[0x0132] = when
    out = io.BytesIO()
    Image.fromarray(pixels).save(
        out, "JPEG", quality=quality, subsampling=2 if quality < 90 else 0, exif=exif.tobytes()
    )
    return out.getvalue()
