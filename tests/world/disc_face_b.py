"""The face of a disc as a texture: material, grain, engraving, cut edges, blocked and torn holes.

Scratches and pencil strokes may cross it. Layers: the disc's own coded colour (walls of holes
included), and `through`, the share of the table's light that comes through. A hole of depth h seen
along a slant shows the table only where its upper and lower edges overlap; that table lies in the
shade of the hole's wall.

Sheets of 0.3 to 5 mm; char at laser-cut edges of wood and card, bright edges of acrylic (light
guided in the sheet leaves at its edges): from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sonify import Disc
from tests.world.disc_b import angles, sites
from tests.world.table_b import Canvas, noise_field

Rng = np.random.Generator
Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Material:
    """A sheet: coded colour, grain (contrast, length over width, size in mm), edge and gloss."""

    colour: tuple[int, int, int]
    grain: tuple[float, float, float]
    edge: float  # coded colour of a wall over the face's
    gloss: float
    thick: float


MATERIALS = {
    "white card": Material((232, 229, 220), (0.02, 1, 0.4), 0.8, 0.05, 0.6),
    "grey board": Material((150, 147, 140), (0.06, 1, 0.5), 0.8, 0.02, 1.5),
    "black card": Material((38, 37, 39), (0.05, 1, 0.4), 0.9, 0.05, 0.4),
    "birch": Material((216, 184, 140), (0.10, 14, 0.5), 0.35, 0.10, 3.0),
    "oak": Material((165, 120, 76), (0.18, 20, 0.6), 0.35, 0.10, 4.0),
    "fibreboard": Material((158, 122, 88), (0.08, 1, 0.6), 0.3, 0.03, 3.0),
    "black acrylic": Material((24, 24, 27), (0.01, 1, 0.5), 1.8, 0.6, 3.0),
    "red acrylic": Material((176, 30, 34), (0.01, 1, 0.5), 1.35, 0.6, 3.0),
    "blue acrylic": Material((36, 70, 160), (0.01, 1, 0.5), 1.4, 0.6, 3.0),
    "brass": Material((190, 160, 92), (0.09, 40, 0.3), 0.8, 0.8, 1.0),
    "steel": Material((172, 174, 178), (0.08, 40, 0.3), 0.8, 0.8, 1.0),
    "painted green": Material((58, 92, 70), (0.04, 1, 0.8), 1.0, 0.2, 2.0),
}


def _stamp(canvas: Canvas, centres: Reals, diameter: float) -> None:
    for at in centres:
        canvas.circle(at, diameter / 2, 255)


def _empty(reach: float, size: int) -> Canvas:
    return Canvas(np.zeros((size, size), np.uint8), -reach, reach, 2 * reach / (size - 1))


def _torn(rng: Rng, centre: Reals, diameter: float) -> Reals:
    """The outline of a torn hole: ragged, up to 1.7 times as wide as drilled."""
    turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)
    r = diameter / 2 * (1 + rng.uniform(0, 0.7, 14))
    return centre + np.column_stack((r * np.cos(turn), r * np.sin(turn)))


def _shifted(mask: Floats, dx: float, dy: float) -> Floats:
    h, w = mask.shape
    return cv2.warpAffine(mask, np.float32([[1, 0, dx], [0, 1, dy]]), (w, h))


def engraved(rng: Rng, disc: Disc, canvas: Canvas, marks: set[str]) -> None:
    """Title, arrow and index mark, as lines and a triangle; only where there is room."""
    g = disc.geometry
    assert g is not None
    data, clock = sites(disc)
    every = np.hypot(*np.concatenate((data.reshape(-1, 2), clock)).T)
    low, high = g.bore_diameter / 2 + 0.5, every.min() - g.hole_diameter / 2 - 0.5
    rim, far = g.outer_diameter / 2, every.max() + g.hole_diameter / 2
    size = min(4.0, rim - far - 1)
    if "index" in marks and size > 0.6:
        tip = far + 0.5
        triangle = np.array([[0, tip], [-size / 2, tip + size], [size / 2, tip + size]])
        canvas.polygon(triangle, 255)
    if "arrow" in marks and high - low > 3:
        r = low + (high - low) * 0.3
        sense = 1 if disc.layout.turning == "clockwise" else -1
        a = np.linspace(-0.9, 0.9, 40) * sense
        arc = r * np.column_stack((np.sin(a), np.cos(a)))
        canvas.line(arc, 0.4, 255)
        head = min(3.0, 0.3 * (high - low))
        heading = np.array([np.cos(a[-1]), -np.sin(a[-1])]) * sense
        out = arc[-1] / r
        canvas.polygon(
            arc[-1] + head * np.array([heading, out * 0.5, -out * 0.5]) + heading * 0.1, 255
        )
    if "title" in marks and high - low > 5:
        text, font = disc.title or "Cairn Hut", cv2.FONT_HERSHEY_SIMPLEX
        tall = min(6.0, (high - low) * 0.25)
        wide = cv2.getTextSize(text, font, 1.0, 1)[0][0] * tall / 21
        tall *= min(1.0, 1.4 * high / wide)
        x, y = canvas.at(np.array([-0.5 * min(wide, 1.4 * high), -low - (high - low) * 0.6]))
        scale = tall / 21 / canvas.mm
        thick = max(1, round(0.4 / canvas.mm))
        cv2.putText(canvas.pixels, text, (int(x), int(y)), font, scale, 255, thick, cv2.LINE_AA)


def _scribbled(rng: Rng, rim: float, size: int, scratches: int, pencil: int) -> Floats:
    """Straight scratches of 0.05 to 0.3 mm, bright or dark, and curved pencil strokes."""
    tone = np.ones((size, size), np.float32)
    for number in range(scratches + pencil):
        lines = _empty(rim * 1.02, size)
        a, b = rng.uniform(-rim, rim, (2, 2))
        along = np.linspace(0, 1, 30)[:, None]
        if number < scratches:
            lines.line(a + (b - a) * along * rng.uniform(0.05, 0.8), rng.uniform(0.05, 0.3), 255)
            change = rng.uniform(-0.35, 0.35)
        else:
            bow = rng.normal(0, 0.2 * rim, 2) * np.sin(np.pi * along * rng.uniform(0.5, 3))
            lines.line(a + (b - a) * along + bow, rng.uniform(0.3, 0.8), 255)
            change = -rng.uniform(0.15, 0.6)
        tone *= 1 + np.float32(change / 255) * lines.pixels
    return tone


@dataclass(frozen=True)
class Face:
    """Layers in the disc's own coordinates: coded RGB and `through`, both bytes, and their map."""

    layers: Bytes  # (size, size, 4)
    canvas: Canvas


