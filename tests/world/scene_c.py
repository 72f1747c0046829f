"""What lies before the camera: a disc as a sheet with holes, its material, and the table.

A disc is one mask of where light goes through (holes, bore, all outside), at the top face and
again at the bottom face: a ray that passes both sees the table, one that passes only the first
sees the wall of a hole. On the table, direct light comes through the same mask along the light's
direction, and diffuse light through the mask widened by the height, whose share at the bottom of
a hole of radius r and depth t is near the view factor r^2 / (r^2 + t^2) of two coaxial circles
(from memory: a standard result of radiative transfer). Colours are linear. Albedos of materials
are common values from memory; patterns, clutter and other discs are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

import sonify
from sonify.export.drawing.drawing import drawing_of
from tests.world.disc_c import places

Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator


@dataclass(frozen=True)
class Material:
    """What a disc is made of."""

    name: str
    albedo: tuple[float, float, float]
    wall: float
    """Brightness of a hole's wall as a share of the face: below 1 burnt, above 1 bright edges."""
    gloss: float
    """How strongly a lamp mirrors in it."""
    grain: str
    """wood, speckle, brushed or plain."""
    clear: float
    """The share of light that goes through."""


MATERIALS = (
    Material("birch", (0.62, 0.47, 0.30), 0.35, 0.1, "wood", 0.0),
    Material("oak", (0.36, 0.24, 0.13), 0.3, 0.1, "wood", 0.0),
    Material("board", (0.33, 0.24, 0.16), 0.4, 0.05, "speckle", 0.0),
    Material("card", (0.72, 0.70, 0.65), 0.8, 0.03, "speckle", 0.03),
    Material("paper", (0.80, 0.80, 0.78), 0.9, 0.02, "plain", 0.08),
    Material("grey card", (0.40, 0.40, 0.38), 0.8, 0.03, "speckle", 0.0),
    Material("black acrylic", (0.025, 0.025, 0.027), 1.4, 1.0, "plain", 0.0),
    Material("red acrylic", (0.35, 0.03, 0.03), 2.2, 1.0, "plain", 0.25),
    Material("green acrylic", (0.06, 0.34, 0.12), 2.6, 1.0, "plain", 0.3),
    Material("smoked acrylic", (0.05, 0.05, 0.05), 2.0, 1.0, "plain", 0.35),
    Material("white plastic", (0.78, 0.79, 0.80), 1.0, 0.6, "plain", 0.05),
    Material("brass", (0.55, 0.40, 0.16), 0.7, 0.9, "brushed", 0.0),
    Material("steel", (0.38, 0.38, 0.39), 0.7, 0.9, "brushed", 0.0),
    Material("black felt", (0.03, 0.03, 0.035), 0.8, 0.0, "speckle", 0.0),
)


@dataclass(frozen=True)
class Sheet:
    """A disc's masks; pixel (u, v) of a mask is at ((u - size/2) / scale, (size/2 - v) / scale)."""

    scale: float
    open: Pixels
    """255 where light goes through."""
    face: Pixels
    """Brightness of the face; 128 is that of its material, and engraving is darker."""

    def to_mask(self, dx: float = 0.0, dy: float = 0.0) -> Reals:
        """From mm, moved, to pixels of the masks."""
        half, s = self.open.shape[0] / 2 - 0.5, self.scale
        return np.array([[s, 0, half + s * dx], [0, -s, half - s * dy]])


@lru_cache(maxsize=128)
def _stamp(fx: float, fy: float, r: float) -> Floats:
    reach = math.ceil(r + 1.5)
    axis = np.arange(-reach, reach + 1, dtype=np.float32)
    away = np.hypot(axis[None, :] - np.float32(fx), axis[:, None] - np.float32(fy))
    return np.clip(np.float32(r + 0.5) - away, 0, 1)


