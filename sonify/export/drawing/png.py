"""A picture of the finished disc, on a table in daylight."""

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
"""The direction that light comes from: x to the right, y up."""
BAND = 256


class Material(NamedTuple):
    """A material: its colours, what it lies on, and its surface.

    `edge` tints the cut edges, `gloss` is how much they catch the light, `thick` is its
    thickness in mm, `grain` gives the brightness of its surface, and `clear` is how much of the
    table shows through.
    """

    colour: str
    edge: str
    engraved: str
    table: str
    gloss: float
    thick: float
    grain: Callable[[int, np.random.Generator], Field]
    clear: float = 0.0


def _noise(size: int, across: float, up: float, rng: np.random.Generator) -> Field:
    """Smooth noise from about -1 to 1, with that many waves across and up."""
    from PIL import Image

    shape = (max(2, round(up)) + 1, max(2, round(across)) + 1)
    small = Image.fromarray(rng.standard_normal(shape).astype(np.float32))
    return np.asarray(small.resize((size, size), Image.Resampling.BICUBIC), np.float32)


def _flat(size: int, rng: np.random.Generator) -> Field:
    return np.float32(1) + np.float32(0.012) * _noise(size, 3, 3, rng)


def _fibres(size: int, rng: np.random.Generator) -> Field:
    return 1 + 0.02 * _noise(size, 90, 90, rng) + 0.03 * _noise(size, 260, 260, rng)


def _wood(size: int, rng: np.random.Generator) -> Field:
    """Rings cut along the trunk, and fine pores along them."""
    y = np.linspace(0, 1, size, dtype=np.float32)[:, None]
    bend = 0.09 * _noise(size, 2, 2, rng) + 0.012 * _noise(size, 5, 9, rng)
    rings = (y + bend) * 17
    wave = np.abs((rings % 1.0) - 0.5) * 2
    bands = 1 - 0.10 * wave**3 - 0.03 * _noise(size, 2, 40, rng)
    return np.asarray(bands + 0.035 * _noise(size, 14, size / 4, rng), np.float32)


def _brushed(size: int, rng: np.random.Generator) -> Field:
    """Fine strokes across, and a broad sheen."""
    x = np.linspace(-1, 1, size, dtype=np.float32)
    sheen = 0.13 * np.exp(-(((x[None, :] + x[:, None]) / 0.55) ** 2))
    strokes = 0.045 * _noise(size, 3, size / 2, rng) + 0.02 * _noise(size, 8, size / 5, rng)
    return np.asarray(0.95 + sheen + strokes, np.float32)


MATERIALS: dict[str, Material] = {
    "birch": Material("#dcb988", "#6e4a28", "#5b3a1e", "#39434d", 0.18, 3.0, _wood),
    "oak": Material("#b98a56", "#5a3b20", "#3d2612", "#262b30", 0.18, 4.0, _wood),
    "mdf": Material("#b5946c", "#4d3826", "#4a3422", "#39434d", 0.10, 3.0, _fibres),
    "card": Material("#efe9dc", "#cfc6b2", "#8f8670", "#47525c", 0.10, 1.0, _fibres),
    "acrylic-black": Material("#1c1e21", "#3a3f46", "#aab2ba", "#e6e3dc", 0.55, 3.0, _flat),
    "acrylic-red": Material("#b3202c", "#e2606a", "#f3c9c9", "#e6e3dc", 0.5, 3.0, _flat),
    "acrylic-clear": Material("#eaf4f5", "#f6fdfd", "#ffffff", "#39434d", 0.55, 3.0, _flat, 0.72),
    "brass": Material("#cda850", "#e9cf86", "#6f5720", "#2d3238", 0.6, 1.5, _brushed),
    "steel": Material("#b4babf", "#d8dde1", "#4a5056", "#2d3238", 0.6, 1.5, _brushed),
}
"""Colours and strengths are chosen by eye."""


def png(drawing: Drawing, size: int = 1600, material: str = "birch") -> bytes:
    """The picture as PNG, `size` pixels wide and high.

    Raises
    ------
    InputError
        A material that is not known, or a size out of range.
    """
    if material not in MATERIALS:
        raise InputError(
            f"'{material}' is not a known material{close_matches(material, MATERIALS)}; choose "
            f"one of: {', '.join(MATERIALS)}",
            key="material",
        )
    if not SMALLEST <= size <= LARGEST:
        raise InputError(f"{size} pixels are out of range; use {SMALLEST} to {LARGEST}", key="size")
    from PIL import Image

    stream = io.BytesIO()
    pixels = _paint(drawing, size, MATERIALS[material])
    Image.fromarray(pixels).save(stream, "PNG", compress_level=7)
    return stream.getvalue()


