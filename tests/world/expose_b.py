"""From a scene to light on the sensor, and how well a person could see the holes in it.

The light of disc and table is multiplied by what falls on them: a slope (uneven by up to a factor
of two across the disc), a shadow's soft edge, and vignetting; a glossy face adds a reflection. All
of it is computed in strips that stay in the processor's cache.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sonify import Disc
from tests.world.camera_b import Camera, linear
from tests.world.disc_b import sites
from tests.world.disc_face_b import MATERIALS, Face, face_of
from tests.world.table_b import Canvas, clutter, hand, noise_field, other_disc, table

Rng = np.random.Generator
Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
EVERY = 8
"""Pixels a cell of the coarse grid."""
STRIP = 24
"""Cells of a strip."""


@dataclass(frozen=True)
class Scene:
    """What lies before the camera, as drawn; its pixels depend on the camera's resolution."""

    disc: Disc
    cut: NDArray[np.int8]
    torn: NDArray[np.bool_]
    turn: Reals  # from the disc's coordinates to the plane's
    body: Reals
    ground: Reals
    light: Reals  # mm across per mm of height
    shade: float
    seeds: tuple[int, int, int]  # of paint, light and hand

    @property
    def rim(self) -> float:
        assert self.disc.geometry is not None
        return self.disc.geometry.outer_diameter / 2


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


def painted(scene: Scene, c: dict[str, Any], camera: Camera, where: Floats) -> tuple[Face, Canvas]:
    """The disc's face, and the table with all that lies on it, as fine as the camera sees them."""
    rng = np.random.default_rng(scene.seeds[0])
    rim, light = scene.rim, scene.light
    material = MATERIALS[c["material"]]
    scale = camera.focal / float(np.linalg.norm(camera.eye))
    lean = -camera.eye[:2] / camera.eye[2]
    size = int(min(4200 if c["megapixels"] > 40 else 3000, 2.1 * rim * scale)) + 8
    face = face_of(
        rng, scene.disc, scene.cut, scene.torn, size, material=material, colour=scene.body,
        lean=lean @ scene.turn, light=light @ scene.turn, depth=material.thick + c["above"],
        shade=scene.shade, marks=set(c["marks"]), scratches=c["scratches"], pencil=c["pencil"],
    )  # fmt: skip
    flat = where.reshape(-1, 2)
    low = np.maximum(flat.min(axis=0), -4 * rim)
    high = np.minimum(flat.max(axis=0), 4 * rim)
    mm = max(float((high - low).max()) / 2200, 0.8 / scale)
    shape = (int((high[1] - low[1]) / mm) + 2, int((high[0] - low[0]) / mm) + 2)
    under = Canvas(np.zeros((*shape, 3), np.uint8), float(low[0]), float(high[1]), mm)
    table(rng, under, c["table"], scene.ground, c["pattern"])
    clutter(rng, under, rim, c["things"])
    for _ in range(c["others"]):
        other_disc(rng, under, rim)
    if not c["backlit"]:
        # the disc's own shadow on the table; what is seen through holes is shaded in the face
        x = under.left + mm * np.arange(shape[1], dtype=np.float32)
        y = under.top - mm * np.arange(shape[0], dtype=np.float32)[:, None]
        height = c["above"] + material.thick
        off = light * height
        away = np.hypot(x - np.float32(off[0]), y - np.float32(off[1])) / rim
        soft = 0.02 + 0.3 * height / rim
        dark = 0.5 * np.clip((1 + soft - away) / (2 * soft), 0, 1)
        dark[np.hypot(x, y) < rim] = 0
        gain = ((1 - dark) ** (1 / 2.2)).astype(np.float32)
        under.pixels[:] = (under.pixels * gain[..., None]).astype(np.uint8)
    if c["spindle"] and not c["backlit"]:
        # the axle of a player fills the bore; its end is chamfered metal
        assert scene.disc.geometry is not None
        bore = scene.disc.geometry.bore_diameter / 2
        for share, tone in ((0.96, 120), (0.8, 175), (0.3, 90)):
            under.circle(np.zeros(2), share * bore, (tone, tone, tone))
    return face, under


