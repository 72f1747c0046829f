"""What a camera looks at: a disc as layers, tables, and the geometry between them and the picture.

Plane coordinates are mm on the disc's face, x to the right and y downwards in the picture's sense
(the disc's own y, which points up, with its sign changed), the origin on the axis.

Camera. A pinhole: a point X of the scene, at R (x, y, z) + (cx, cy, distance) from the lens, falls
on f X / Z. So the plane z = h goes to the picture by the homography K [r1 r2 h r3 + t] (Hartley and
Zisserman, Multiple View Geometry in Computer Vision). Lens distortion is radial, the undistorted
point being p (1 + k1 r^2 + k2 r^4) with r in units of half the picture's diagonal (the polynomial
of Brown 1971, in the direction that undistorts).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sonify import Disc
from tests.world.disc_a import row_radii

SHIFT = 4  # cv2 draws with so many binary places


@dataclass(frozen=True)
class Camera:
    """A pinhole with a radial lens error. Lengths in mm, picture in pixels."""

    width: int
    height: int
    focal: float
    rotation: np.ndarray
    shift: np.ndarray
    k1: float
    k2: float

    def homography(self, z: float) -> np.ndarray:
        """From the plane at height z over the disc's face (below 0: behind it) to the picture."""
        k = np.array(
            [[self.focal, 0, self.width / 2], [0, self.focal, self.height / 2], [0, 0, 1.0]]
        )
        r = self.rotation
        return k @ np.column_stack((r[:, 0], r[:, 1], -z * r[:, 2] + self.shift))

    def project(self, points: np.ndarray, z: float = 0.0) -> np.ndarray:
        """Points of a plane, shape (n, 2), to pixels of the picture with its lens error."""
        flat = np.column_stack((points, np.ones(len(points)))) @ self.homography(z).T
        centre = np.array([self.width, self.height]) / 2
        half = np.hypot(*centre)
        ideal = (flat[:, :2] / flat[:, 2:] - centre) / half
        real = ideal.copy()
        for _ in range(12):
            r2 = (real**2).sum(axis=1, keepdims=True)
            real = ideal / (1 + self.k1 * r2 + self.k2 * r2 * r2)
        return real * half + centre

    def plane(self, z: float, top: int, bottom: int) -> tuple[np.ndarray, np.ndarray]:
        """Where the pixels of some lines look at on the plane at z: x and y in mm."""
        centre = np.array([self.width, self.height]) / 2
        half = float(np.hypot(*centre))
        x = ((np.arange(self.width) + 0.5 - centre[0]) / half).astype(np.float32)[None, :]
        y = ((np.arange(top, bottom) + 0.5 - centre[1]) / half).astype(np.float32)[:, None]
        r2 = x * x + y * y
        factor = 1 + self.k1 * r2 + self.k2 * (r2 * r2)
        px, py = factor * x * half, factor * y * half
        h = np.linalg.inv(self.homography(z))
        shift = np.array([[1, 0, centre[0]], [0, 1, centre[1]], [0, 0, 1.0]])
        a = (h @ shift).astype(np.float32)
        w = 1 / (a[2, 0] * px + a[2, 1] * py + a[2, 2])
        return (
            (a[0, 0] * px + a[0, 1] * py + a[0, 2]) * w,
            (a[1, 0] * px + a[1, 1] * py + a[1, 2]) * w,
        )


def rotation(tilt: float, axis: float, turn: float) -> np.ndarray:
    """A turn in the picture's plane, then a tilt about an axis in it; all in rad."""
    k = np.array([np.cos(axis), np.sin(axis), 0.0])
    return cv2.Rodrigues(k * tilt)[0] @ cv2.Rodrigues(np.array([0, 0, turn]))[0]


def sites(disc: Disc) -> tuple[np.ndarray, np.ndarray]:
    """The places of data, shape (rows, positions, 2), and of the clock row, (positions, 2)."""
    sizes = disc.geometry
    assert sizes is not None
    n = disc.positions
    turn = 2 * np.pi * np.arange(n) / n * (-1 if disc.layout.turning == "clockwise" else 1)
    ray = np.column_stack((np.sin(turn), -np.cos(turn)))
    return row_radii(disc)[:, None, None] * ray, sizes.clock_radius * ray