def _rgb(colour: str) -> Field:
    return np.asarray(np.frombuffer(bytes.fromhex(colour[1:]), np.uint8) / 255, np.float32)


def _paint(drawing: Drawing, size: int, material: Material) -> NDArray[np.uint8]:
    """Paint the material over the table, with its edges lit and tinted.

    Colours take three times the memory of a field, so they are mixed band by band.
    """
    import cv2

    rng = np.random.default_rng(7)
    scale = size * (1 - 2 * MARGIN) / drawing.diameter
    depth = _depth(drawing, size, scale)
    cover = np.clip(depth + 0.5, 0, 1)
    # the table lies in the shadow of the disc
    throw = max(1.0, material.thick * 0.55 * scale)
    move = np.array([[1, 0, -throw * LIGHT[0]], [0, 1, throw * LIGHT[1]]])
    shadow = cv2.GaussianBlur(cv2.warpAffine(cover, move, (size, size)), (0, 0), throw * 0.45)
    contact = cv2.GaussianBlur(cover, (0, 0), max(0.6, throw * 0.2))
    solid = 1 - material.clear
    dark = (1 - 0.55 * solid * shadow) * (1 - 0.18 * contact)
    dark *= 1 + 0.02 * _noise(size, 120, 120, rng)
    del shadow, contact
    grain = material.grain(size, rng)
    report(0.4)
    engraved = _engraved(drawing, size, scale)
    bevel = max(1.2, 0.35 * scale)
    out = np.empty((size, size, 3), np.uint8)
    for top in range(0, size, BAND):
        report(0.5 + 0.5 * top / size)
        part = slice(top, top + BAND)
        # one line more on each side, for the slope
        low = max(0, top - 1)
        slope = np.array(np.gradient(depth[low : top + BAND + 1]))
        up, across = slope[:, top - low :][:, : len(depth[part])]
        rise = np.clip(1 - depth[part] / bevel, 0, 1) * (depth[part] > -1)
        lit = -(across * LIGHT[0] - up * LIGHT[1]) * rise
        share, tint, over = (
            0.85 * engraved[part, :, None],
            0.45 * rise[..., None],
            cover[part, :, None],
        )
        table = _rgb(material.table) * dark[part, :, None]
        own = _rgb(material.colour) * grain[part, :, None]
        colour = (own * solid + table * material.clear) * (1 - share)
        colour += _rgb(material.engraved) * share
        colour = colour * (1 - tint) + _rgb(material.edge) * tint
        colour *= (1 + material.gloss * np.clip(lit, -0.8, 1))[..., None]
        mixed = table * (1 - over) + np.clip(colour, 0, 1) * over
        out[part] = np.round(np.clip(mixed, 0, 1) * 255)
    return out


def _depth(drawing: Drawing, size: int, scale: float) -> Field:
    """How deep inside the material each pixel lies, in pixels; below 0 outside."""
    line = (np.arange(size, dtype=np.float32) - np.float32((size - 1) / 2)) / np.float32(scale)
    out: Field = np.float32(drawing.diameter / 2) - np.hypot(line, line[:, None])
    for group in ("bore", "holes", "clock-row"):
        for x, y, d, _ in drawing.circles[group].tolist():
            reach = d / 2 + 0.4 + 3 / scale
            left, right = np.searchsorted(line, (x - reach, x + reach))
            top, bottom = np.searchsorted(line, (-y - reach, -y + reach))
            part = out[top:bottom, left:right]
            away = np.hypot(line[left:right] - x, line[top:bottom, None] + y) - d / 2
            np.minimum(part, away, out=part, casting="same_kind")
    return out * np.float32(scale)


def _engraved(drawing: Drawing, size: int, scale: float) -> Field:
    """Where lines are engraved, 0 to 1."""
    import cv2

    # drawn at twice the size; points in sixteenths of a pixel
    image = np.zeros((2 * size, 2 * size), np.uint8)
    width = max(1, int(0.6 * scale))
    for line in drawing.lines:
        points = np.round((size - 0.5 + 2 * line.points * [scale, -scale]) * 16).astype(np.int32)
        if line.group == "index-mark":
            cv2.fillPoly(image, [points], 255, cv2.LINE_8, 4)
        else:
            cv2.polylines(image, [points], line.closed, 255, width, cv2.LINE_8, 4)
    return cv2.resize(image, (size, size), interpolation=cv2.INTER_AREA) / np.float32(255)