def exposed(scene: Scene, c: dict[str, Any], camera: Camera) -> Floats:
    """The picture in linear light before blur and noise, 1 = white."""
    where, cos = camera.maps(EVERY)
    face, under = painted(scene, c, camera, where)
    rng = np.random.default_rng(scene.seeds[1])
    flat = where.astype(np.float64)
    falls = _field(rng, where, cos, scene.rim, c)
    gloss = (0.2 + MATERIALS[c["material"]].gloss) * 0.5
    spot = _glare(rng, where, scene.rim, c["glare"] * gloss)
    below = under.at(flat).astype(np.float32)
    on = face.canvas.at(flat @ scene.turn).astype(np.float32)
    tint = np.exp(np.array([1, 0, -1]) * c["warmth"]).astype(np.float32)
    panel = np.float32(0.0)
    if c["backlit"]:
        brightest = float(linear(face.layers[::8, ::8, :3].copy()).max())
        mean = float(linear(under.pixels[::8, ::8].copy()).mean())
        panel = np.float32(brightest * max(c["contrast"], 2.0))
    out = np.empty((camera.height, camera.width, 3), np.float32)
    through = np.empty((camera.height, camera.width), np.uint8)
    for top in range(0, camera.height, STRIP * EVERY):
        rows = slice(top, min(top + STRIP * EVERY, camera.height))

        def fine(coarse: Floats, rows: slice = rows) -> Floats:
            return camera.strip(coarse, rows, EVERY)

        ground = cv2.remap(
            under.pixels, fine(below[..., 0]), fine(below[..., 1]), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        layers = cv2.remap(
            face.layers, fine(on[..., 0]), fine(on[..., 1]), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=(0, 0, 0, 255),
        )  # fmt: skip
        through[rows] = layers[..., 3]
        own = linear(np.ascontiguousarray(layers[..., :3]))
        passed = linear(ground)
        open_ = layers[..., 3:].astype(np.float32) * np.float32(1 / 255)
        lit = fine(falls)[..., None] * tint
        if c["backlit"]:
            # the table is the panel: its pattern shows faintly
            passed *= np.float32(0.3 / max(mean, 1e-3)) * panel
            passed += np.float32(0.7) * panel
            own *= lit
            passed *= open_
            own += passed
        else:
            passed *= open_
            own += passed
            own *= lit
        out[rows] = own
    if c["backlit"]:
        # light scattered in the lens: a fiftieth of it, over a fiftieth of the picture
        size = (max(camera.width // 16, 1), max(camera.height // 16, 1))
        veil = cv2.resize(out, size, interpolation=cv2.INTER_AREA)
        veil = cv2.GaussianBlur(veil, (0, 0), 0.02 * max(size) + 0.5)
        out += np.float32(0.02) * cv2.resize(veil, (camera.width, camera.height))
    white = float(np.quantile(out[::16, ::16].max(axis=2), 0.98))
    gain = np.float32(0.85 * 2.0 ** c["exposure"] / max(white, 1e-4))
    for top in range(0, camera.height, STRIP * EVERY):
        rows = slice(top, min(top + STRIP * EVERY, camera.height))
        out[rows] *= gain
        if c["glare"]:
            shine = camera.strip(spot, rows, EVERY) * (1 - through[rows] * np.float32(1 / 255))
            out[rows] += shine[..., None]
    if c["hand"]:
        _hand(scene, camera, under, below, falls, out)
    return out


def _hand(
    scene: Scene, camera: Camera, under: Canvas, below: Floats, falls: Floats, out: Floats
) -> None:
    """A hand over the picture: it may hide places of the clock row, but no bit."""
    rng = np.random.default_rng(scene.seeds[2])
    assert scene.disc.geometry is not None
    data = sites(scene.disc)[0].reshape(-1, 2)
    inmost = float(np.hypot(*data.T).max()) + scene.disc.geometry.hole_diameter
    shape = (*under.pixels.shape[:2], 4)
    over = Canvas(np.zeros(shape, np.uint8), under.left, under.top, under.mm)
    hand(rng, over, scene.rim, inmost)
    rows = slice(0, camera.height)
    maps = [camera.strip(below[..., i], rows, EVERY) for i in (0, 1)]
    skin = cv2.remap(over.pixels, *maps, cv2.INTER_LINEAR)
    cover = skin[..., 3:].astype(np.float32) * np.float32(1 / 255)
    shade = noise_field(rng, out.shape[:2], (40, 40))[..., None] * np.float32(0.04) + 1
    lit = camera.strip(falls, rows, EVERY)[..., None]
    flesh = linear(np.ascontiguousarray(skin[..., :3])) * shade * np.float32(0.9) * lit
    out *= 1 - cover
    out += flesh * cover


def seen_bits(
    light: Floats, scene: Scene, camera: Camera, read: float, electrons: float
) -> Reals:  # fmt: skip
    """How many standard deviations each data place stands out, shape (rows, positions).

    A hole stands out from the surface at the nearest places without one, by their spread. A place
    without a hole counts as 0 if it differs from its like by half of what the holes nearby do.

    `read` and `electrons` give the noise that the light does not have yet (0 and infinity: none).
    """
    disc, cut, turn = scene.disc, scene.cut, scene.turn
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
    surface, holes = np.flatnonzero(~hole), np.flatnonzero(hole)
    if len(surface) < 3:
        return np.zeros(cut.shape)
    near = _nearest(at, surface, 12)
    base = np.median(level[near], axis=1)
    spread = 1.4826 * np.median(abs(level[near] - base[:, None]), axis=1)
    sigma = np.sqrt(spread**2 + (base / electrons / 3 + read**2) / side**2 + 1e-12)
    gap = abs(level - base)
    usual = np.median(gap[_nearest(at, holes, 12)], axis=1)
    out = np.where(hole, gap / sigma, np.where(gap < usual / 2, usual / sigma, 0.0))
    return out[: cut.size].reshape(cut.shape)


def _nearest(at: Reals, which: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    """The nearest places out of `which` to each place, itself left out, shape (places, count)."""
    k = min(count + 1, len(which))
    found = which[cKDTree(at[which]).query(at, k=k)[1].reshape(len(at), k)]
    own = found == np.arange(len(at))[:, None]
    # a place of another kind leaves out the farthest instead
    own[:, -1] |= ~own.any(axis=1)
    return found[~own].reshape(len(at), k - 1)