def _circle(mask: Floats, x: float, y: float, r: float) -> None:
    """Join a filled circle, in pixels, to a mask by the share of each pixel that it covers.

    Its place is rounded to an eighth of a pixel.
    """
    x, y = round(8 * x) / 8, round(8 * y) / 8
    i, j = math.floor(x), math.floor(y)
    stamp = _stamp(x - i, y - j, r)
    size, reach = mask.shape[0], len(stamp) // 2
    left, top = max(0, i - reach), max(0, j - reach)
    right, bottom = min(size, i + reach + 1), min(size, j + reach + 1)
    if left >= right or top >= bottom:
        return
    here = mask[top:bottom, left:right]
    np.maximum(
        here,
        stamp[top - j + reach : bottom - j + reach, left - i + reach : right - i + reach],
        out=here,
    )


def sheet(
    rng: Rng, disc: sonify.Disc, holes: NDArray[np.bool_], scale: float, torn: int, grain: float,
    kind: str, engraved: bool, edge: float,
) -> Sheet:  # fmt: skip
    """Cut a disc.

    Parameters
    ----------
    holes : ndarray of bool, shape (rows, positions)
    torn : int
        How many are torn.
    edge : float
        Brightness of a rim of 0.2 mm round each hole, as a share of the face's.
    """
    g = disc.geometry
    assert g is not None
    at = places(disc)
    rim = g.outer_diameter / 2
    size = 2 * math.ceil(1.25 * rim * scale)
    half = size / 2 - 0.5
    mask = np.zeros((size, size), np.float32)
    radii = np.append(at.rows, at.clock)
    row, position = np.nonzero(np.vstack([holes, np.ones(disc.positions, np.bool_)]))
    x = half + scale * radii[row] * np.sin(at.angles[position])
    y = half - scale * radii[row] * np.cos(at.angles[position])
    r = scale * g.hole_diameter / 2
    for cx, cy in zip(x.tolist(), y.tolist(), strict=True):
        _circle(mask, cx, cy, r)
    for k in rng.choice(len(x), min(torn, len(x)), replace=False):
        for _ in range(4):
            turn, out = rng.uniform(0, 2 * math.pi), r * float(rng.uniform(0.5, 0.95))
            _circle(mask, x[k] + out * math.cos(turn), y[k] + out * math.sin(turn), r * 0.45)
    _circle(mask, half, half, scale * g.bore_diameter / 2)
    solid = np.zeros((size, size), np.float32)
    _circle(solid, half, half, scale * rim)
    opened = np.round(255 * np.maximum(mask, 1 - solid)).astype(np.uint8)
    face = _face(rng, disc, size, scale, grain, kind, engraved)
    wide = 2 * max(1, round(0.2 * scale)) + 1
    ring = cv2.dilate(opened, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide)))
    lit = cv2.multiply(face, np.float64(edge))
    return Sheet(scale, opened, np.where(ring > 127, lit, face))


def _face(
    rng: Rng, disc: sonify.Disc, size: int, scale: float, grain: float, kind: str, engraved: bool
) -> Pixels:
    g = disc.geometry
    assert g is not None
    face = 128 * (1 + grain * noise(rng, size, kind, scale))
    out = np.clip(face, 0, 255).astype(np.uint8)
    if engraved:
        level = int(128 * float(rng.uniform(0.35, 0.8)))
        wide = max(1, round(scale * float(rng.uniform(0.2, 0.5))))
        half = size / 2 - 0.5
        for line in drawing_of(disc, g).lines:
            points = np.round((line.points * [scale, -scale] + half) * 16).astype(np.int32)
            cv2.polylines(out, [points], line.closed, level, wide, cv2.LINE_AA, 4)
    for k in g.keep_out:
        # a magnet or a screw's head
        x, y = k.centre
        middle = (
            round((size / 2 - 0.5 + x * scale) * 16),
            round((size / 2 - 0.5 - y * scale) * 16),
        )
        cv2.circle(out, middle, round(k.diameter / 2 * scale * 16), 80, -1, cv2.LINE_AA, 4)
        cv2.circle(out, middle, round(k.diameter / 3 * scale * 16), 150, -1, cv2.LINE_AA, 4)
    return out


