"""A camera: projection, lens, sensor and the steps to a JPEG file.

- Projection: a pinhole, tilted to the disc's plane; radial distortion 1 + k1 r^2 + k2 r^4 with r
  in half diagonals (Brown's model, its radial part). k1 of -0.12 to 0.05: from memory, for
  telephones and wide lenses without correction.
- Lens: blur as a filled circle (out of focus) and as a line (motion), light lost towards the
  corners as the fourth power of the cosine, and a part of all light spread over the picture
  (veiling glare).
- Sensor: colour filters in a Bayer pattern, shot noise (variance equal to the number of
  electrons), read noise. Electrons at saturation 150 to 12,000: a small sensor from bad to good
  light, from memory.
- Steps: white balance, demosaicking, noise reduction, sharpening, the transfer curve of sRGB (IEC
  61966-2-1) with an S-shaped contrast, JPEG with halved colour in most.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator

_CELL = 16


@dataclass(frozen=True)
class View:
    """From points in mm (x right, y up, z towards the camera) to pixels."""

    width: int
    height: int
    matrix: Reals
    """Of a point (x, y, z, 1) to homogeneous pixels without distortion, shape (3, 4)."""
    k1: float
    k2: float
    middle: tuple[float, float]
    """Where the optical axis meets the picture."""

    @property
    def _unit(self) -> float:
        return math.hypot(self.width, self.height) / 2

    def distorted(self, p: Reals) -> Reals:
        """Pixels without distortion to pixels, shape (..., 2)."""
        q = (p - self.middle) / self._unit
        r2 = (q**2).sum(axis=-1, keepdims=True)
        return q * (1 + self.k1 * r2 + self.k2 * r2**2) * self._unit + self.middle

    def _straight(self, p: Reals) -> Reals:
        q = (p - self.middle) / self._unit
        out = q
        for _ in range(8):
            r2 = (out**2).sum(axis=-1, keepdims=True)
            out = q / (1 + self.k1 * r2 + self.k2 * r2**2)
        return out * self._unit + self.middle

    def pixels(self, points: Reals, z: float = 0.0) -> Reals:
        """Points in mm of shape (..., 2) at a height to pixels."""
        flat = self.plane(z)
        h = points @ flat[:, :2].T + flat[:, 2]
        return self.distorted(h[..., :2] / h[..., 2:])

    def plane(self, z: float) -> Reals:
        """The homography of the plane at a height."""
        m = self.matrix
        return np.column_stack((m[:, 0], m[:, 1], m[:, 2] * z + m[:, 3]))

    def rays(
        self, z: float, box: tuple[int, int, int, int], scale: Reals, every: int = 1
    ) -> tuple[Floats, Floats]:
        """For each pixel of a box (left, top, right, bottom), where its ray meets a plane.

        `scale`, shape (2, 3), takes mm to the units wanted. Rays are traced once in a cell of 16
        pixels and interpolated between; with `every`, for the middles of squares of so many pixels.
        """
        left, top, right, bottom = box
        nx, ny = (-(-(b - a) // _CELL) + 2 for a, b in ((left, right), (top, bottom)))
        x = left + (np.arange(nx) - 1 + 0.5) * _CELL - 0.5
        y = top + (np.arange(ny) - 1 + 0.5) * _CELL - 0.5
        p = self._straight(np.stack(np.meshgrid(x, y), axis=-1))
        inverse = np.linalg.inv(self.plane(z))
        h = p @ inverse[:, :2].T + inverse[:, 2]
        mm = h[..., :2] / h[..., 2:]
        cell, wide, high = _CELL // every, (right - left) // every, (bottom - top) // every
        out = []
        for row in scale:
            coarse = (mm @ row[:2] + row[2]).astype(np.float32)
            fine = cv2.resize(coarse, (nx * cell, ny * cell), interpolation=cv2.INTER_LINEAR)
            out.append(fine[cell : cell + high, cell : cell + wide])
        return out[0], out[1]


def look(
    width: int,
    height: int,
    radius: float,
    fill: float,
    tilt: float,
    tilt_towards: float,
    roll: float,
    distance: float,
    shift: tuple[float, float],
    k1: float,
    k2: float,
) -> View:
    """A camera over a disc.

    Parameters
    ----------
    radius : float
        Of the disc, in mm.
    fill : float
        The disc's diameter as a share of the picture's shorter side.
    tilt, tilt_towards, roll : float
        In radians.
    distance : float
        From camera to disc, in disc diameters.
    shift : (float, float)
        Where the disc's centre is, in pixels from the picture's centre.
    """
    c, s = math.cos(roll), math.sin(roll)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    axis = np.array([-math.sin(tilt_towards), math.cos(tilt_towards), 0])
    cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    lean = np.eye(3) + math.sin(tilt) * cross + (1 - math.cos(tilt)) * cross @ cross
    rotation = lean @ turn @ np.diag([1.0, -1.0, -1.0])
    away = distance * 2 * radius
    focal = fill * min(width, height) / (2 * radius) * away
    middle = ((width - 1) / 2, (height - 1) / 2)
    k = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1]])
    at = np.array([shift[0] / focal * away, shift[1] / focal * away, away])
    return View(width, height, k @ np.column_stack((rotation, at)), k1, k2, middle)


@dataclass(frozen=True)
class Camera:
    """What happens to light on its way to a file."""

    defocus: float
    """Radius in pixels."""
    motion: float
    """Length in pixels, and its direction in radians."""
    motion_towards: float
    veil: float
    exposure: float
    """What the 98th percentile of the picture reaches of saturation."""
    electrons: float
    read_noise: float
    denoise: float
    sharpen: float
    contrast: float
    tint: tuple[float, float, float]
    """An error of the white balance."""
    vignette: float
    """Angle of view to the corner, as a tangent."""
    quality: int
    full_colour: bool
    orientation: int
    """EXIF: 1, 3, 6 or 8."""


def _kernel(defocus: float, motion: float, towards: float) -> Floats:
    """The blur's kernel, by eight samples to a pixel's side."""
    reach = math.ceil(defocus + motion / 2 + 1.0)
    size, fine = 2 * reach + 1, 8
    axis = (np.arange(size * fine) + 0.5) / fine - size / 2
    x, y = np.meshgrid(axis, axis)
    along = x * math.cos(towards) + y * math.sin(towards)
    across = -x * math.sin(towards) + y * math.cos(towards)
    # a circle drawn along a line; never smaller than diffraction and the pixel make it
    circle = math.hypot(defocus, 0.7)
    if motion > 0.5:
        past = np.maximum(np.abs(along) - motion / 2, 0)
        weight = 2 * np.sqrt(np.maximum(circle**2 - across**2, 0)) * (past < circle)
    else:
        weight = 1.0 * (np.hypot(x, y) < circle)
    k = weight.reshape(size, fine, size, fine).sum(axis=(1, 3))
    return (k / k.sum()).astype(np.float32)


_PEDESTAL = 0.03
"""Added to the raw picture and taken off later: it keeps the noise of black; share of white."""


def _transfer(contrast: float) -> Pixels:
    """Linear light in 16 bits, white short of their end by the pedestal, to sRGB in 8 bits."""
    x = np.minimum(np.linspace(0, 1 + _PEDESTAL, 65536), 1)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    bent = y * y * (3 - 2 * y)
    return np.round(255 * ((1 - contrast) * y + contrast * bent)).astype(np.uint8)


def develop(rng: Rng, light: Floats, camera: Camera) -> Pixels:
    """Light of shape (3, height, width) to pixels of shape (height, width, 3)."""
    _, height, width = light.shape
    # a wide blur leaves nothing that half the pixels would not show
    coarse = 2 if camera.defocus + camera.motion / 2 > 6 else 1
    kernel = _kernel(camera.defocus / coarse, camera.motion / coarse, camera.motion_towards)
    tiny = (width // 16, height // 16)
    small = [cv2.resize(plane, tiny, interpolation=cv2.INTER_AREA) for plane in light]
    gain = camera.exposure / (float(np.percentile(small, 98)) + 1e-6)
    y, x = np.mgrid[: tiny[1], : tiny[0]].astype(np.float32)
    r2 = 4 * ((x - tiny[0] / 2) ** 2 + (y - tiny[1] / 2) ** 2) / (tiny[0] ** 2 + tiny[1] ** 2)
    fall = gain / (1 + camera.vignette**2 * r2) ** 2
    lens = cv2.resize(fall * np.float32(1 - camera.veil), (width, height))
    # the raw picture: one colour a pixel, red and blue at a bit over half the sensitivity of green
    raw = np.empty((height, width), np.float32)
    places = ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2))
    sense = (0.55, 1.0, 0.6)
    for c, plane in enumerate(light):
        if coarse == 2:
            half = cv2.resize(plane, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
            half = cv2.filter2D(half, -1, kernel, borderType=cv2.BORDER_REFLECT)
            cv2.resize(half, (width, height), dst=plane)
        else:
            cv2.filter2D(plane, -1, kernel, dst=plane, borderType=cv2.BORDER_REFLECT)
        plane *= lens
        veil = cv2.GaussianBlur(small[c], (0, 0), tiny[0] / 6) * fall * np.float32(camera.veil)
        plane += cv2.resize(veil, (width, height))
        for dy, dx, colour in places:
            if colour == c:
                raw[dy::2, dx::2] = plane[dy::2, dx::2] * np.float32(sense[c] * camera.electrons)
    noise = rng.standard_normal((height, width), np.float32)
    noise *= cv2.sqrt(raw + np.float32(camera.read_noise**2))
    raw += noise
    for dy, dx, c in places:
        raw[dy::2, dx::2] *= np.float32(camera.tint[c] / sense[c])
    raw *= np.float32(65535 / (1 + _PEDESTAL) / camera.electrons)
    base = round(_PEDESTAL / (1 + _PEDESTAL) * 65535)
    raw += np.float32(base)
    sixteen = np.clip(raw, 0, 65535, out=raw).astype(np.uint16)
    rgb = cv2.demosaicing(sixteen, cv2.COLOR_BayerRGGB2RGB)
    if camera.denoise > 0.2:
        soft = cv2.blur(rgb, (3, 3))
        rgb = cv2.addWeighted(rgb, 1 - camera.denoise, soft, camera.denoise, -base)
    else:
        rgb = cv2.subtract(rgb, (base, base, base, 0))
    out = _transfer(camera.contrast)[rgb]
    if camera.sharpen > 0.2:
        soft = cv2.GaussianBlur(out, (5, 5), 1.2)
        out = cv2.addWeighted(out, 1 + camera.sharpen, soft, -camera.sharpen, 0)
    return out


_TURNS = {1: 0, 3: 2, 6: 1, 8: 3}
"""Quarter turns to the left that make the stored picture from the upright one."""


def jpeg(upright: Pixels, camera: Camera) -> tuple[Pixels, bytes]:
    """The file, and the picture that a viewer shows."""
    turns = _TURNS[camera.orientation]
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(upright, turns)))
    exif = Image.Exif()
    exif[0x0112] = camera.orientation
    exif[0x010F] = "Cairn Hut"
    out = io.BytesIO()
    stored.save(
        out,
        "JPEG",
        quality=camera.quality,
        subsampling=0 if camera.full_colour else 2,
        exif=exif,
    )
    data = out.getvalue()
    seen = np.asarray(Image.open(io.BytesIO(data)))
    return np.ascontiguousarray(np.rot90(seen, -turns)), data
