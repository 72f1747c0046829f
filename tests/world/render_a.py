"""The light of a scene, and what a camera makes of it; the model is told in `photos_a.py`."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np

from sonify import Disc
from tests.world.disc_a import random_disc, row_radii
from tests.world.scene_a import Camera, layers, look, table_tile, wood_tile

Conditions = dict[str, Any]
LUMA = np.array([0.2126, 0.7152, 0.0722])
_ENCODE = np.arange(65536) / 40000
_ENCODE = np.where(_ENCODE <= 0.0031308, 12.92 * _ENCODE, 1.055 * _ENCODE ** (1 / 2.4) - 0.055)
ENCODE = np.clip(np.round(255 * _ENCODE), 0, 255).astype(np.uint8)
"""The tone curve of IEC 61966-2-1, for light in units of 1 / 40000 of white."""
STRIP = 120_000  # pixels worked on at a time: what a processor's cache holds


def _colour(y: float, rng: np.random.Generator, strength: float = 0.25) -> np.ndarray:
    """A colour of that luminance: tinted, warm rather than cold."""
    tint = 1 + strength * np.array([1, 0.2, -1]) * rng.uniform(-0.4, 1)
    return (y * tint / (tint @ LUMA)).astype(np.float32)


def _field(shape: tuple[int, int], c: Conditions, rng: np.random.Generator) -> np.ndarray:
    """Light on the scene, coarse (1/16 of the picture's size): unevenness and a cast shadow."""
    h, w = shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    way = rng.uniform(0, 2 * np.pi)
    ramp = ((x / w - 0.5) * np.cos(way) + (y / h - 0.5) * np.sin(way)) / 1.2
    light = c["uneven"] ** (-2 * ramp)
    if c["shadow"] < 1:
        way = rng.uniform(0, 2 * np.pi)
        across = (x - w * rng.uniform(0.25, 0.75)) * np.cos(way)
        across += (y - h * rng.uniform(0.25, 0.75)) * np.sin(way)
        bend = 0.05 * w * np.sin((x - y) / w * rng.uniform(2, 9))
        soft = max(min(h, w) * rng.uniform(0.002, 0.05), 0.3)
        light *= c["shadow"] + (1 - c["shadow"]) / (
            1 + np.exp(-np.clip((across + bend) / soft, -30, 30))
        )
    return light.astype(np.float32)


def _clutter(camera: Camera, count: int, reach: float, rng: np.random.Generator) -> np.ndarray:
    """Strokes, pencils, cables, coins and washers on the table: RGB and a mask, uint8."""
    out = np.zeros((camera.height, camera.width, 4), np.uint8)
    size = math.hypot(camera.width, camera.height)
    mm = size / 400
    for _ in range(count):
        colour = (*(int(v) for v in rng.integers(5, 230, 3)), 255)
        a = rng.uniform(0, 1, 2) * [camera.width, camera.height]
        kind = rng.integers(4)
        if kind == 0:
            b = a + rng.normal(0, size / 4, 2)
            wide = max(1, round(float(rng.uniform(0.5, 8)) * mm))
            cv2.line(out, *(tuple(int(v) for v in p) for p in (a, b)), colour, wide, cv2.LINE_AA)
        elif kind == 1:
            path = a + np.cumsum(rng.normal(0, size / 25, (14, 2)), axis=0)
            wide = max(1, round(float(rng.uniform(0.4, 4)) * mm))
            cv2.polylines(out, [path.astype(np.int32)], False, colour, wide, cv2.LINE_AA)
        else:
            radius = max(2, round(float(rng.uniform(2, 13)) * mm))
            centre = (int(a[0]), int(a[1]))
            cv2.circle(out, centre, radius, colour, -1, cv2.LINE_AA)
            if kind == 2:
                cv2.circle(out, centre, radius // 2, (20, 20, 20, 255), -1, cv2.LINE_AA)
    return out


def _hand(camera: Camera, disc: Disc, fingers: int, rng: np.random.Generator) -> np.ndarray:
    """Fingers that hold the disc's rim and reach to the clock row at most: a mask, uint8."""
    sizes = disc.geometry
    assert sizes is not None
    out = np.zeros((camera.height, camera.width), np.uint8)
    rim = sizes.outer_diameter / 2
    bare = rim - row_radii(disc).max() - sizes.hole_diameter
    first = rng.uniform(0, 2 * np.pi)
    for k in range(fingers):
        breadth = rng.uniform(14, 20)
        turn = first + k * 1.15 * breadth / rim
        ray = np.array([np.cos(turn), np.sin(turn)])
        tip = ray * (rim - bare * rng.uniform(0.3, 0.95) + breadth / 2)
        away = ray @ np.array([[1, -0.2], [0.2, 1]])
        line = camera.project(np.array([tip, tip + away * rim * 0.9, tip + ray * 0.5]))
        side = camera.project(np.array([tip, tip + breadth * np.array([-ray[1], ray[0]])]))
        wide = max(2, int(np.hypot(*(side[1] - side[0]))))
        a, b = (tuple(int(v) for v in p) for p in line[:2])
        cv2.line(out, a, b, 255, wide, cv2.LINE_AA)
    return out


def _uneven(tile: np.ndarray, swing: float, mean: float) -> np.ndarray:
    """1 in the mean, and up to `swing` more or less."""
    return tile * np.float32(2 * swing / 255) + np.float32(1 - 2 * swing * mean)


def render(disc: Disc, c: Conditions, camera: Camera, rng: np.random.Generator) -> np.ndarray:
    """The light that reaches the sensor, uint16, 40000 for white; shape (height, width, 3)."""
    w, h = camera.width, camera.height
    thick = c["thickness"]
    corners = camera.project(np.array([[1.0, 0], [-1, 0], [0, 1], [0, -1]]))
    scale = max(np.hypot(*(corners[0] - corners[1])), np.hypot(*(corners[2] - corners[3]))) / 2
    scale = min(scale * 1.1, 9000 / disc.geometry.outer_diameter)
    art = layers(
        disc, scale, rng,
        engraving=c["engraving"], blocked=c["blocked_at"], torn=c["torn_at"],
    )  # fmt: skip
    tile, face = table_tile(c["table"], rng), wood_tile(rng)
    tile_mm = disc.geometry.outer_diameter * float(rng.uniform(0.4, 1.2))
    y = c["disc_y"]
    under = y * c["contrast"] if c["lighter_holes"] else y / c["contrast"]
    ground_y = under if c["kind"] == "back-lit" else under / c["shade"]
    shade = under / ground_y
    disc_c, ground = _colour(y, rng), _colour(ground_y, rng)
    wall = disc_c * (1.6 if c["kind"] == "acrylic" else rng.uniform(0.3, 0.9))
    mean = tile.mean() / 255
    light = _field((max(h // 16, 8), max(w // 16, 8)), c, rng)
    spots = np.zeros_like(light)
    if c["glare"]:
        gy, gx = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
        for _ in range(int(rng.integers(1, 4))):
            reach = light.shape[0] * rng.uniform(0.03, 0.2)
            place = rng.uniform(0.2, 0.8, 2) * light.shape
            away = np.hypot(gy - place[0], (gx - place[1]) * rng.uniform(0.5, 1.5))
            spots += c["glare"] * np.exp(-((away / reach) ** 2))
    clutter = _clutter(camera, c["clutter"], 0, rng) if c["clutter"] else None
    others = []
    for _ in range(c["others"]):
        other = random_disc(rng, most_rows=12)
        ratio = disc.geometry.outer_diameter / other.geometry.outer_diameter
        place = rng.uniform(0, 2 * np.pi)
        gap = disc.geometry.outer_diameter * rng.uniform(1.05, 1.3)
        other_art = layers(other, scale * ratio * 0.9, rng)
        others.append((other_art, gap * np.array([np.cos(place), np.sin(place)]), _colour(y, rng)))
    gain = c["exposure"] * 0.5 / max(y, ground_y if c["kind"] != "back-lit" else ground_y * 0.6)
    gain = gain * rng.uniform(0.1, 0.4) if c["kind"] == "black" else gain
    out = np.empty((h, w, 3), np.uint16)
    radius, skirt = disc.geometry.outer_diameter / 2, 3 * thick + 1
    openings = art.masks[..., 1].copy()
    per = 1024 / tile_mm
    columns = ((np.arange(w) + 0.5) / w * light.shape[1] - 0.5).astype(np.float32)
    edge_c = disc_c * 0.8 + 0.15
    # light of each colour = table, face, wall, edge and glare, each times its own colour
    colours = np.column_stack((ground, disc_c, wall, edge_c, np.full(3, y))).astype(np.float32)
    strip = max(16, STRIP // w)
    for top in range(0, h, strip):
        end = min(top + strip, h)
        x0, y0 = camera.plane(0.0, top, end)
        x1, y1 = camera.plane(-thick, top, end)
        seen = look(art.masks, x0, y0, scale, art.centre).astype(np.float32) * np.float32(1 / 255)
        body, face_open, mark, ring = cv2.split(seen)
        back = look(openings, x1, y1, scale, art.centre).astype(np.float32) * np.float32(1 / 255)
        opened = np.minimum(face_open, back)
        weave = look(tile, x1, y1, per, 0, wrap=True)
        streak = look(face, x0, y0, per, 0, wrap=True)
        bright = _uneven(weave, c["table_swing"], mean)
        texture = _uneven(streak, c["grain"], 0.5)
        rows = ((np.arange(top, end) + 0.5) / h * light.shape[0] - 0.5).astype(np.float32)
        grid = np.meshgrid(columns, rows)
        lit = cv2.remap(light, *grid, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        lit *= np.float32(gain * 40000)
        face_seen = body * (1 - face_open)
        around = 1 - body
        if c["kind"] != "back-lit":
            # the disc darkens the table close by (it hides part of the sky)
            near = (np.sqrt(x1 * x1 + y1 * y1) - np.float32(radius)) * np.float32(0.25 / skirt)
            around = around * (0.75 + np.clip(near, 0, 0.25))
        parts = [
            (around + np.float32(shade) * body * opened) * bright * lit,
            face_seen * texture * (1 + np.float32(1.0 if y < 0.1 else -0.55) * mark) * lit,
            body * (face_open - opened) * lit,
        ]
        picked = [0, 1, 2]
        if c["kind"] == "acrylic":
            parts.append(face_seen * ring * lit * np.float32(0.8))
            picked.append(3)
        if c["glare"]:
            parts.append(face_seen * cv2.remap(spots, *grid, cv2.INTER_LINEAR) * lit)
            picked.append(4)
        value = cv2.transform(cv2.merge(parts), np.ascontiguousarray(colours[:, picked]))
        if clutter is not None and clutter[top:end, :, 3].any():
            thing = clutter[top:end].astype(np.float32) * np.float32(1 / 255)
            cover = thing[..., 3:] * (1 - body)[..., None]
            value += cover * (
                thing[..., :3] * (lit * np.float32(1.5 * ground_y))[..., None] - value
            )
        for other, place, tone in others:
            dx, dy = np.float32(place[0]), np.float32(place[1])
            solid = look(other.masks, x1 - dx, y1 - dy, other.scale, other.centre)
            if solid[..., 0].any():
                cover = solid[..., 0].astype(np.float32) * (255 - solid[..., 1]) / np.float32(65025)
                cover = (cover * (1 - body))[..., None]
                value += cover * (lit[..., None] * tone - value)
        out[top:end] = np.clip(value, 0, 65535)
    if c["fingers"]:
        _cover(out, _hand(camera, disc, c["fingers"], rng), rng)
    return out


def _cover(out: np.ndarray, mask: np.ndarray, rng: np.random.Generator) -> None:
    """Lay a hand over the picture: skin, darker towards its edge as a round finger is."""
    ys, xs = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(ys):
        return
    box = np.s_[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1]
    depth = cv2.distanceTransform((mask[box] > 127).astype(np.uint8), cv2.DIST_L2, 3)
    round_ = 0.5 + 0.5 * np.sqrt(np.clip(depth / max(float(depth.max()), 1), 0, 1))
    skin = rng.uniform(0.08, 0.55) * np.array([1.35, 0.95, 0.75])
    part = out[box]
    for k in range(3):
        cover = mask[box].astype(np.float32) / 255
        value = part[..., k] * (1 - cover) + cover * round_ * (skin[k] * 40000)
        part[..., k] = np.clip(value, 0, 65535)


def develop(
    light: np.ndarray, c: Conditions, hole_px: float, rng: np.random.Generator
) -> np.ndarray:
    """Blur, noise and the tone curve: the finished picture, uint8 RGB."""
    if c["kind"] == "back-lit":
        small = cv2.resize(light, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
        halo = cv2.GaussianBlur(small, (0, 0), max(hole_px / 8, 1.0))
        light = cv2.addWeighted(light, 0.93, cv2.resize(halo, light.shape[1::-1]), 0.07, 0)
    sigma = min(c["defocus"] * hole_px, 7.0)
    if sigma > 0.3:
        light = cv2.GaussianBlur(light, (0, 0), sigma)
    long = min(round(c["motion"] * hole_px), 17)
    if long >= 2:
        kernel = np.zeros((long | 1, long | 1), np.float32)
        way = rng.uniform(0, np.pi)
        mid = (long | 1) // 2
        end = np.array([np.cos(way), np.sin(way)]) * mid
        a, b = (tuple(round(mid + s * v) for v in end) for s in (-1, 1))
        cv2.line(kernel, a, b, 1.0, 1, cv2.LINE_AA)
        light = cv2.filter2D(light, -1, kernel / kernel.sum())
    h, w = light.shape[:2]
    out = np.empty((h, w, 3), np.uint8)
    strip = max(16, STRIP // w)
    for top in range(0, h, strip):
        part = light[top : top + strip]
        # noise in units of white: sqrt(shot^2 x light + read^2), most of it common to the colours
        grey = np.sqrt(part[..., 1] * np.float32(1 / 40000) + np.float32(0.02))
        grey *= np.float32(c["noise"] * 40000)
        common = rng.standard_normal(part.shape[:2], dtype=np.float32) * np.float32(0.8)
        size = (part.shape[0] // 2 + 1, part.shape[1] // 2 + 1, 3)
        own = cv2.resize(0.5 * rng.standard_normal(size, dtype=np.float32), part.shape[1::-1])
        own += common[..., None]
        own *= grey[..., None]
        own += part
        out[top : top + strip] = ENCODE[np.clip(own, 0, 65535, out=own).astype(np.uint16)]
    return out
