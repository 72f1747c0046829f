"""A picture of the finished disc, lying on a table in daylight."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError, close_matches
from sonify.export.drawing.drawing import Drawing
from sonify.progress import report

__all__ = ["MATERIALS", "Material", "png"]

Field = NDArray[np.float32]

SMALLEST, LARGEST = 64, 4000
MARGIN = 0.06
"""Of the picture's size, on each side."""
LIGHT = np.array([-0.62, 0.62], np.float32)
"""Where the light comes from: x to the right, y up."""
CHUNK = 4_000_000
BAND = 256


class Material(NamedTuple):
    """A material: its colours, what it lies on, and its surface.

    `edge` tints the cut edges, `gloss` is how much they catch the light, `thick` is its
    thickness in mm, and `grain` gives the brightness of its surface.
    """

    about: str
    colour: str
    edge: str
    engraved: str
    table: str
    gloss: float
    thick: float
    grain: Callable[[int, np.random.Generator], Field]


def _noise(size: int, across: float, up: float, rng: np.random.Generator) -> Field:
    """Smooth noise with so many waves across and up, from about -1 to 1."""
    from PIL import Image

    shape = (max(2, round(up)) + 1, max(2, round(across)) + 1)
    small = Image.fromarray(rng.standard_normal(shape).astype(np.float32))
    out: Field = np.asarray(small.resize((size, size), Image.Resampling.BICUBIC), np.float32)
    return out


def _flat(size: int, rng: np.random.Generator) -> Field:
    return np.float32(1) + np.float32(0.012) * _noise(size, 3, 3, rng)


def _fibres(size: int, rng: np.random.Generator) -> Field:
    out: Field = 1 + 0.02 * _noise(size, 90, 90, rng) + 0.03 * _noise(size, 260, 260, rng)
    return out


def _wood(size: int, rng: np.random.Generator) -> Field:
    """Rings cut along the trunk, and fine pores along them."""
    y = np.linspace(0, 1, size, dtype=np.float32)[:, None]
    bend = 0.09 * _noise(size, 2, 2, rng) + 0.012 * _noise(size, 5, 9, rng)
    rings = (y + bend) * 17
    wave = np.abs((rings % 1.0) - 0.5) * 2
    bands = 1 - 0.10 * wave**3 - 0.03 * _noise(size, 2, 40, rng)
    pores = 0.035 * _noise(size, 14, size / 4, rng)
    out: Field = (bands + pores).astype(np.float32)
    return out


def _brushed(size: int, rng: np.random.Generator) -> Field:
    """Fine strokes across, and a broad sheen."""
    x = np.linspace(-1, 1, size, dtype=np.float32)
    sheen = 0.13 * np.exp(-(((x[None, :] + x[:, None]) / 0.55) ** 2))
    strokes = 0.045 * _noise(size, 3, size / 2, rng) + 0.02 * _noise(size, 8, size / 5, rng)
    out: Field = (0.95 + sheen + strokes).astype(np.float32)
    return out


MATERIALS: dict[str, Material] = {
    "birch": Material(
        "birch plywood", "#dcb988", "#6e4a28", "#5b3a1e", "#39434d", 0.18, 3.0, _wood
    ),
    "oak": Material("oak", "#b98a56", "#5a3b20", "#3d2612", "#262b30", 0.18, 4.0, _wood),
    "mdf": Material("fibreboard", "#b5946c", "#4d3826", "#4a3422", "#39434d", 0.10, 3.0, _fibres),
    "card": Material("card", "#efe9dc", "#cfc6b2", "#8f8670", "#47525c", 0.10, 1.0, _fibres),
    "acrylic-black": Material(
        "black acrylic", "#1c1e21", "#3a3f46", "#aab2ba", "#e6e3dc", 0.55, 3.0, _flat
    ),
    "acrylic-red": Material(
        "red acrylic", "#b3202c", "#e2606a", "#f3c9c9", "#e6e3dc", 0.5, 3.0, _flat
    ),
    "brass": Material("brass", "#cda850", "#e9cf86", "#6f5720", "#2d3238", 0.6, 1.5, _brushed),
    "steel": Material("steel", "#b4babf", "#d8dde1", "#4a5056", "#2d3238", 0.6, 1.5, _brushed),
}


def png(drawing: Drawing, size: int = 1600, material: str = "birch") -> bytes:
    """The picture as PNG, `size` pixels wide and high.

    Raises
    ------
    InputError
        A material that is not known, or a size out of range.
    """
    if material not in MATERIALS:
        raise InputError(
            f"'{material}' is not a known material{close_matches(material, MATERIALS)}; one of: "
            f"{', '.join(MATERIALS)}",
            key="material",
        )
    if not SMALLEST <= size <= LARGEST:
        raise InputError(
            f"{size} pixels are out of range; from {SMALLEST} to {LARGEST}", key="size"
        )
    from PIL import Image

    pixels = _paint(drawing, size, MATERIALS[material])
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG", compress_level=7)
    return stream.getvalue()


def _rgb(colour: str) -> Field:
    out: Field = np.frombuffer(bytes.fromhex(colour[1:]), np.uint8).astype(np.float32)
    return out / np.float32(255)


