"""What lies under, beside and over a photographed disc: tables, clutter, other discs, a hand.

Everything is drawn on a canvas in the plane of the disc; one canvas pixel is `mm` millimetres.
Colours are sRGB values of 0 to 255 (IEC 61966-2-1). Sizes of things (coins 16 to 26 mm, pens 8 to
12 mm, planks 60 to 140 mm, tiles 8 to 60 mm, thumbs 16 to 24 mm): from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.world.disc_b import disc_of, sites

Rng = np.random.Generator
Bytes = NDArray[np.uint8]
Reals = NDArray[np.float64]
TABLES = ("plain", "planks", "tiles", "stone", "cloth", "print", "gravel", "mat")
SHIFT = 4  # cv2 draws at 1/16 pixel


@dataclass
class Canvas:
    """A picture of the plane; `left` and `top` are the mm at its first pixel's centre, y up."""

    pixels: Bytes
    left: float
    top: float
    mm: float

    def at(self, points: Reals) -> Reals:
        """Pixel coordinates of points in mm."""
        return np.stack(
            ((points[..., 0] - self.left) / self.mm, (self.top - points[..., 1]) / self.mm), -1
        )

    def circle(self, centre: Reals, radius: float, colour: object) -> None:
        """Fill a circle, in mm."""
        x, y = np.rint(self.at(np.asarray(centre, float)) * 16).astype(int)
        r = round(radius / self.mm * 16)
        cv2.circle(self.pixels, (int(x), int(y)), r, colour, -1, cv2.LINE_AA, SHIFT)

    def polygon(self, points: Reals, colour: object) -> None:
        """Fill a polygon, in mm."""
        p = np.rint(self.at(points) * 16).astype(np.int32)
        cv2.fillPoly(self.pixels, [p], colour, cv2.LINE_AA, SHIFT)

    def line(self, points: Reals, width: float, colour: object) -> None:
        """Draw a line, in mm."""
        p = np.rint(self.at(points) * 16).astype(np.int32)
        thick = max(1, round(width / self.mm))
        cv2.polylines(self.pixels, [p], False, colour, thick, cv2.LINE_AA, SHIFT)


