"""Photographs of discs, from optics alone.

The scene: a disc on or above a table, other things beside it, one broad light with a direction, a
shadow edge, a glossy reflection; or a light panel behind the disc. A camera (`camera_b`) looks at
it. Light is added and blurred in linear units, then sensed, coded and compressed.

Readable: (1) a hole is at least 4 pixels across where it looks smallest (the task's figure), and
(2) at each place of a bit, the difference between hole and no hole, averaged over half the hole's
radius, is at least 5 standard deviations of what photon noise and the unevenness of the same kind
of place nearby leave of it: Rose's criterion (A. Rose, "The sensitivity performance of the human
eye on an absolute scale", 1948, from memory). Two places in a hundred may miss it, because a
person fills such gaps by the spacing of the holes. Pictures are drawn until readable,
six times at most, each time milder.

Ranges: tilt to 35 degrees, JPEG 40 to 95, light uneven by up to a factor of two, contrast of light
down to 1.1 to 1 and 1 to 12 megapixels (48 in 1 of 50) are the task's; the rest is said where it
stands, or is common practice without a source. One picture in four is an ordinary good one.

Seeds with seed % 3 == 0 are kept back: nobody looks at results for them while working on a reader.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.spatial import cKDTree

from sonify import Disc
from tests.world.camera_b import Camera, blurred, jpeg_of, linear, sensed
from tests.world.disc_b import disc_of, sites
from tests.world.disc_face_b import MATERIALS, Face, face_of
from tests.world.table_b import TABLES, Canvas, clutter, hand, noise_field, other_disc, table

LETTER_NUMBER = 2
Rng = np.random.Generator
Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
TURNED = {1: 0, 3: 2, 6: 1, 8: 3}
"""EXIF orientation (Exif 2.3, tag 0x0112): quarter turns clockwise that the viewer must make."""


@dataclass(frozen=True)
class Picture:
    """A photograph: upright pixels, the file, and the truth."""

    image: NDArray[np.uint8]
    jpeg: bytes
    disc: Disc
    grid: NDArray[np.int8]
    message: str | None
    conditions: dict[str, Any] = field(default_factory=dict)
    readable: bool = True


def _conditions(rng: Rng, good: bool, mild: float) -> dict[str, Any]:
    """Draw what the picture is like. `mild` scales the harm, 0 to 1."""

    def some(chance: float, low: float, high: float) -> float:
        return float(rng.uniform(low, low + (high - low) * mild)) if rng.random() < chance else 0.0

    def up_to(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(low + (high - low) * mild))))

    c: dict[str, Any] = {"good": good, "material": str(rng.choice(list(MATERIALS)))}
    c["table"] = str(rng.choice(TABLES, p=[0.3, 0.14, 0.08, 0.12, 0.12, 0.08, 0.08, 0.08]))
    c["megapixels"] = float(np.exp(rng.uniform(0, np.log(12))))
    if rng.random() < 0.02 and mild == 1:
        c["megapixels"] = 48.0
    c["share"] = float(rng.uniform(0.35, 1.02))
    c["tilt"] = float(np.radians(rng.uniform(0, 35 * mild)))
    c["contrast"] = float(np.exp(rng.uniform(np.log(1.1 + 0.6 * (1 - mild)), np.log(8))))
    c["brighter_holes"] = bool(rng.random() < 0.35)
    c["backlit"] = bool(rng.random() < 0.1)
    c["pattern"] = some(0.7, 0.02, 0.8)
    c["things"] = int(rng.integers(0, 9)) if rng.random() < 0.5 else 0
    c["others"] = int(rng.integers(1, 3)) if rng.random() < 0.2 else 0
    c["uneven"] = 1 + some(0.8, 0.05, 1.0)
    c["shadow"] = some(0.3, 0.1, 0.55)
    c["glare"] = some(0.35, 0.05, 1.0)
    c["defocus"] = some(0.5, 0.05, 0.55)
    c["motion"] = some(0.25, 0.05, 0.6)
    c["gain"] = up_to(1, 24)
    c["exposure"] = float(rng.uniform(-1.3, 0.5)) * mild
    c["quality"] = int(rng.integers(int(95 - 55 * mild), 96))
    c["hand"] = bool(rng.random() < 0.12)
    c["blocked"] = int(rng.integers(1, 5)) if rng.random() < 0.12 else 0
    c["torn"] = int(rng.integers(1, 4)) if rng.random() < 0.08 else 0
    c["marks"] = sorted(m for m in ("index", "arrow", "title") if rng.random() < 0.5)
    c["above"] = float(rng.uniform(5, 40)) if rng.random() < 0.25 else 0.0
    c["orientation"] = int(rng.choice([1, 3, 6, 8], p=[0.6, 0.1, 0.2, 0.1]))
    c["k"] = float(rng.uniform(-0.04, 0.04 + 0.12 * mild))
    c["focal"] = float(rng.uniform(0.65, 1.6))
    c["warmth"] = float(rng.normal(0, 0.12 * mild))
    if good:
        c.update(
            table="plain", pattern=0.03, contrast=float(rng.uniform(3, 12)), glare=0.0, motion=0.0,
            defocus=0.0, shadow=0.0, others=0, hand=False, gain=float(rng.uniform(1, 4)),
            tilt=min(c["tilt"], np.radians(12)), uneven=min(c["uneven"], 1.25), exposure=0.0,
            quality=int(rng.integers(80, 96)), share=float(rng.uniform(0.6, 0.95)), blocked=0,
            torn=0,
        )  # fmt: skip
    return c


def _colours(rng: Rng, c: dict[str, Any]) -> tuple[Reals, Reals]:
    """Coded colours of disc and table whose light stands in the drawn ratio."""
    disc = np.clip(np.array(MATERIALS[c["material"]].colour) * rng.uniform(0.85, 1.1), 8, 250)
    own = float(((disc / 255) ** 2.2).mean())
    want = own * c["contrast"] if c["brighter_holes"] else own / c["contrast"]
    if want > 0.9 and own / c["contrast"] > 0.004:
        c["brighter_holes"], want = False, own / c["contrast"]
    elif want < 0.004:
        c["brighter_holes"], want = True, min(0.9, own * c["contrast"])
    tint = np.exp(rng.normal(0, 0.15, 3))
    if rng.random() < 0.5:
        tint = (disc / disc.mean()) * np.exp(rng.normal(0, 0.03, 3))  # much the same material
    light = (tint / tint.mean()) ** 2.2
    light *= want / light.mean()
    return disc, 255 * np.clip(light, 0.003, 0.95) ** (1 / 2.2)


def _field(rng: Rng, where: Floats, cos: Floats, reach: float, c: dict[str, Any]) -> Floats:
    """How much light falls on each place: a slope, a shadow edge, and vignetting."""
    x, y = where[..., 0] / reach, where[..., 1] / reach
    a = rng.uniform(0, 2 * np.pi)
    slope = (x * np.cos(a) + y * np.sin(a)).astype(np.float32)
    out = np.exp(np.clip(slope, -2, 2) * np.float32(np.log(c["uneven"]) / 2))
    if c["shadow"]:
        b, soft = rng.uniform(0, 2 * np.pi), float(np.exp(rng.uniform(np.log(0.01), np.log(0.4))))
        edge = x * np.cos(b) + y * np.sin(b) + 0.1 * np.sin(3 * x) - rng.uniform(-0.8, 0.8)
        out = out * (1 - np.float32(c["shadow"]) / (1 + np.exp(-np.clip(edge / soft, -30, 30))))
    return (out * cos**4).astype(np.float32)


def _glare(rng: Rng, where: Floats, reach: float, strength: float) -> Floats:
    """The reflection of a lamp, or of a window with a cross bar, on a glossy face."""
    at = rng.uniform(-0.7, 0.7, 2)
    a = rng.uniform(0, np.pi)
    x, y = where[..., 0] / reach - at[0], where[..., 1] / reach - at[1]
    u, v = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
    wide = rng.uniform(0.08, 0.4)
    if rng.random() < 0.5:
        spot = np.exp(-(u**2) / (2 * wide**2) - v**2 / (2 * (0.6 * wide) ** 2))
    else:
        soft = 0.15 * wide
        pane = 1 / (1 + np.exp(np.clip((np.maximum(abs(u), 1.4 * abs(v)) - wide) / soft, -30, 30)))
        spot = pane * (1 - 0.7 * np.exp(-(u**2) / (2 * (0.08 * wide) ** 2)))
    return (strength * spot).astype(np.float32)


def _camera(rng: Rng, disc: Disc, c: dict[str, Any]) -> Camera:
    """A camera with the whole disc in view (or nearly), close enough for 4 pixels a hole."""
    g = disc.geometry
    assert g is not None
    rim = g.outer_diameter / 2
    while True:
        long, short = ((4, 3), (3, 2), (16, 9), (1, 1))[rng.choice(4, p=[0.6, 0.2, 0.15, 0.05])]
        unit = np.sqrt(c["megapixels"] * 1e6 / (long * short))
        sides = (round(short * unit / 8) * 8, round(long * unit / 8) * 8)
        if rng.random() < 0.3:
            sides = (sides[1], sides[0])
        focal = c["focal"] * max(sides)
        across = c["share"] * min(sides)
        distance = focal * 2 * rim / across
        free = max(0.0, (1 - c["share"]) * min(sides) / across) * rim
        pose = (c["tilt"], rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi))
        camera = Camera.looking(sides, focal, c["k"], pose, distance, rng.uniform(-1, 1, 2) * free)
        data, clock = sites(disc)
        every = np.concatenate((data.reshape(-1, 2), clock))
        turn = np.linspace(0, 2 * np.pi, 72)
        edge = camera.pixels(rim * np.column_stack((np.cos(turn), np.sin(turn))))
        out = np.maximum(-edge, edge - [camera.width - 1, camera.height - 1]).max()
        seen = camera.pixels(every)
        step = [camera.pixels(every + d) - seen for d in np.eye(2) / 2]
        # the smaller half axis of the ellipse that a circle becomes: least singular value
        squeeze = np.linalg.svd(np.stack(step, -1), compute_uv=False)[:, -1]
        c["pixels_a_hole"] = float(squeeze.min() * 2 * g.hole_diameter)
        if out > 0.02 * across:
            c["share"] *= 0.95
        elif c["pixels_a_hole"] < 4.2:
            c["share"] = max(c["share"], min(0.95, c["share"] * 1.15))
            c["megapixels"] = min(c["megapixels"] * 1.25, 48)
            if c["megapixels"] == 48:
                return camera
        else:
            return camera


def _seen_bits(
    light: Floats, disc: Disc, cut: NDArray[np.int8], camera: Camera, turn: Reals, noise: float,
    electrons: float,
) -> Reals:  # fmt: skip
    """How many standard deviations each data place stands out, shape (rows, positions)."""
    assert disc.geometry is not None
    data, clock = sites(disc)
    places = np.concatenate((data.reshape(-1, 2), clock))
    at = camera.pixels(places @ turn.T)
    beside = camera.pixels((places + np.array([0.5, 0])) @ turn.T)
    radius = float(np.median(np.hypot(*(beside - at).T))) * disc.geometry.hole_diameter
    side = max(1, int(radius))
    grey = cv2.transform(cv2.min(light, 1.0), np.full((1, 3), 1 / 3))
    grey = cv2.blur(grey, (side, side))
    u = np.clip(np.rint(at[:, 0]).astype(int), 0, camera.width - 1)
    v = np.clip(np.rint(at[:, 1]).astype(int), 0, camera.height - 1)
    level = grey[v, u].astype(float)
    hole = np.concatenate((cut.reshape(-1) == 1, np.ones(len(clock), bool)))
    sigma = np.sqrt(level / electrons / 3 + noise**2) / side
    out = np.empty(len(level))
    for kind in (True, False):
        mine, theirs = np.flatnonzero(hole == kind), np.flatnonzero(hole != kind)
        if not len(theirs):
            return np.zeros(cut.shape)
        k = min(12, len(theirs))
        near = theirs[cKDTree(at[theirs]).query(at[mine], k=k)[1].reshape(len(mine), k)]
        spread = 1.4826 * np.median(
            abs(level[near] - np.median(level[near], axis=1)[:, None]), axis=1
        )
        gap = abs(level[mine] - np.median(level[near], axis=1))
        out[mine] = gap / np.sqrt(sigma[mine] ** 2 + spread**2 + 1e-12)
    return out[: cut.size].reshape(cut.shape)


def _attempt(
    rng: Rng, disc: Disc, good: bool, mild: float, *, last: bool
) -> tuple[Picture, Reals] | None:
    """One picture, or None if a person could not read it and it is not the last attempt."""
    c = _conditions(rng, good, mild)
    g = disc.geometry
    assert g is not None
    material, rim = MATERIALS[c["material"]], g.outer_diameter / 2
    cut = (disc.grid == disc.layout.hole_means).astype(np.int8)
    holes = np.argwhere(cut == 1)
    for r, p in rng.permutation(holes)[: c["blocked"]]:
        cut[r, p] = 0
    torn = np.zeros(cut.shape, bool)
    for r, p in rng.permutation(holes)[: c["torn"]]:
        torn[r, p] = True
    camera = _camera(rng, disc, c)
    turn_by = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(turn_by), -np.sin(turn_by)], [np.sin(turn_by), np.cos(turn_by)]])
    body, ground = _colours(rng, c)
    scale = camera.focal / float(np.linalg.norm(camera.eye))
    # the face, with light and sight in the disc's own coordinates
    light = rng.normal(0, 0.5, 2)
    lean = -camera.eye[:2] / camera.eye[2]
    size = int(min(3000 if c["megapixels"] < 40 else 4200, 2.1 * rim * scale)) + 8
    face = face_of(
        rng, disc, cut, torn, size, material=material, colour=body, lean=lean @ turn,
        light=light @ turn, depth=material.thick + c["above"], marks=set(c["marks"]),
        shade=0.0 if c["backlit"] else float(rng.uniform(0.2, 0.8)),
    )  # fmt: skip
    where, cos, _ = camera.maps()
    flat = where.reshape(-1, 2)
    low = np.maximum(flat.min(axis=0), -4 * rim)
    high = np.minimum(flat.max(axis=0), 4 * rim)
    mm = max(float((high - low).max()) / 2200, 0.8 / scale)
    shape = (int((high[1] - low[1]) / mm) + 2, int((high[0] - low[0]) / mm) + 2)
    under = Canvas(np.zeros((*shape, 3), np.uint8), float(low[0]), float(high[1]), mm)
    table(rng, under, c["table"], ground, c["pattern"])
    clutter(rng, under, rim, c["things"])
    for _ in range(c["others"]):
        other_disc(rng, under, rim)
    if not c["backlit"]:
        # the disc's own shadow on the table
        away = np.hypot(*np.moveaxis(_grid(under) - light * c["above"] / rim, -1, 0) / rim)
        soft = 0.02 + 0.3 * c["above"] / rim
        dark = 0.5 * np.clip((1 + soft - away) / (2 * soft), 0, 1) * (away > 0)
        lightened = np.where(_inside(under, rim), 1.0, 1 - dark).astype(np.float32)
        under.pixels[:] = (under.pixels * lightened[..., None] ** (1 / 2.2)).astype(np.uint8)
    # a hand may hide places of the clock row, but no bit
    inmost = float(np.hypot(*sites(disc)[0].reshape(-1, 2).T).max()) + g.hole_diameter
    picture = _exposed(rng, c, camera, face, under, turn, where, cos, rim, inmost)
    spot = max(c["pixels_a_hole"], 4.0)
    way = rng.uniform(0, np.pi)
    picture = blurred(picture, c["defocus"] * spot, c["motion"] * spot, way)
    electrons = float(rng.uniform(3000, 9000)) / c["gain"]
    read = float(rng.uniform(1, 3)) / electrons
    stands = _seen_bits(picture, disc, cut, camera, turn, read, electrons)
    share = float((stands < 5).mean())
    readable = share <= 0.02 and c["pixels_a_hole"] >= 4
    if not (readable or last):
        return None
    pixels = sensed(rng, picture, electrons, read, float(rng.choice([0.0, 0.3, 0.8])))
    stored = np.ascontiguousarray(np.rot90(pixels, TURNED[c["orientation"]]))
    when = f"2026:03:{rng.integers(1, 29):02d} {rng.integers(6, 20):02d}:10:00"
    jpeg = jpeg_of(stored, c["quality"], c["orientation"], when)
    image = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(jpeg))))
    hides = disc.layout.hole_means
    grid = np.where(cut == 1, hides, 1 - hides).astype(np.int8)
    c.update(
        rows=disc.rows, positions=disc.positions, pixels=image.shape[:2], unseen=share,
        turned=float(np.degrees(turn_by)), tilt=float(np.degrees(c["tilt"])), mild=mild,
        rim_pixels=camera.pixels(np.zeros((1, 2)))[0].tolist(), diameter_pixels=2 * rim * scale,
    )  # fmt: skip
    made = Picture(image, jpeg, disc, grid, disc.given_message, c, readable)
    return made, camera.pixels(sites(disc)[0] @ turn.T)


def _grid(canvas: Canvas) -> Reals:
    h, w = canvas.pixels.shape[:2]
    x, y = canvas.left + canvas.mm * np.arange(w), canvas.top - canvas.mm * np.arange(h)
    return np.stack(np.meshgrid(x, y), -1)


def _inside(canvas: Canvas, rim: float) -> NDArray[np.bool_]:
    return np.hypot(*np.moveaxis(_grid(canvas), -1, 0)) < rim


def _exposed(
    rng: Rng, c: dict[str, Any], camera: Camera, face: Face, under: Canvas, turn: Reals,
    where: Floats, cos: Floats, rim: float, inmost: float,
) -> Floats:  # fmt: skip
    """The picture in linear light before blur and noise, 1 = white."""

    def mapped(canvas: Canvas, by: Reals) -> tuple[Floats, Floats]:
        at = canvas.at(where.astype(np.float64) @ by).astype(np.float32)
        return camera.full(at[..., 0].copy()), camera.full(at[..., 1].copy())

    ground = cv2.remap(
        under.pixels, *mapped(under, np.eye(2)), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )
    layers = cv2.remap(
        face.layers, *mapped(face.canvas, turn), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0, 255),
    )  # fmt: skip
    own = linear(np.ascontiguousarray(layers[..., :3]))
    through = layers[..., 3:].astype(np.float32) / np.float32(255)
    table_light = linear(ground)
    tint = np.exp(np.array([1, 0, -1]) * c["warmth"]).astype(np.float32)
    field_ = camera.full(_field(rng, where, cos, rim, c))[..., None]
    if c["backlit"]:
        panel = np.float32(own.max() * max(c["contrast"], 2.0))
        panel_light = panel * (0.7 + 0.3 * table_light / max(float(table_light.mean()), 1e-3))
        light = own * field_ * tint + panel_light * through
        # light scattered in the lens: a hundredth of it spread over a hundredth of the picture
        veil = cv2.resize(light, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
        veil = cv2.GaussianBlur(veil, (0, 0), 0.02 * max(veil.shape[:2]) + 0.5)
        light += np.float32(0.02) * cv2.resize(veil, (camera.width, camera.height))
    else:
        light = (own + table_light * through) * field_ * tint
    white = float(np.quantile(light[::16, ::16].max(axis=2), 0.98))
    light *= np.float32(0.85 * 2.0 ** c["exposure"] / max(white, 1e-4))
    if c["glare"]:
        gloss = (0.2 + MATERIALS[c["material"]].gloss) * 0.5
        spot = camera.full(_glare(rng, where, rim, c["glare"] * gloss))[..., None]
        light += spot * (1 - through)
    if c["hand"]:
        over = Canvas(
            np.zeros((*under.pixels.shape[:2], 4), np.uint8), under.left, under.top, under.mm
        )
        hand(rng, over, rim, inmost)
        skin = cv2.remap(over.pixels, *mapped(over, np.eye(2)), cv2.INTER_LINEAR)
        cover = skin[..., 3:].astype(np.float32) / np.float32(255)
        shade = noise_field(rng, light.shape[:2], (40, 40))[..., None] * np.float32(0.04) + 1
        flesh = linear(np.ascontiguousarray(skin[..., :3])) * shade * np.float32(0.9)
        light = light * (1 - cover) + flesh * field_ * tint * cover
    return light


def scene(seed: int) -> tuple[Picture, Reals]:
    """The photograph of a seed, and the pixels of each data place in the upright image."""
    rng = np.random.default_rng([seed, LETTER_NUMBER])
    good = bool(rng.random() < 0.25)
    disc = disc_of(rng, largest_bits=2400)
    for attempt in range(6):
        made = _attempt(rng, disc, good, 0.8**attempt, last=attempt == 5)
        if made is not None:
            return made
    raise AssertionError("the last attempt is always taken")


def picture(seed: int) -> Picture:
    """The photograph of a seed; the same on every machine."""
    return scene(seed)[0]
