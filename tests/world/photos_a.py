"""Photographs of punched discs, from optics alone.

Model, in this order; all light is linear until the end.

1. A disc of the albedo `disc_y` lies over a table. Through a hole one sees the table in the shade
   of the disc's thickness (a share `shade` of its light), and, from the side, the hole's own wall:
   the opening is where the circle on the face and the one on the back, a thickness behind it, both
   let the eye through (derivation). The table's albedo follows from the contrast that is drawn.
2. Light: even, or falling by up to a factor of two over the picture; a cast shadow with a soft
   edge (the sun's is 0.5 degrees wide, a lamp's wider); glare, which the face mirrors and a hole
   does not; for back-lit discs a bright ground, with a halo (scatter in the lens).
3. Camera: a pinhole with a radial lens error (see `scene_a.py`), 24 to 70 mm for 36 x 24 mm;
   defocus as a Gaussian, motion as a line; photon noise with a variance in proportion to the light
   and readout noise (the photon transfer curve, Janesick 2007); the tone curve of IEC 61966-2-1;
   JPEG, with the EXIF tag Orientation in some (1, 3, 6, 8 of CIPA DC-008).

Ranges: tilt, JPEG quality, contrast, megapixels, unevenness are this bench's specification;
albedos 0.03 (black) to 0.85 (card), thickness 1 to 6 mm, fingers 14 to 20 mm wide, noise and blur:
common practice, no source. One picture in four is an ordinary good one.

A picture is `readable` when every data hole covers at least 4 pixels across its short axis, and in
the finished picture the difference between each hole and the material about it is at least 3 times
its standard deviation over blank places, 5 times in the median (5 is A. Rose's criterion, J. Opt.
Soc. Am. 38, 196, 1948; a person knows where a hole must be, hence 3 for a single one), the faintest
hole is above 0.4 and every blank place below 0.6 of the median hole. Seeds are drawn again, up to
`TRIES` times, until it is. A plain disc has an index mark, so that one can tell where it begins;
a framed one may have none (`conditions["engraving"]`).

Not modelled: rolling shutter, panorama seams, sharpening, mirrored pictures of the back.

Seeds with seed % 3 == 0 are kept back: nobody looks at results of those.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from PIL import Image

from sonify import Disc
from tests.world.disc_a import random_disc, row_radii
from tests.world.scene_a import TABLES, Camera, layers, look, rotation, sites, table_tile, wood_tile

LETTER_NUMBER = 1
TRIES = 12
LUMA = np.array([0.2126, 0.7152, 0.0722])
_ENCODE = np.arange(65536) / 40000
_ENCODE = np.where(_ENCODE <= 0.0031308, 12.92 * _ENCODE, 1.055 * _ENCODE ** (1 / 2.4) - 0.055)
ENCODE = np.clip(np.round(255 * _ENCODE), 0, 255).astype(np.uint8)
"""The tone curve of IEC 61966-2-1, for light in units of 1 / 40000 of white."""


@dataclass(frozen=True)
class Picture:
    """A photograph, and what is on it. `image` is upright, `jpeg` as the camera stored it."""

    image: np.ndarray
    jpeg: bytes | None
    disc: Disc
    grid: np.ndarray
    message: str | None
    conditions: dict[str, object] = field(default_factory=dict)
    readable: bool = True


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def _conditions(rng: np.random.Generator, good: bool) -> dict[str, object]:
    """What the picture is taken under."""

    def some(chance: float) -> bool:
        return not good and bool(rng.random() < chance)

    kind = (
        "good"
        if good
        else str(
            rng.choice(
                ["opaque", "pale", "black", "acrylic", "back-lit"], p=[0.4, 0.2, 0.15, 0.13, 0.12]
            )
        )
    )
    contrast = {
        "good": _log_uniform(rng, 3, 10),
        "opaque": _log_uniform(rng, 1.4, 6),
        "pale": _log_uniform(rng, 1.1, 1.6),
        "black": _log_uniform(rng, 1.15, 2.2),
        "acrylic": _log_uniform(rng, 1.2, 4),
        "back-lit": _log_uniform(rng, 3, 40),
    }[kind]
    disc_y = {"pale": rng.uniform(0.5, 0.85), "black": rng.uniform(0.03, 0.07)}
    large = not good and rng.random() < 0.035
    return {
        "kind": kind,
        "contrast": float(contrast),
        "lighter_holes": kind == "back-lit" or some(0.5 if kind in ("black", "acrylic") else 0.1),
        "disc_y": float(disc_y.get(kind, rng.uniform(0.12, 0.7))),
        "shade": float(rng.uniform(0.4, 0.9)),
        "megapixels": 48.0 if large else _log_uniform(rng, 1.0, 12.0),
        "aspect": float(rng.choice([4 / 3, 3 / 2, 16 / 9, 1.0])),
        "upright": bool(rng.random() < 0.5),
        "fill": float(rng.uniform(0.5, 0.97) if rng.random() < 0.8 else rng.uniform(0.97, 1.04)),
        "tilt": float(np.radians(rng.uniform(0, 6) if good else rng.uniform(0, 35))),
        "turn": float(rng.uniform(0, 2 * np.pi)),
        "axis": float(rng.uniform(0, 2 * np.pi)),
        "focal_mm": _log_uniform(rng, 24, 70),
        "k1": float(rng.uniform(-0.15, 0.12)) if some(0.5) else float(rng.uniform(-0.01, 0.01)),
        "thickness": float(rng.uniform(1, 6)) if kind == "acrylic" else float(rng.uniform(0.3, 4)),
        "table": str(rng.choice(("plain", "cloth", "wood") if good else TABLES)),
        "table_swing": float(rng.uniform(0.02, 0.12 if good else 0.5)),
        "grain": float(rng.uniform(0.0, 0.12)),
        "uneven": _log_uniform(rng, 1.2, 2.0) if some(0.45) else float(rng.uniform(1, 1.15)),
        "shadow": float(rng.uniform(0.4, 0.8)) if some(0.3) else 1.0,
        "glare": float(rng.uniform(0.2, 1.5)) if some(0.25) else 0.0,
        "clutter": int(rng.integers(2, 14)) if some(0.5) else 0,
        "others": int(rng.integers(1, 3)) if some(0.15) else 0,
        "fingers": int(rng.integers(1, 5)) if some(0.2) else 0,
        "motion": float(rng.uniform(0.1, 0.5)) if some(0.3) else 0.0,
        "defocus": float(rng.uniform(0.05, 0.25)) if some(0.4) else float(rng.uniform(0, 0.03)),
        "noise": _log_uniform(rng, 0.01, 0.12) if some(0.6) else _log_uniform(rng, 0.002, 0.01),
        "quality": int(rng.integers(40, 96)) if not good else int(rng.integers(80, 96)),
        "jpeg": bool(rng.random() < 0.85),
        "orientation": int(rng.choice([1, 1, 3, 6, 8])),
        "blocked": int(rng.integers(1, 4)) if some(0.12) else 0,
        "torn": int(rng.integers(1, 4)) if some(0.1) else 0,
        "exposure": _log_uniform(rng, 0.6, 1.3),
        "tint": float(rng.uniform(-0.12, 0.12)),
    }  # fmt: skip


def _engraving(disc: Disc, rng: np.random.Generator) -> tuple[str, ...]:
    framed = disc.code is not None and disc.code.framing == "framed"
    chosen = [e for e, p in (("arrow", 0.6), ("title", 0.6)) if rng.random() < p]
    return ("index", *chosen) if not framed or rng.random() < 0.7 else tuple(chosen)


def _camera(disc: Disc, c: dict, rng: np.random.Generator) -> Camera:  # type: ignore[type-arg]
    sizes = disc.geometry
    assert sizes is not None
    pixels = c["megapixels"] * 1e6
    width, height = math.sqrt(pixels * c["aspect"]), math.sqrt(pixels / c["aspect"])
    if c["upright"]:
        width, height = height, width
    w, h = int(width) // 2 * 2, int(height) // 2 * 2
    focal = c["focal_mm"] / 43.27 * math.hypot(w, h)
    short = min(w, h)
    distance = focal * sizes.outer_diameter / (c["fill"] * short)
    spare = np.maximum(np.array([w, h]) - c["fill"] * short, 0) / 2
    off = rng.uniform(-0.9, 0.9, 2) * spare * distance / focal
    turn = rotation(c["tilt"], c["axis"], c["turn"])
    return Camera(w, h, focal, turn, np.array([*off, distance]), c["k1"], c["k1"] * -0.2)


def _colour(y: float, rng: np.random.Generator, strength: float = 0.25) -> np.ndarray:
    """A colour of that luminance: tinted, warm rather than cold."""
    tint = 1 + strength * np.array([1, 0.2, -1]) * rng.uniform(-0.4, 1)
    return (y * tint / (tint @ LUMA)).astype(np.float32)


def _field(shape: tuple[int, int], c: dict, rng: np.random.Generator) -> np.ndarray:  # type: ignore[type-arg]
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


def _render(disc: Disc, c: dict, camera: Camera, rng: np.random.Generator) -> np.ndarray:  # type: ignore[type-arg]
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
    gain = gain * 0.35 if c["kind"] == "black" else gain
    out = np.empty((h, w, 3), np.uint16)
    strip = max(64, 1_500_000 // w)
    for top in range(0, h, strip):
        end = min(top + strip, h)
        x0, y0 = camera.plane(0.0, top, end)
        x1, y1 = camera.plane(-thick, top, end)
        seen = look(art.masks, x0, y0, scale, art.centre)
        back = look(art.masks[..., 1].copy(), x1, y1, scale, art.centre)
        body, face_open, mark, ring = (seen[..., k].astype(np.float32) / 255 for k in range(4))
        opened = np.minimum(face_open, back.astype(np.float32) / 255)
        per = 1024 / tile_mm
        weave = look(tile, x1, y1, per, 0, wrap=True)
        streak = look(face, x0, y0, per, 0, wrap=True)
        bright = 1 + 2 * c["table_swing"] * (weave.astype(np.float32) / 255 - mean)
        texture = 1 + 2 * c["grain"] * (streak.astype(np.float32) / 255 - 0.5)
        texture *= 1 - 0.55 * mark
        rows = (np.arange(top, end) + 0.5) / h * light.shape[0] - 0.5
        columns = (np.arange(w) + 0.5) / w * light.shape[1] - 0.5
        grid = np.meshgrid(columns.astype(np.float32), rows.astype(np.float32))
        lit = cv2.remap(light, *grid, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        gleam = cv2.remap(spots, *grid, cv2.INTER_LINEAR) if c["glare"] else None
        material = body - opened * body
        walls = (face_open - opened) * body
        edges = (ring * 0.8) if c["kind"] == "acrylic" else None
        # the disc darkens the table close by (it hides part of the sky)
        near = np.clip(
            (np.hypot(x1, y1) - disc.geometry.outer_diameter / 2) / (3 * thick + 1), 0, 1
        )
        ground_light = bright * (0.75 + 0.25 * near) if c["kind"] != "back-lit" else bright
        see = [
            look(
                o.masks[..., :2].copy(),
                x1 - np.float32(p[0]),
                y1 - np.float32(p[1]),
                o.scale,
                o.centre,
            )
            for o, p, _ in others
        ]
        for k in range(3):
            table = ground[k] * ground_light
            if clutter is not None:
                cover = clutter[top:end, :, 3].astype(np.float32) / 255
                table += cover * (
                    clutter[top:end, :, k].astype(np.float32) / 255 * ground_y * 1.5 - table
                )
            for o, (_, _, tone) in zip(see, others, strict=True):
                solid = o[..., 0].astype(np.float32) * (255 - o[..., 1]) / 65025
                table += solid * (tone[k] - table)
            sheet = disc_c[k] * texture
            if edges is not None:
                sheet = sheet + edges * (disc_c[k] * 0.8 + 0.15)
            if gleam is not None:
                sheet = sheet + gleam * y
            value = table * (1 - body) + body * opened * (ground[k] * bright * shade)
            value += (material - walls) * sheet + walls * wall[k]
            out[top:end, :, k] = np.clip(value * lit * (gain * 40000), 0, 65535)
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


def _develop(light: np.ndarray, c: dict, hole_px: float, rng: np.random.Generator) -> np.ndarray:  # type: ignore[type-arg]
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
    strip = max(64, 1_500_000 // w)
    for top in range(0, h, strip):
        part = light[top : top + strip]
        # noise in units of white: sqrt(shot^2 x light + read^2), most of it common to the colours
        grey = np.sqrt(part[..., 1].astype(np.float32) * (1 / 40000) + 0.02)
        grey *= c["noise"] * 40000
        common = rng.standard_normal(part.shape[:2], dtype=np.float32)
        size = (part.shape[0] // 2 + 1, part.shape[1] // 2 + 1, 3)
        own = cv2.resize(rng.standard_normal(size, dtype=np.float32), part.shape[1::-1])
        for k in range(3):
            value = part[..., k] + grey * (0.8 * common + 0.5 * own[..., k])
            out[top : top + strip, :, k] = ENCODE[np.clip(value, 0, 65535).astype(np.uint16)]
    return out


def _store(image: np.ndarray, quality: int, orientation: int) -> bytes:
    """JPEG as a camera stores it that was held another way: turned, with the tag to undo it."""
    turned = {1: 0, 3: 2, 6: 1, 8: 3}[orientation]
    raw = Image.fromarray(np.ascontiguousarray(np.rot90(image, turned)))
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    raw.save(out, "JPEG", quality=quality, exif=exif)
    return out.getvalue()


def _visible(image: np.ndarray, disc: Disc, grid: np.ndarray, camera: Camera) -> dict[str, float]:
    """What the eye has to go by: pixels a hole, and hole and blank differences over their noise."""
    sizes = disc.geometry
    assert sizes is not None
    data, _ = sites(disc)
    n, rows = disc.positions, disc.rows
    flat = data.reshape(-1, 2)
    centre = camera.project(flat)
    step = 0.05 * sizes.hole_diameter
    ex = (camera.project(flat + np.array([step, 0])) - centre) / step
    ey = (camera.project(flat + np.array([0, step])) - centre) / step
    jac = np.stack((ex, ey), axis=-1)
    across = np.linalg.svd(jac, compute_uv=False)[:, -1] * sizes.hole_diameter
    pixels = float(across.min())
    inside = (centre > 3).all() and (centre < [image.shape[1] - 3, image.shape[0] - 3]).all()
    if pixels < 4 or not inside:
        return {"hole_px": pixels, "rose": 0.0, "faintest": 0.0, "loudest_blank": 9.0}
    size = max(round(pixels * 0.55), 1)
    grey = cv2.blur(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), (size, size)).astype(np.float32)

    def level(p: np.ndarray) -> np.ndarray:
        q = camera.project(p).astype(np.float32)
        return cv2.remap(grey, q[None, :, 0] - 0.5, q[None, :, 1] - 0.5, cv2.INTER_LINEAR)[0]

    radius = np.hypot(flat[:, 0], flat[:, 1])[:, None]
    ray = flat / radius
    along = np.column_stack((-ray[:, 1], ray[:, 0]))
    half = np.minimum(np.pi * radius / n, sizes.hole_diameter * 1.1)
    out = np.minimum(sizes.row_pitch / 2, sizes.hole_diameter * 1.1)
    about = [level(flat + s * half * along) for s in (-1, 1)]
    about += [level(flat + s * out * ray) for s in (-1, 1)]
    differ = level(flat) - np.median(about, axis=0)
    hole = (grid == disc.layout.hole_means).reshape(rows * n)
    if hole.all() or not hole.any():
        return {"hole_px": pixels, "rose": 0.0, "faintest": 0.0, "loudest_blank": 9.0}
    middle = float(np.median(differ[hole]))
    share = differ / middle
    spread = 1.4826 * float(np.median(np.abs(differ[~hole] - np.median(differ[~hole])))) + 0.15
    return {
        "hole_px": pixels,
        "rose": abs(middle) / spread,
        "faintest": float(share[hole].min()),
        "loudest_blank": float(share[~hole].max()),
        "faintest_rose": float(share[hole].min()) * abs(middle) / spread,
    }


def _attempt(seed: int, attempt: int) -> Picture:
    rng = np.random.default_rng([seed, LETTER_NUMBER, attempt])
    good = bool(np.random.default_rng([seed, LETTER_NUMBER, 99]).random() < 0.25)
    disc = random_disc(rng, most_rows=24, widest=420.0, blank=False)
    c = _conditions(rng, good)
    c["engraving"] = _engraving(disc, rng)
    camera = _camera(disc, c, rng)
    holes = np.argwhere(disc.grid == disc.layout.hole_means)
    some = rng.permutation(len(holes))[: c["blocked"] + c["torn"]]
    c["blocked_at"] = holes[some[: c["blocked"]]]
    c["torn_at"] = holes[some[c["blocked"] :]]
    grid = np.array(disc.grid)
    grid[tuple(c["blocked_at"].T)] = 1 - disc.layout.hole_means
    hole_px = disc.geometry.hole_diameter * camera.focal / camera.shift[2]
    if hole_px * math.cos(c["tilt"]) < 4:
        blank = np.zeros((2, 2, 3), np.uint8)
        return Picture(blank, None, disc, grid, disc.message, c, False)
    image = _develop(_render(disc, c, camera, rng), c, hole_px, rng)
    jpeg = None
    if c["jpeg"]:
        jpeg = _store(image, c["quality"], c["orientation"])
        stored = cv2.imdecode(
            np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
        )
        turned = {1: 0, 3: 2, 6: 1, 8: 3}[c["orientation"]]
        image = np.ascontiguousarray(np.rot90(cv2.cvtColor(stored, cv2.COLOR_BGR2RGB), -turned))
    seen = _visible(image, disc, grid, camera)
    c.update(seen)
    readable = (
        seen["hole_px"] >= 4
        and seen["rose"] >= 5
        and seen["faintest"] >= 0.4
        and seen["loudest_blank"] <= 0.6
        and seen["faintest_rose"] >= 3
    )
    return Picture(image, jpeg, disc, grid, disc.message, c, readable)


def picture(seed: int) -> Picture:
    """The picture of a seed: the first readable one of up to `TRIES` draws, or the last."""
    for attempt in range(TRIES):
        out = _attempt(seed, attempt)
        out.conditions["attempt"] = attempt
        if out.readable:
            break
    return out
