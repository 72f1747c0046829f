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
`TRIES` times, until it is. A plain disc has an index mark, so that one can tell where it begins; a
framed one may have none (`conditions["engraving"]`). The mark is at least 4 pixels tall and stands
out from the rim beside it by 3 times that rim's own differences.
Engraving is darker than its material, on black paler (from memory).

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
from tests.world.render_a import Conditions, develop, render
from tests.world.scene_a import TABLES, Camera, rotation, sites

LETTER_NUMBER = 1
TRIES = 12


@dataclass(frozen=True)
class Picture:
    """A photograph, and what is on it. `image` is upright, `jpeg` as the camera stored it."""

    image: np.ndarray
    jpeg: bytes | None
    disc: Disc
    grid: np.ndarray
    message: str | None
    conditions: Conditions = field(default_factory=dict)
    readable: bool = True


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


KINDS = {
    "good": 0.25,
    "opaque": 0.3,
    "pale": 0.15,
    "black": 0.12,
    "acrylic": 0.09,
    "back-lit": 0.09,
}
"""The share of each kind of picture; drawing again keeps a seed's kind."""


def _conditions(rng: np.random.Generator, kind: str) -> Conditions:
    """What the picture is taken under."""
    good = kind == "good"

    def some(chance: float) -> bool:
        return not good and bool(rng.random() < chance)

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


def _camera(disc: Disc, c: Conditions, rng: np.random.Generator) -> Camera:
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


def _mark_visible(image: np.ndarray, disc: Disc, camera: Camera) -> dict[str, float]:
    """How tall the index mark is, and how it differs from the rim beside it, over the noise."""
    sizes = disc.geometry
    assert sizes is not None
    rim = sizes.outer_diameter / 2
    outermost = max(row_radii(disc).max(), sizes.clock_radius) + sizes.hole_diameter / 2
    tall = 0.8 * (rim - outermost)
    ends = camera.project(np.array([[0, -rim], [0, tall - rim]]))
    pixels = float(np.hypot(*(ends[1] - ends[0])))
    side = np.arange(-8, 9) * 0.9 * tall
    turn = side / rim
    row = (rim - 0.3 * tall) * np.column_stack((np.sin(turn), -np.cos(turn)))
    at = camera.project(row).astype(np.float32)
    size = max(round(pixels * 0.3), 1)
    grey = cv2.blur(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), (size, size)).astype(np.float32)
    seen = cv2.remap(grey, at[None, :, 0] - 0.5, at[None, :, 1] - 0.5, cv2.INTER_LINEAR)[0]
    beside = np.delete(seen, 8)
    steps = np.abs(np.diff(beside))
    differ = abs(float(seen[8]) - float(seen[7] + seen[9]) / 2)
    return {"index_px": pixels, "index_rose": differ / (float(np.median(steps)) + 1.0)}


def _attempt(seed: int, attempt: int) -> Picture:
    rng = np.random.default_rng([seed, LETTER_NUMBER, attempt])
    fixed = np.random.default_rng([seed, LETTER_NUMBER, 99])
    kind = str(fixed.choice(list(KINDS), p=list(KINDS.values())))
    disc = random_disc(rng, most_rows=24, widest=420.0, blank=False)
    c = _conditions(rng, kind)
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
    image = develop(render(disc, c, camera, rng), c, hole_px, rng)
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
    c.update(_mark_visible(image, disc, camera))
    readable = (
        seen["hole_px"] >= 4
        and ("index" not in c["engraving"] or (c["index_px"] >= 4 and c["index_rose"] >= 3))
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