def _paint(drawing: Drawing, size: int, material: Material) -> NDArray[np.uint8]:
    """The picture, put together band by band: colours take three times the memory of a field."""
    rng = np.random.default_rng(7)
    scale = size * (1 - 2 * MARGIN) / drawing.diameter
    depth = _depth(drawing, size, scale)
    cover = np.clip(depth + 0.5, 0, 1)
    # the table lies in the shadow of the disc
    throw = max(1.0, material.thick * 0.55 * scale)
    shadow = _blur(_shift(cover, throw * -LIGHT[0], throw * -LIGHT[1]), throw * 0.45)
    dark = (1 - 0.55 * shadow) * (1 - 0.18 * _blur(cover, max(0.6, throw * 0.2)))
    dark *= 1 + 0.02 * _noise(size, 120, 120, rng)
    del shadow
    grain = material.grain(size, rng)
    report(0.4)
    engraved = _engraved(drawing, size, scale)
    out = np.empty((size, size, 3), np.uint8)
    for top in range(0, size, BAND):
        report(0.5 + 0.5 * top / size)
        # a line more on each side, for the slope
        low, high = max(0, top - 1), min(size, top + BAND + 1)
        own = slice(top - low, min(size, top + BAND) - low)
        part = slice(top, min(size, top + BAND))
        slope: list[Field] = list(np.gradient(depth[low:high]))
        up, across = slope[0][own], slope[1][own]
        out[part] = _blend(
            material, scale, depth[part], cover[part], up, across, dark[part], grain[part],
            engraved[part],
        )  # fmt: skip
    return out


def _blend(
    material: Material,
    scale: float,
    depth: Field,
    cover: Field,
    up: Field,
    across: Field,
    dark: Field,
    grain: Field,
    engraved: Field,
) -> NDArray[np.uint8]:
    """Material over table, its edges lit and tinted."""
    share = 0.85 * engraved[..., None]
    colour = _rgb(material.colour) * grain[..., None] * (1 - share)
    colour += _rgb(material.engraved) * share
    bevel = max(1.2, 0.35 * scale)
    rise = np.clip(1 - depth / bevel, 0, 1) * (depth > -1)
    lit = -(across * LIGHT[0] - up * LIGHT[1]) * rise
    tint = 0.45 * rise[..., None]
    colour = colour * (1 - tint) + _rgb(material.edge) * tint
    colour *= (1 + material.gloss * np.clip(lit, -0.8, 1))[..., None]
    table = _rgb(material.table) * dark[..., None]
    mixed = table * (1 - cover[..., None]) + np.clip(colour, 0, 1) * cover[..., None]
    pixels: NDArray[np.uint8] = np.round(np.clip(mixed, 0, 1) * 255).astype(np.uint8)
    return pixels


def _depth(drawing: Drawing, size: int, scale: float) -> Field:
    """How deep inside the material each pixel lies, in pixels; below 0 outside."""
    middle = (size - 1) / 2
    line = (np.arange(size, dtype=np.float32) - middle) / np.float32(scale)
    away = np.hypot(line[None, :], line[:, None])
    out: Field = np.float32(drawing.diameter / 2) - away
    bore = float(drawing.circles["bore"]["diameter_mm"][0]) / 2
    np.minimum(out, away - np.float32(bore), out=out)
    out *= np.float32(scale)
    for group in ("holes", "clock-row"):
        _drill(out, drawing.circles[group], scale, middle)
    return out


def _drill(depth: Field, circles: NDArray[np.void], scale: float, middle: float) -> None:
    """Lower the depth round holes of one size, in place."""
    if not len(circles):
        return
    size = len(depth)
    radius = float(circles["diameter_mm"][0]) / 2 * scale
    reach = int(np.ceil(radius + max(2.0, 0.4 * scale))) + 1
    step = np.arange(-reach, reach + 1)
    cx = circles["x_mm"] * scale + middle
    cy = -circles["y_mm"] * scale + middle
    flat = depth.reshape(-1)
    many = max(1, CHUNK // len(step) ** 2)
    for at in range(0, len(circles), many):
        px = np.round(cx[at : at + many]).astype(np.int64)[:, None] + step
        py = np.round(cy[at : at + many]).astype(np.int64)[:, None] + step
        dx = px - cx[at : at + many, None]
        dy = py - cy[at : at + many, None]
        away = np.sqrt((dx * dx)[:, None, :] + (dy * dy)[:, :, None]) - radius
        inside = ((px >= 0) & (px < size))[:, None, :] & ((py >= 0) & (py < size))[:, :, None]
        index = (py * size)[:, :, None] + px[:, None, :]
        np.minimum.at(flat, index[inside], away[inside].astype(np.float32))


def _shift(field: Field, dx: float, dy: float) -> Field:
    """Moved by so many pixels, x to the right and y up; nothing comes in from outside."""
    right, down = round(dx), -round(dy)
    out = np.roll(field, (down, right), (0, 1))
    if down > 0:
        out[:down] = 0
    elif down < 0:
        out[down:] = 0
    if right > 0:
        out[:, :right] = 0
    elif right < 0:
        out[:, right:] = 0
    return out


def _blur(field: Field, radius: float) -> Field:
    from PIL import Image, ImageFilter

    image = Image.fromarray(np.round(field * 255).astype(np.uint8))
    soft = image.filter(ImageFilter.GaussianBlur(radius))
    return np.asarray(soft, np.float32) / np.float32(255)


def _engraved(drawing: Drawing, size: int, scale: float) -> Field:
    """Where lines are engraved, 0 to 1."""
    from PIL import Image, ImageDraw

    fine = 2 if size <= 2400 else 1
    image = Image.new("L", (size * fine, size * fine))
    draw = ImageDraw.Draw(image)
    s, middle = scale * fine, size * fine / 2
    width = max(1, round(0.35 * s))
    for line in drawing.lines:
        points = [(middle + x * s, middle - y * s) for x, y in line.points.tolist()]
        if line.closed and line.group == "index-mark":
            draw.polygon(points, fill=255)
        else:
            ends = [*points, points[0]] if line.closed else points
            draw.line(ends, fill=255, width=width, joint="curve")
    small = image.resize((size, size), Image.Resampling.BOX) if fine > 1 else image
    return np.asarray(small, np.float32) / np.float32(255)