@dataclass(frozen=True)
class Layers:
    """A disc drawn flat: uint8 masks of the same shape, and pixels a mm.

    `masks` has the channels body (255 inside the rim), openings (holes and bore), engraving, and
    edges (a thin ring about each opening and the rim).
    """

    masks: np.ndarray
    scale: float

    @property
    def centre(self) -> float:
        """The axis, in pixels."""
        return self.masks.shape[0] / 2


def layers(
    disc: Disc,
    scale: float,
    rng: np.random.Generator,
    *,
    engraving: tuple[str, ...] = (),
    blocked: np.ndarray | None = None,
    torn: np.ndarray | None = None,
    edge: float = 0.3,
) -> Layers:
    """Draw a disc's masks; `blocked` and `torn` are (n, 2) rows and positions."""
    sizes = disc.geometry
    assert sizes is not None
    size = int(np.ceil(sizes.outer_diameter * scale)) + 8
    body, hole, mark, ring = (np.zeros((size, size), np.uint8) for _ in range(4))
    one = 1 << SHIFT

    def at(p: np.ndarray) -> tuple[int, int]:
        x, y = np.round((p * scale + size / 2 - 0.5) * one).astype(int)
        return int(x), int(y)

    def dot(image: np.ndarray, p: np.ndarray, diameter: float, value: int = 255) -> None:
        cv2.circle(image, at(p), round(diameter / 2 * scale * one), value, -1, cv2.LINE_AA, SHIFT)

    def rim(p: np.ndarray, diameter: float) -> None:
        thick = max(1, round(edge * scale))
        radius = round(diameter / 2 * scale * one)
        cv2.circle(ring, at(p), radius, 255, thick, cv2.LINE_AA, SHIFT)

    origin = np.zeros(2)
    dot(body, origin, sizes.outer_diameter)
    dot(hole, origin, sizes.bore_diameter)
    rim(origin, sizes.outer_diameter)
    rim(origin, sizes.bore_diameter)
    data, clock = sites(disc)
    cut = disc.grid == disc.layout.hole_means
    if blocked is not None:
        cut = cut.copy()
        cut[blocked[:, 0], blocked[:, 1]] = False
    for p in (*data[cut], *clock):
        dot(hole, p, sizes.hole_diameter)
        rim(p, sizes.hole_diameter)
    for r, k in torn if torn is not None else ():
        turns = np.sort(rng.uniform(0, 2 * np.pi, 9))
        reach = sizes.hole_diameter / 2 * rng.uniform(0.9, 1.35, 9)
        ragged = data[r, k] + reach[:, None] * np.column_stack((np.cos(turns), np.sin(turns)))
        cv2.fillPoly(hole, [np.array([at(p) for p in ragged])], 255, cv2.LINE_AA, SHIFT)
    _engrave(mark, disc, scale, engraving, at)
    return Layers(cv2.merge((body, hole, mark, ring)), scale)


def _engrave(mark, disc, scale, engraving, at):  # type: ignore[no-untyped-def]
    """The index mark, the arrow of rotation and the title, where a drawing of a disc has them."""
    sizes = disc.geometry
    radii = row_radii(disc)
    outermost = max(radii.max(), sizes.clock_radius) + sizes.hole_diameter / 2
    innermost = min(radii.min(), sizes.clock_radius) - sizes.hole_diameter / 2
    rim, bore = sizes.outer_diameter / 2, sizes.bore_diameter / 2
    pen = max(1, round(0.4 * scale))
    if "index" in engraving:
        tall = 0.8 * (rim - outermost)
        corners = np.array([[0, -rim + tall], [-tall / 2, -rim], [tall / 2, -rim]])
        cv2.fillPoly(mark, [np.array([at(p) for p in corners])], 255, cv2.LINE_AA, SHIFT)
    room = innermost - bore
    if "arrow" in engraving and room > 6:
        way = 1 if disc.layout.turning == "clockwise" else -1
        radius = bore + 0.45 * room
        turns = way * np.linspace(-0.7, 0.7, 40)
        arc = radius * np.column_stack((np.sin(turns), -np.cos(turns)))
        cv2.polylines(mark, [np.array([at(p) for p in arc])], False, 255, pen, cv2.LINE_AA, SHIFT)
        tip, back = arc[-1], arc[-6] - arc[-1]
        back = back / np.hypot(*back) * 0.15 * room
        for side in (0.5, -0.5):
            c, s = np.cos(side), np.sin(side)
            barb = tip + np.array([c * back[0] - s * back[1], s * back[0] + c * back[1]])
            cv2.line(mark, at(tip), at(barb), 255, pen, cv2.LINE_AA, SHIFT)
    if "title" in engraving and room > 6:
        tall = 0.25 * room
        font = cv2.FONT_HERSHEY_SIMPLEX
        (w, h), _ = cv2.getTextSize(disc.title, font, 1.0, 1)
        size = min(tall * scale / h, 1.5 * innermost * scale / w)
        x = mark.shape[0] / 2 - w * size / 2
        y = mark.shape[0] / 2 + (bore + 0.35 * room) * scale + h * size / 2
        cv2.putText(mark, disc.title, (int(x), int(y)), font, size, 255, pen, cv2.LINE_AA)