def noise(rng: Rng, size: int, kind: str, scale: float) -> Floats:
    """A texture of mean 0 and standard deviation 1, shape (size, size); `scale` in pixels/mm."""
    if kind == "plain":
        blur = (3.0 * scale, 3.0 * scale)
    elif kind == "speckle":
        blur = (0.25 * scale, 0.25 * scale)
    elif kind == "brushed":
        blur = (6.0 * scale, 0.12 * scale)
    else:
        blur = (14.0 * scale, 0.5 * scale)
    # shrunk so far that the narrower blur is a pixel wide
    step = max(1.0, min(blur) / 1.2)
    w = max(8, round(size / step))
    raw = rng.standard_normal((w, w), np.float32)
    x, y = (min(60.0, b / step) for b in blur)
    out = cv2.GaussianBlur(raw, (0, 0), sigmaX=max(x, 0.3), sigmaY=max(y, 0.3))
    if kind == "wood":
        # rings, cut lengthwise: bands that wander
        v = np.linspace(0, size / scale, w, dtype=np.float32)[:, None]
        wander = cv2.GaussianBlur(raw, (0, 0), sigmaX=w / 6, sigmaY=w / 20)
        bands = np.sin(v * 2 * math.pi / float(rng.uniform(5, 14)) + 4 * wander / wander.std())
        out = out / out.std() + 0.9 * bands.astype(np.float32)
    out = cv2.resize(out, (size, size), interpolation=cv2.INTER_LINEAR)
    out -= out.mean()
    return np.clip(out / (out.std() + 1e-9), -3.5, 3.5).astype(np.float32)


def tile(rng: Rng, kind: str, colour: Reals, side: int = 1024) -> Floats:
    """A square of table, repeated over it: its pattern in linear colour, shape (side, side, 3)."""
    y, x = np.mgrid[:side, :side] / side
    other = np.clip(colour * float(rng.choice([0.35, 0.55, 0.75, 1.4])), 0.01, 0.95)
    mix = np.zeros((side, side))
    if kind == "checks":
        n = int(rng.integers(2, 7))
        mix = 0.5 * ((np.floor(2 * n * x) % 2) + (np.floor(2 * n * y) % 2))
    elif kind == "stripes":
        mix = np.floor(2 * int(rng.integers(3, 14)) * x) % 2
    elif kind == "dots":
        n = int(rng.integers(3, 12))
        away = np.hypot((x * n) % 1 - 0.5, (y * n) % 1 - 0.5)
        mix = 1.0 * (away < float(rng.uniform(0.15, 0.35)))
    elif kind == "weave":
        n = 60
        mix = 0.5 + 0.25 * (np.sin(2 * math.pi * n * x) + np.sin(2 * math.pi * n * y))
    elif kind == "planks":
        n = int(rng.integers(2, 5))
        mix = 1.0 * (np.abs((x * n) % 1 - 0.5) > 0.49)
    elif kind == "print":
        lines = np.zeros((side, side), np.uint8)
        for top in range(20, side - 20, 34):
            at = 30
            while at < side - 60:
                long = int(rng.integers(8, 60))
                cv2.line(lines, (at, top), (at + long, top), 255, 9)
                at += long + 14
        mix = lines / 255.0
    mix = cv2.GaussianBlur(mix.astype(np.float32), (0, 0), 0.8, borderType=cv2.BORDER_REPLICATE)
    rough = noise(rng, side, "wood" if kind in ("wood", "planks") else "speckle", 4.0)
    depth = float(rng.uniform(0.02, 0.12))
    flat = colour * (1 - mix[..., None]) + other * mix[..., None]
    return np.clip(flat * (1 + depth * rough[..., None]), 0.002, 0.98).astype(np.float32)


TILES = ("plain", "wood", "planks", "checks", "stripes", "dots", "weave", "print")