def noise_field(
    rng: Rng, shape: tuple[int, int], grains: tuple[float, float]
) -> NDArray[np.float32]:
    """Smooth noise of unit variance with grains of so many pixels down and across."""
    small = tuple(max(2, int(n / max(g, 1.0)) + 2) for n, g in zip(shape, grains, strict=True))
    field = rng.standard_normal(small, np.float32)
    out = cv2.resize(field, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return out / max(float(out.std()), 1e-6)


def table(rng: Rng, canvas: Canvas, kind: str, colour: Reals, depth: float) -> None:
    """Paint a table of a kind; its light and dark parts differ by about a factor 1 + depth."""
    h, w = canvas.pixels.shape[:2]
    mm = canvas.mm
    y, x = np.mgrid[0:h, 0:w].astype(np.float32) * np.float32(mm)
    turn = rng.uniform(0, np.pi)
    u = x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn))
    v = y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn))
    fine = noise_field(rng, (h, w), (0.5 / mm, 0.5 / mm))
    field = 0.1 * fine
    if kind == "planks":
        wide = rng.uniform(60, 140)
        plank = np.floor(v / wide).astype(int)
        tone = rng.normal(0, 0.5, 4096)[plank % 4096]
        rings = np.sin(
            v * np.float32(rng.uniform(0.3, 1.2)) + 3 * noise_field(rng, (h, w), (60, 60))
        )
        seam = (v % wide < 1.2) * -2.0
        field = field + tone + 0.5 * rings + seam
    elif kind == "tiles":
        side = rng.uniform(8, 60)
        field = field + np.where((u // side + v // side) % 2 > 0.5, 0.8, -0.8)
    elif kind == "stone":
        octaves = (2, 5, 12, 30)
        field = field + sum(0.5 * noise_field(rng, (h, w), (g / mm, g / mm)) for g in octaves)
    elif kind == "cloth":
        thread = rng.uniform(1.0, 4.0)
        field = field + 0.5 * np.sin(2 * np.pi * u / thread) + 0.5 * np.sin(2 * np.pi * v / thread)
        stripe = rng.uniform(15, 50)
        field = field + 0.6 * (u % stripe < stripe / 3) + 0.6 * (v % stripe < stripe / 3)
    elif kind == "gravel":
        stones = noise_field(rng, (h, w), (rng.uniform(1, 8) / mm,) * 2)
        field = field + 1.2 * np.tanh(3 * stones)
    elif kind == "mat":
        every = rng.choice([5.0, 10.0])
        field = field + 1.5 * ((u % every < 0.4) | (v % every < 0.4))
    elif kind == "print":
        lead = rng.uniform(3, 6)
        ink = noise_field(rng, (h, w), (0.8 / mm, 0.8 / mm)) > 0.2
        word = noise_field(rng, (h, w), (2 / mm, 9 / mm)) > -0.9
        field = field - 2.0 * (ink & word & (v % lead < 0.55 * lead))
    gain = np.exp(np.float32(np.log1p(depth) / 2) * field.astype(np.float32))
    # a gain of light is a gain ** (1 / 2.2) of the coded value
    coded = gain[..., None] ** np.float32(1 / 2.2) * colour.astype(np.float32)
    canvas.pixels[:] = np.clip(coded, 0, 255).astype(np.uint8)


def any_colour(rng: Rng) -> tuple[int, int, int]:
    """Any colour of a thing."""
    return tuple(int(c) for c in rng.integers(10, 250, 3))  # type: ignore[return-value]


def clutter(rng: Rng, canvas: Canvas, reach: float, things: int) -> None:
    """Coins, pens, papers, cables and pencil strokes, outside the radius `reach`."""
    for _ in range(things):
        where = rng.uniform(0, 2 * np.pi)
        far = reach * rng.uniform(1.05, 2.0)
        centre = far * np.array([np.cos(where), np.sin(where)])
        kind = rng.integers(5)
        along = rng.uniform(0, np.pi)
        axis = np.array([np.cos(along), np.sin(along)])
        side = np.array([-axis[1], axis[0]])
        if kind == 0:
            r = rng.uniform(8, 13)
            away = centre * (1 + r / far)
            canvas.circle(away, r, any_colour(rng))
            canvas.circle(away, 0.85 * r, any_colour(rng))
        elif kind == 1:
            tangent = np.array([-np.sin(where), np.cos(where)])
            ends = centre * 1.05 + np.outer([-1, 1], tangent) * rng.uniform(40, 80)
            canvas.line(ends, rng.uniform(8, 12), any_colour(rng))
        elif kind == 2:
            size = rng.uniform(30, 120, 2)
            away = centre * (1 + float(np.hypot(*size)) / far)
            corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size
            canvas.polygon(away + corners @ np.stack((axis, side)), any_colour(rng))
        elif kind == 3:
            t = np.linspace(-1, 1, 60)
            wave = centre * 1.15 + np.outer(t * 150, [-np.sin(where), np.cos(where)])
            wave += np.outer(np.sin(t * rng.uniform(2, 7)) * 0.08 * reach, centre / far)
            canvas.line(wave, rng.uniform(2, 6), any_colour(rng))
        else:
            points = centre * 1.1 + rng.normal(0, 0.06 * reach, (12, 2))
            canvas.line(points, rng.uniform(0.3, 1.0), any_colour(rng))


def other_disc(rng: Rng, canvas: Canvas, reach: float) -> None:
    """Another disc, wholly beside the one photographed (it may leave the picture)."""
    other = disc_of(rng, largest_bits=1500)
    g = other.geometry
    assert g is not None
    scale = min(1.0, reach * rng.uniform(0.5, 1.1) * 2 / g.outer_diameter)
    r = g.outer_diameter / 2 * scale
    where = rng.uniform(0, 2 * np.pi)
    centre = (reach + r) * rng.uniform(1.03, 1.25) * np.array([np.cos(where), np.sin(where)])
    body, hole = any_colour(rng), any_colour(rng)
    canvas.circle(centre, r, body)
    canvas.circle(centre, g.bore_diameter / 2 * scale, hole)
    data, clock = sites(other)
    cut = data[other.grid == other.layout.hole_means]
    for at in np.concatenate((cut, clock)):
        canvas.circle(centre + at * scale, g.hole_diameter / 2 * scale, hole)


def hand(rng: Rng, canvas: Canvas, rim: float, inmost: float) -> None:
    """A thumb from outside that ends between the rim and `inmost`, and two fingers behind it."""
    where = rng.uniform(0, 2 * np.pi)
    skin = np.array([224, 172, 140]) * rng.uniform(0.35, 1.05)
    wide = rng.uniform(8, 12)
    tip = max(rim - rng.uniform(2, 14), inmost)
    for turn, ends in ((0.0, tip), (0.28, rim), (-0.3, rim)):
        a = where + turn * 60 / rim
        unit = np.array([np.cos(a), np.sin(a)])
        lean = np.array([-np.sin(a), np.cos(a)]) * rng.normal(0, 0.3)
        line = np.stack((unit * (ends + wide), unit * (ends + wide) + (unit + lean) * 160))
        canvas.line(line, 2 * wide, (*skin.tolist(), 255))
        canvas.circle(line[0], wide, (*skin.tolist(), 255))
        if turn == 0:
            nail = (*np.minimum(skin * 1.12 + 12, 255).tolist(), 255)
            canvas.circle(line[0] - unit * 0.25 * wide, 0.55 * wide, nail)