def face_of(
    rng: Rng, disc: Disc, cut: NDArray[np.int8], torn: NDArray[np.bool_], size: int, *,
    material: Material, colour: Reals, lean: Reals, light: Reals, depth: float, shade: float,
    marks: set[str], scratches: int, pencil: int,
) -> Face:  # fmt: skip
    """Paint a disc.

    `cut` has 1 at each open data hole; `lean` and `light` are the slant of sight and of light,
    mm across per mm of depth, in the disc's coordinates; `depth` is from the face to the table.
    """
    g = disc.geometry
    assert g is not None
    rim = g.outer_diameter / 2
    data, clock = sites(disc)
    open_ = _empty(rim * 1.02, size)
    _stamp(open_, data[(cut == 1) & ~torn], g.hole_diameter)
    _stamp(open_, clock, g.hole_diameter)
    _stamp(open_, np.zeros((1, 2)), g.bore_diameter)
    for at in data[(cut == 1) & torn]:
        open_.polygon(_torn(rng, at, g.hole_diameter), 255)
    solid = _empty(rim * 1.02, size)
    solid.circle(np.zeros(2), rim, 255)
    holes = open_.pixels.astype(np.float32) / 255
    inside = solid.pixels.astype(np.float32) / 255
    mm = open_.mm
    walls = min(material.thick, depth)
    # y runs down in the texture, hence the signs
    lower = _shifted(holes, -lean[0] * walls / mm, lean[1] * walls / mm)
    seen = np.minimum(holes, lower)
    lit = _shifted(holes, -light[0] * depth / mm, light[1] * depth / mm)
    lit = cv2.GaussianBlur(lit, (0, 0), max(0.3, 0.25 * depth / mm))
    through = seen * (1 - shade + shade * lit) + (1 - inside)
    contrast, ratio, grain = material.grain
    long = (max(grain * ratio / mm, 1), max(grain / mm, 1))
    streaks = noise_field(rng, (size, size), long)
    streaks += 0.7 * noise_field(rng, (size, size), (8 * grain / mm,) * 2)
    face = np.exp(np.float32(contrast / 2) * streaks)
    # the upper edge catches light on the side that faces it
    slope = cv2.Sobel(cv2.GaussianBlur(inside - holes, (0, 0), max(0.6, 0.12 / mm)), -1, 1, 0)
    up = cv2.Sobel(cv2.GaussianBlur(inside - holes, (0, 0), max(0.6, 0.12 / mm)), -1, 0, 1)
    way = light / max(float(np.hypot(*light)), 1e-6)
    face *= 1 + np.float32(0.12) * (slope * np.float32(way[0]) - up * np.float32(way[1]))
    if marks:
        lines = _empty(rim * 1.02, size)
        engraved(rng, disc, lines, marks)
        tone = 0.45 if colour.mean() > 60 else 2.2
        face *= 1 + np.float32(tone - 1) * (lines.pixels.astype(np.float32) / 255)
    face *= _scribbled(rng.spawn(1)[0], rim, size, scratches, pencil)
    burn = cv2.GaussianBlur(holes, (0, 0), max(0.5, 0.2 / mm))
    face *= 1 + np.float32((material.edge - 1) * 0.35) * burn
    body = (inside - holes) * face + (holes - seen) * np.float32(material.edge)
    layers = np.empty((size, size, 4), np.uint8)
    for channel in range(3):
        layers[..., channel] = np.clip(body * np.float32(colour[channel]), 0, 255)
    layers[..., 3] = np.clip(through, 0, 1) * 255
    return Face(layers, open_)


__all__ = ["MATERIALS", "Face", "Material", "angles", "face_of"]
