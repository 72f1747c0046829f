"""A slow, plain rendering of a matrix in linear light, to judge the fast ones by.

Every lamp of the matrix adds its light to every sample; samples are coloured in linear light,
averaged over their pixel, and encoded. Transfer function: IEC 61966-2-1, written down here anew.
"""

from __future__ import annotations

import math

import numpy as np

from sonify.light import lamp_shapes as model
from sonify.light.look import Look

SAMPLES = 4  # a side of a pixel


def decoded(colour: str) -> list[float]:
    """`#rrggbb` in linear light (IEC 61966-2-1)."""
    values = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    return [v / 12.92 if v <= 0.04045 else math.pow((v + 0.055) / 1.055, 2.4) for v in values]


def encoded(light: np.ndarray) -> np.ndarray:
    """Linear light as sRGB numbers from 0 to 255 (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    low = light <= 0.0031308
    return 255 * np.where(low, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055)


def smooth(t: np.ndarray) -> np.ndarray:
    t = np.clip(t, 0, 1)
    return 3 * t**2 - 2 * t**3


def edge_of(look: Look, dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
    """How far offsets from a lamp's middle are beyond its edge, in lamps."""
    radius = (1 - look.gap) / 2
    away = np.sqrt(dx**2 + dy**2)
    if look.shape == "square":
        corner = min(0.08, radius)
        x, y = np.abs(dx) - radius + corner, np.abs(dy) - radius + corner
        return np.where(
            (x > 0) & (y > 0), np.sqrt(x**2 + y**2) - corner,
            np.maximum(np.abs(dx), np.abs(dy)) - radius,
        )  # fmt: skip
    if look.shape == "ring":
        # between 0.44 and 1 of the radius
        return np.maximum(away - radius, 0.44 * radius - away)
    if look.shape == "bar":
        # a disc of a third of the radius, drawn along an upright line
        top = radius * 2 / 3
        return np.sqrt(dx**2 + (dy - np.clip(dy, -top, top)) ** 2) - radius / 3
    if look.shape == "chip":
        return away - radius / 2
    return away - radius


def lamp_at(look: Look, dx: np.ndarray, dy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A lamp's light at offsets from its middle, in lamps, and whether they are in its lens."""
    radius = (1 - look.gap) / 2
    away, edge = np.sqrt(dx**2 + dy**2), edge_of(look, dx, dy)
    inside = edge <= 0
    depth = np.clip(-edge / radius, 0, 1)
    limb = 1 - 0.25 * look.core * (1 - depth) ** 4
    if look.shape == "diffused":
        lens = 1 - 0.55 * (1 - depth) ** 2
    elif look.shape in ("ring", "bar"):
        lens = limb + 0.6 * model.CORE * look.core * depth**2
    else:
        lens = limb + model.CORE * look.core * np.exp(-((away / radius / 0.45) ** 2))

    def outside(far: np.ndarray) -> np.ndarray:
        ends = smooth((model.SPILL_ENDS - away) / (model.SPILL_ENDS - 0.5))
        spill = 0.5 * look.glow * np.exp(-far / model.FALL) * ends
        bloom = 0.12 * look.bloom * np.exp(-far / model.WIDE) * smooth((1.5 - away) / 1.0)
        return spill + bloom

    if look.panel == "diffuser":
        core = 1 + 0.35 * model.CORE * look.core * np.exp(-((away / 0.16) ** 2))
        sheet = core * np.exp(-((away / 0.42) ** 2)) * smooth((1.1 - away) / 0.5)
        beyond = np.where(away > 0.5, outside(np.maximum(away - radius, 0)), 0)
        return sheet + beyond, np.zeros_like(inside)
    shine = np.where(inside, lens, outside(edge))
    if look.panel == "grille":
        far = np.maximum(np.abs(dx), np.abs(dy))
        shine = np.where(far > 0.5, 0, np.where(far > 0.44, 0.35 * shine, shine))
    return shine, inside


def unlit_at(look: Look, dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
    """How much of an unlit lamp is seen on its own tile; below 0, how much darker it is there."""
    x, y, radius = np.abs(dx), np.abs(dy), (1 - look.gap) / 2
    seen = 1.0 * (edge_of(look, dx, dy) <= 0)
    if look.panel == "board":
        track = (np.abs(y - 0.46) < 0.02) * 0.3 + 0 * x
        pads = (np.abs(x - radius) < 0.05) & (y < radius / 2)
        package = (x < radius) & (y < radius)
        return np.maximum.reduce([seen, track, 1.0 * pads, 0.55 * package])
    if look.panel == "grille":
        return np.where((x > 0.44) | (y > 0.44), -0.8, seen)
    return seen


def rendered(
    look: Look, levels: np.ndarray, xs: np.ndarray, ys: np.ndarray, width: int, height: int
) -> np.ndarray:
    """The picture as sRGB numbers, shape (height, width, 3), not rounded.

    `levels` are from 0 to 1; `xs` and `ys` are where lamps have their middles, in pixels.
    """
    s = look.pixels
    at_x, at_y = ((np.arange(n * SAMPLES) + 0.5) / SAMPLES for n in (width, height))
    light = np.zeros((len(at_y), len(at_x)))
    cover = np.full_like(light, 0.5 if look.panel == "diffuser" else 0.0)
    own = np.zeros_like(light)
    dim = np.zeros_like(light)
    for j, y in enumerate(ys):
        for i, x in enumerate(xs):
            dx, dy = (at_x - x)[None, :] / s, (at_y - y)[:, None] / s
            shine, inside = lamp_at(look, dx, dy)
            if look.panel != "diffuser":
                tile = (np.abs(dx) <= 0.5) & (np.abs(dy) <= 0.5)
                cover = np.where(tile, unlit_at(look, dx, dy), cover)
            own += np.where(inside, levels[j, i] * shine, 0)
            dim += np.where(inside, levels[j, i], 0)
            light += np.where(inside, 0, levels[j, i] * shine)
    # what falls on a lit lens is lost in its own light
    light = (own + light * (1 - dim)) * look.brightness / 16 * 2.0**look.exposure
    lamp, unlit, ground = (np.array(decoded(c)) for c in (look.lamp, look.off, look.background))
    m = cover[..., None]
    base = np.where(m < 0, ground * (1 + m), ground + (unlit - ground) * m)
    light = light[..., None]
    colour = base + (lamp - base) * np.minimum(light, 1)
    weights = np.array([0.2126, 0.7152, 0.0722])
    if lamp @ weights > ground @ weights:
        over = np.maximum(light - 1, 0)
        colour = colour + (1 - colour) * over / (over + 2)
    mean = colour.reshape(height, SAMPLES, width, SAMPLES, 3).mean(axis=(1, 3))
    return encoded(mean)
