"""Things beside, under and upon a disc: pens, coins, paper, strokes, punched-out plugs, a hand.

Shapes are polygons in mm, projected like all else, with a shadow where they stand off the table.
All invented.
"""

from __future__ import annotations

import math
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.camera_c import View

Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Rng = np.random.Generator


def blend(
    light: Floats, view: View, shape: Reals, z: float, colour: Reals, cover: float = 1.0,
    soft: float = 0.0,
) -> None:  # fmt: skip
    """Cover a polygon, shape (points, 2) in mm, with a colour; shade it if that is below 0."""
    p = view.pixels(shape, z)
    pad = math.ceil(3 * soft) + 2
    low = np.maximum(np.floor(p.min(axis=0)).astype(int) - pad, 0)
    high = np.minimum(np.ceil(p.max(axis=0)).astype(int) + pad, (view.width, view.height))
    if (high <= low).any():
        return
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillPoly(mask, [np.round((p - low) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    if soft > 0.3:
        mask = cv2.GaussianBlur(mask, (0, 0), soft)
    part = mask.astype(np.float32) * np.float32(cover / 255)
    here = light[:, low[1] : high[1], low[0] : high[0]]
    here *= 1 - part
    if colour[0] >= 0:
        here += part * colour.astype(np.float32)[:, None, None]


_SHADE = np.full(3, -1.0)


def _round(x: float, y: float, r: float, n: int = 40) -> Reals:
    turn = np.arange(n) * 2 * math.pi / n
    return np.column_stack((x + r * np.cos(turn), y + r * np.sin(turn)))


def _bar(x: float, y: float, long: float, wide: float, turn: float) -> Reals:
    c, s = math.cos(turn), math.sin(turn)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [long / 2, wide / 2]
    return corners @ np.array([[c, s], [-s, c]]) + [x, y]


def _colour(rng: Rng) -> Reals:
    return np.exp(rng.uniform(math.log(0.03), math.log(0.8), 3))


def clutter(rng: Rng, light: Floats, view: View, disc: sonify.Disc, plug: Reals, z: float) -> None:
    """Scatter things over the table at height `z`."""
    g = disc.geometry
    assert g is not None
    rim = g.outer_diameter / 2
    for _ in range(int(rng.integers(0, 3))):  # paper, also below the disc
        turn, far = rng.uniform(0, 2 * math.pi), rim * float(rng.uniform(0.6, 2.2))
        at = (far * math.cos(turn), far * math.sin(turn))
        sheet = _bar(*at, rim * float(rng.uniform(0.5, 2)), rim * float(rng.uniform(0.4, 1.5)),
                     float(rng.uniform(0, math.pi)))  # fmt: skip
        blend(light, view, sheet + np.array([rim / 80, -rim / 80]), z, _SHADE, 0.3, 2.0)
        blend(light, view, sheet, z, np.full(3, float(rng.uniform(0.4, 0.85))))
    for _ in range(int(rng.integers(0, 14))):  # strokes of a pen or knife, anywhere
        start = rng.uniform(-2, 2, 2) * rim
        path = start + np.cumsum(rng.normal(0, rim * 0.12, (int(rng.integers(3, 9)), 2)), axis=0)
        wide = rim * float(rng.uniform(0.003, 0.02))
        ink = _colour(rng)
        for a, b in pairwise(path):
            d = b - a
            middle, long = (a + b) / 2, float(np.hypot(*d))
            line = _bar(middle[0], middle[1], long + wide, wide, math.atan2(d[1], d[0]))
            blend(light, view, line, z, ink, 0.9)
    for _ in range(int(rng.integers(0, 9))):  # pens, rulers, coins, a cup
        turn, far = rng.uniform(0, 2 * math.pi), rim * float(rng.uniform(1.25, 2.4))
        x, y = far * math.cos(turn), far * math.sin(turn)
        shade = rng.uniform(-1, 1, 2) * rim * 0.03
        if rng.random() < 0.5:
            # along the disc's edge, so that it does not lie on it
            long, wide = rim * float(rng.uniform(0.3, 0.9)), rim * float(rng.uniform(0.02, 0.12))
            thing = _bar(x, y, long, wide, turn + math.pi / 2)
        else:
            thing = _round(x, y, rim * float(rng.uniform(0.03, 0.2)))
        blend(light, view, thing + shade, z, _SHADE, 0.5, 3.0)
        ink = _colour(rng)
        blend(light, view, thing, z, ink)
        if len(thing) > 4:
            blend(light, view, (thing - [x, y]) * 0.8 + [x, y], z, ink * 0.8)
    r = g.hole_diameter / 2
    for _ in range(int(rng.integers(0, 40)) if rng.random() < 0.5 else 0):  # plugs of the holes
        turn, far = rng.uniform(0, 2 * math.pi), rim * float(rng.uniform(1.03, 1.9))
        x, y = far * math.cos(turn), far * math.sin(turn)
        blend(light, view, _round(x + r / 3, y - r / 3, r), z, _SHADE, 0.5, 1.0)
        blend(light, view, _round(x, y, r), z, plug)


def hand(rng: Rng, light: Floats, view: View, disc: sonify.Disc) -> NDArray[np.bool_]:
    """Fingers that hold the rim; which clock holes they hide, shape (positions,)."""
    g, n = disc.geometry, disc.positions
    assert g is not None
    rim = g.outer_diameter / 2
    inward = -1 if disc.layout.reading == "outside-in" else 1
    last = g.first_row_radius + inward * g.row_pitch * (disc.rows - 1)
    reach = max(g.first_row_radius, last) + 0.7 * g.hole_diameter
    skin = np.array([0.5, 0.28, 0.19]) * float(rng.uniform(0.25, 1.3))
    where = rng.uniform(0, 2 * math.pi)
    hidden = np.zeros(n, np.bool_)
    against = -1 if disc.layout.turning == "clockwise" else 1
    theta = math.pi / 2 - against * 2 * math.pi * np.arange(n) / n
    for _ in range(int(rng.integers(1, 4))):
        wide = min(float(rng.uniform(7, 11)), 0.3 * rim)  # half a finger, in mm
        tip = reach + wide / 2 + float(rng.uniform(0.0, 0.06)) * rim
        turn = where + float(rng.uniform(-0.35, 0.35))
        arc = np.linspace(-math.pi / 2, math.pi / 2, 14)
        end = np.column_stack((-wide * np.cos(arc) + tip + wide, wide * np.sin(arc)))
        finger = np.vstack([end, [[rim * 9, wide * 2.5], [rim * 9, -wide * 2.5]]])
        c, s = math.cos(turn), math.sin(turn)
        out = finger @ np.array([[c, s], [-s, c]])
        blend(light, view, out + rng.uniform(-1, 1, 2) * rim * 0.02, 0.0, _SHADE, 0.5, 4.0)
        blend(light, view, out, 1.0, skin * 0.7)
        narrow = (finger * [1.0, 0.75] + [0.25 * wide, 0.0]) @ np.array([[c, s], [-s, c]])
        blend(light, view, narrow, 1.0, skin, 1.0, 5.0)
        off = np.angle(np.exp(1j * (theta - turn))) * g.clock_radius
        if g.clock_radius + g.hole_diameter > tip:
            hidden |= np.abs(off) < 1.8 * wide + g.hole_diameter + 0.04 * rim
    return hidden