def look(
    image: np.ndarray, x: np.ndarray, y: np.ndarray, scale: float, centre: float, wrap: bool = False
) -> np.ndarray:
    """An image of so many pixels a mm, seen at x and y in mm; nothing, or itself again, around."""
    border = cv2.BORDER_WRAP if wrap else cv2.BORDER_CONSTANT
    f, c = np.float32(scale), np.float32(centre - 0.5)
    return cv2.remap(image, x * f + c, y * f + c, cv2.INTER_LINEAR, borderMode=border)


TABLES = ("plain", "cloth", "wood", "checks", "lines", "dots", "stone", "print")


def table_tile(kind: str, rng: np.random.Generator, size: int = 1024) -> np.ndarray:
    """A tile that repeats, uint8: 0 is the table's first colour and 255 its second."""
    noise = rng.random((size, size), dtype=np.float32)
    fine = cv2.GaussianBlur(noise, (0, 0), 1.2, borderType=cv2.BORDER_REFLECT)
    fine = (fine - 0.5) * 2.0
    y, x = np.mgrid[0:size, 0:size].astype(np.float32) / size
    whole = 2 * np.pi
    if kind == "wood":
        wave = np.sin(whole * 9 * y + 3 * np.sin(whole * x) + 2 * np.sin(whole * 2 * y))
        base = 0.5 + 0.3 * wave
    elif kind == "checks":
        base = ((np.floor(x * 16) + np.floor(y * 16)) % 2) * 0.8 + 0.1
    elif kind == "lines":
        base = (np.abs((y * 24) % 1 - 0.5) < 0.07) * 0.9
    elif kind == "dots":
        base = (np.hypot((x * 16) % 1 - 0.5, (y * 16) % 1 - 0.5) < 0.27) * 0.9
    elif kind == "stone":
        coarse = cv2.resize(rng.random((64, 64), dtype=np.float32), (size, size))
        base = (coarse > 0.62) * 0.5 + 0.2
    elif kind == "print":
        base = np.zeros((size, size), np.float32)
        for line in range(20, size, 28):
            at = 10
            while at < size - 60:
                long = int(rng.integers(10, 50))
                base[line : line + 9, at : at + long : 5] = 0.9
                base[line : line + 9, at + 1 : at + long : 5] = 0.9
                at += long + 8
    elif kind == "cloth":
        base = 0.5 + 0.15 * np.sin(whole * 128 * x) + 0.15 * np.sin(whole * 128 * y)
    else:
        base = np.full((size, size), 0.5, np.float32)
    return np.clip((base + 0.25 * fine) * 255, 0, 255).astype(np.uint8)


def wood_tile(rng: np.random.Generator, size: int = 1024) -> np.ndarray:
    """The uneven face of a disc, uint8, 128 in the mean."""
    long, short = rng.integers(4, 12), rng.integers(60, 200)
    streaks = cv2.resize(
        rng.random((short, long), dtype=np.float32), (size, size), interpolation=cv2.INTER_CUBIC
    )
    fine = cv2.GaussianBlur(rng.random((size, size), dtype=np.float32), (0, 0), 1.0)
    return np.clip(128 + 90 * (streaks - 0.5) + 120 * (fine - 0.5), 0, 255).astype(np.uint8)
