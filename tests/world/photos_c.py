"""Photographs of discs, from projection, light and a camera alone.

`scene_c` has the disc, the table and how light falls through holes; `camera_c` has lens, sensor
and file; here are the conditions, drawn for each picture, and the order in which light meets
things. One picture in four is an ordinary good one; the others combine three to six conditions at
mild to strong levels.

A picture is drawn again until a person could read it. The criterion follows Rose (1948, "The
sensitivity performance of the human eye on an absolute scale"), who found that an area is seen
when it differs from its surroundings by about five times the noise of areas of its size: for each
hole, the mean within it less the mean of a ring round it; its noise is the spread of the same
difference where no hole is (grain and dirt included). Nineteen in twenty holes must exceed five,
all must exceed three, no place without a hole may come near (half of what all but one in twenty
holes reach), and holes must be at least four pixels wide across their narrower side.

Everything random comes from `default_rng([seed, 3, ...])`. Seeds that three divides are kept
back: nobody looks at results from them before the work on readers is done. This whole generator
is kept back as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.camera_c import Camera, View, develop, jpeg, look
from tests.world.clutter_c import blend, clutter, hand
from tests.world.disc_c import LETTER, disc, places
from tests.world.scene_c import MATERIALS, TILES, Material, Sheet, sheet, tile

Reals = NDArray[np.float64]
Floats = NDArray[np.float32]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator


@dataclass(frozen=True)
class Picture:
    """A photograph and the truth about it."""

    image: Pixels
    """As a viewer shows it, shape (height, width, 3), RGB."""
    jpeg: bytes
    disc: sonify.Disc
    grid: NDArray[np.int8]
    """What is really on the disc, blocked holes included."""
    message: str | None
    conditions: dict[str, Any]
    readable: bool


HARDSHIPS = (
    "same-tone", "grain", "tilt", "distortion", "clutter", "pattern", "others", "uneven", "shadow",
    "glare", "motion", "defocus", "jpeg", "hand", "fills", "quarter", "dark", "back-lit", "damage",
)  # fmt: skip
_MEGAPIXELS = (1.0, 2.0, 3.1, 5.0, 8.0, 12.0, 12.2, 48.0)
_OFTEN = (0.08, 0.12, 0.12, 0.14, 0.16, 0.24, 0.12, 0.02)


@dataclass(frozen=True)
class Light:
    """Where light comes from."""

    direct: float
    """Share of direct light; the rest is diffuse."""
    towards: tuple[float, float]
    """How far a shadow moves for each mm of height, in mm."""
    penumbra: float
    """Blur of a shadow for each mm of height, in mm."""
    behind: float
    """Radiance of a lit table; 0 for one that only reflects."""


def _lay(
    light: Floats, view: View, of: Sheet, made: Material, at: tuple[float, float], thick: float,
    gap: float, how: Light, mirror: Floats | None,
) -> None:  # fmt: skip
    """Lay a disc on the table of a picture, centred at a place in mm."""
    deep = thick + gap
    half = of.open.shape[0] / 2 / of.scale + deep * math.hypot(*how.towards)
    corners = np.array([[-half, -half], [half, -half], [half, half], [-half, half]]) + at
    around = np.concatenate([view.pixels(corners, z) for z in (0.0, -thick - gap)])
    low = np.maximum(np.floor(around.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(around.max(axis=0)).astype(int) + 2, (view.width, view.height))
    if (high <= low).any():
        return
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    here = light[:, box[1] : box[3], box[0] : box[2]]

    def seen(mask: Pixels, z: float, dx: float = 0.0, dy: float = 0.0, shrink: int = 1) -> Pixels:
        scale = of.to_mask(dx - at[0], dy - at[1])
        if shrink > 1:
            scale = scale / shrink
            scale[:, 2] += 0.5 / shrink - 0.5
        x, y = view.rays(z, box, scale)
        return cv2.remap(mask, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)

    if how.behind == 0:
        small = cv2.resize(of.open, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        wide = [
            cv2.GaussianBlur(small, (0, 0), max(0.3, k * deep * of.scale / 4)) for k in (0.5, 1.3)
        ]
        ambient = _fading(cv2.addWeighted(wide[0], 0.5, wide[1], 0.5, 0))
        soft = max(0.3, how.penumbra * deep * of.scale)
        dx, dy = (-s * deep for s in how.towards)
        if soft > 6:
            direct = seen(_fading(cv2.GaussianBlur(small, (0, 0), soft / 4)), -deep, dx, dy, 4)
        else:
            direct = seen(cv2.GaussianBlur(of.open, (0, 0), soft), -deep, dx, dy)
        share = cv2.addWeighted(
            direct, how.direct * (1 - made.clear) / 255, seen(ambient, -deep, shrink=4),
            (1 - how.direct) * (1 - made.clear) / 255, made.clear, dtype=cv2.CV_32F,
        )  # fmt: skip
        here *= share
    top, bottom = seen(of.open, 0.0), seen(of.open, -thick)
    through = cv2.multiply(top, bottom, scale=1 / 255)
    wall = cv2.subtract(top, through)
    x, y = view.rays(0.0, box, of.to_mask(-at[0], -at[1]))
    face = cv2.remap(of.face, x, y, cv2.INTER_LINEAR)
    face = cv2.multiply(face, 255 - top, scale=1 / 128 / 255, dtype=cv2.CV_32F)
    ours = 1.0 if how.behind == 0 else 0.12
    for c in range(3):
        own = made.albedo[c] * ours
        hue = made.albedo[c] / max(made.albedo)
        pass_on = cv2.addWeighted(
            through, 1 / 255, face, made.clear * hue, 0, dtype=cv2.CV_32F
        ) if made.clear else through * np.float32(1 / 255)  # fmt: skip
        here[c] *= pass_on
        here[c] += face * np.float32(own * (1 - made.clear))
        here[c] += wall * np.float32(own * 0.8 * made.wall / 255)
        if mirror is not None:
            here[c] += (
                mirror[box[1] : box[3], box[0] : box[2]]
                * (255 - top)
                * np.float32(made.gloss / 255)
            )


def _fading(mask: Pixels) -> Pixels:
    """A mask that is open at its sides, whatever was blurred into them."""
    axis = (np.arange(len(mask)) + 0.5) / (len(mask) / 2) - 1
    fade = np.clip((1 - np.hypot(axis[:, None], axis)) / 0.15, 0, 1)
    return np.round(255 - (255.0 - mask) * fade * fade * (3 - 2 * fade)).astype(np.uint8)


def _field(rng: Rng, view: View, hard: set[str]) -> Floats:
    """How bright light is over the picture, at a sixteenth of its size, about 1."""
    w, h = view.width // 16, view.height // 16
    y, x = np.mgrid[:h, :w].astype(np.float32)
    u, v = x / w - 0.5, y / h - 0.5
    most = float(rng.uniform(1.4, 2.2)) if "uneven" in hard else float(rng.uniform(1.0, 1.25))
    turn = rng.uniform(0, 2 * math.pi)
    out = most ** (u * math.cos(turn) + v * math.sin(turn)).astype(np.float32)
    if "uneven" in hard and rng.random() < 0.5:  # a lamp nearby
        cx, cy, wide = rng.uniform(-0.4, 0.4), rng.uniform(-0.4, 0.4), rng.uniform(0.5, 1.0)
        near = np.exp(-((u - cx) ** 2 + (v - cy) ** 2) / wide**2).astype(np.float32)
        out *= 1 + (most - 1) * near
    if "shadow" in hard:
        dark = float(rng.uniform(0.35, 0.75))
        for _ in range(int(rng.integers(1, 4))):
            turn, far = rng.uniform(0, 2 * math.pi), rng.uniform(-0.25, 0.35)
            away = u * math.cos(turn) + v * math.sin(turn) - far
            if rng.random() < 0.4:  # the bar of a window, an arm
                away = np.abs(away) - rng.uniform(0.03, 0.12)
                away = -away
            soft = float(rng.uniform(0.004, 0.06))
            cover = 1 / (1 + np.exp(-np.clip(away / soft, -40, 40)))
            out *= (1 - (1 - dark) * cover).astype(np.float32)
            dark = math.sqrt(dark)
    return out


def _mirror(rng: Rng, view: View, hard: set[str]) -> Floats | None:
    """What a glossy face mirrors of lamps, in the scene's own brightness."""
    if "glare" not in hard:
        return None
    w, h = view.width // 16, view.height // 16
    y, x = np.mgrid[:h, :w].astype(np.float32)
    out = np.zeros((h, w), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        cx, cy = rng.uniform(0.2, 0.8) * w, rng.uniform(0.2, 0.8) * h
        a, b = rng.uniform(0.03, 0.18, 2) * min(w, h)
        turn = rng.uniform(0, math.pi)
        p = (x - cx) * math.cos(turn) + (y - cy) * math.sin(turn)
        q = -(x - cx) * math.sin(turn) + (y - cy) * math.cos(turn)
        out += float(rng.uniform(0.15, 1.6)) * np.exp(-((p / a) ** 2) - (q / b) ** 2)
    return cv2.resize(out, (view.width, view.height))


def _levels(
    picture: Pixels, view: View, made: sonify.Disc, row: Any, position: Any
) -> tuple[Reals, Reals]:
    """At each place, the mean of the picture in the hole, and that in a ring round it."""
    g, at = made.geometry, places(made)
    assert g is not None
    radii = np.append(at.rows, at.clock)[row]
    angle = at.angles[position]
    x, y = radii * np.sin(angle), radii * np.cos(angle)
    turn = np.arange(24) * 2 * math.pi / 24
    inner = np.concatenate([[0.0], np.repeat([0.3, 0.6], 12)]) * g.hole_diameter / 2
    inner_turn = np.concatenate([[0.0], turn[::2], turn[1::2]])
    web = min(g.row_pitch, 2 * math.pi * radii.min() / made.positions) - g.hole_diameter
    ring = np.full(24, g.hole_diameter / 2 + min(0.5 * web, 0.3 * g.hole_diameter))
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)

    def mean(r: Reals, a: Reals) -> Reals:
        p = np.stack([x[:, None] + r * np.sin(a), y[:, None] + r * np.cos(a)], axis=-1)
        q = view.pixels(p).astype(np.float32)
        got = cv2.remap(grey, q[..., 0], q[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        return got.mean(axis=1)

    return mean(inner, inner_turn).astype(float), mean(ring, turn).astype(float)


def _readable(
    picture: Pixels, view: View, made: sonify.Disc, holes: NDArray[np.bool_], hidden: Any
) -> tuple[bool, float, float]:
    """Whether a person could read it, how far the weakest hole exceeds the noise, and the contrast
    of holes (the brighter over the darker, by the inverse of sRGB)."""
    whole = np.vstack([holes, ~hidden])
    row, position = np.nonzero(whole)
    inside, around = _levels(picture, view, made, row, position)
    hole = inside - around
    row, position = np.nonzero(~holes)
    none = np.subtract(*_levels(picture, view, made, row, position))
    if len(none) < 6:
        none = np.append(none, np.zeros(6))
    middle = float(np.median(none))
    noise = max(1.4826 * float(np.median(np.abs(none - middle))), 0.4)
    seen = np.abs(hole - middle)
    fifth = float(np.percentile(seen, 5))
    good = (
        fifth >= 5 * noise
        and float(seen.min()) >= 3 * noise
        and float(np.abs(none - middle).max()) <= 0.5 * fifth
    )
    light = ((np.array([inside, around]) / 255 + 0.055) / 1.055) ** 2.4 + 1e-3
    contrast = float(np.exp(np.median(np.abs(np.log(light[0] / light[1])))))
    return good, float(seen.min()) / noise, contrast


def _alike(rng: Rng, how: Light, made: sonify.Disc, deep: float) -> float:
    """How bright a table is, over its disc, so that holes hardly differ from the face."""
    g = made.geometry
    assert g is not None
    ratio = float(np.exp(rng.choice([-1, 1]) * rng.uniform(0.08, 0.45)))
    if rng.random() < 0.35:  # the same material, whatever the holes look like then
        return ratio
    r = g.hole_diameter / 2
    lit = max(0.0, 1 - deep * math.hypot(*how.towards) / (1.6 * r))
    return ratio / max(0.15, how.direct * lit + (1 - how.direct) * r * r / (r * r + deep * deep))


def _attempt(seed: int, number: int) -> Picture | None:
    rng = np.random.default_rng([seed, LETTER, 20, number])
    # whether it is an ordinary picture is settled once for a seed
    ordinary = np.random.default_rng([seed, LETTER, 19]).random() < 0.25
    count = int(rng.integers(0, 2)) if ordinary else int(rng.integers(3, 7))
    hard = set(rng.choice(HARDSHIPS, count, replace=False).tolist())
    if {"fills", "quarter"} <= hard:
        hard.discard("fills")
    if "fills" in hard:
        hard -= {"others"}
    level = (lambda low, high: float(rng.uniform(low, low + 0.4 * (high - low)))) if ordinary else (
        lambda low, high: float(rng.uniform(low, high))
    )  # fmt: skip

    made = disc(rng, most_ratio=160.0)
    g = made.geometry
    assert g is not None
    rim = g.outer_diameter / 2
    megapixels = float(rng.choice(_MEGAPIXELS, p=_OFTEN))
    ratio = float(rng.choice([4 / 3, 3 / 2, 16 / 9, 1.0], p=[0.6, 0.2, 0.15, 0.05]))
    long = 16 * round(math.sqrt(megapixels * 1e6 * ratio) / 16)
    short = 16 * round(long / ratio / 16)
    width, height = (long, short) if rng.random() < 0.6 else (short, long)
    fill = float(rng.uniform(0.55, 0.92))
    if "fills" in hard:
        fill = float(rng.uniform(0.92, 0.99))
    if "quarter" in hard:
        fill = float(rng.uniform(0.22, 0.5))
    tilt = math.radians(level(15, 35) if "tilt" in hard else float(rng.uniform(0, 9)))
    wide = fill * short / (2 * rim) * g.hole_diameter  # a hole's width in pixels
    if wide * math.cos(tilt) * 0.9 < 4:
        return None
    distance = float(rng.uniform(1.4, 5.0))
    spare = (1 - fill) / 2 * short * 0.9
    k1 = float(rng.uniform(-0.12, 0.05)) if "distortion" in hard else float(rng.normal(0, 0.006))
    view = look(
        width, height, rim, fill, tilt, float(rng.uniform(0, 2 * math.pi)),
        float(rng.uniform(0, 2 * math.pi)), distance,
        (float(rng.uniform(-1, 1)) * (spare + (width - short) / 2 * 0.8),
         float(rng.uniform(-1, 1)) * (spare + (height - short) / 2 * 0.8)),
        k1, float(rng.normal(0, 0.1)) * k1,
    )  # fmt: skip
    turn = np.arange(72) * math.pi / 36
    outline = view.pixels(np.column_stack((np.cos(turn), np.sin(turn))) * (rim + 1))
    if (outline < 1).any() or (outline > (width - 2, height - 2)).any():
        return None

    # the disc and what it lies on
    material = MATERIALS[int(rng.integers(len(MATERIALS)))]
    if "back-lit" in hard:
        hard -= {"same-tone", "pattern"}
    thick = float(rng.uniform(0.3, 1.2) if material.name in ("card", "paper", "grey card")
                  else rng.uniform(1.0, 6.0))  # fmt: skip
    gap = float(rng.choice([0.0, rng.uniform(0.0, 2.0), rng.uniform(2.0, 15.0)]))
    if "same-tone" in hard:
        # holes wide for their depth, so that light reaches their bottom
        thick = min(thick, g.hole_diameter / 2 * float(rng.uniform(0.15, 1.2)))
        gap *= float(rng.random() < 0.25)
    deep = thick + gap
    backing = float(rng.uniform(0.6, 2.0)) if "back-lit" in hard else 0.0
    angle, low = rng.uniform(0, 2 * math.pi), math.tan(math.radians(rng.uniform(8, 60)))
    how = Light(
        direct=float(rng.uniform(0.05, 0.5) if "same-tone" in hard else rng.uniform(0.2, 0.85)),
        towards=(low * math.cos(angle), low * math.sin(angle)),
        penumbra=float(rng.uniform(0.02, 0.35)),
        behind=backing,
    )
    own = np.array(material.albedo)
    grey = np.array([1.0, 1.0, 1.0]) * float(np.exp(rng.uniform(math.log(0.03), math.log(0.8))))
    table = np.clip(grey * rng.uniform(0.75, 1.15, 3), 0.02, 0.9)
    if "same-tone" in hard:
        table = np.clip(own * _alike(rng, how, made, deep) * rng.uniform(0.97, 1.03, 3), 0.02, 0.9)
    elif ordinary:
        bright = own.mean() > 0.25
        table = np.clip(rng.uniform(0.9, 1.1, 3) * (0.05 if bright else 0.6), 0.02, 0.9)
    grain = (level(0.1, 0.45) if "grain" in hard else float(rng.uniform(0.01, 0.06))) * (
        1.0 if material.grain != "plain" else 0.5
    )
    holes = made.grid == made.layout.hole_means
    grid = made.grid.copy()
    torn = 0
    if "damage" in hard:
        row, position = np.nonzero(holes)
        some = rng.choice(len(row), min(len(row) - 1, int(rng.integers(0, 4))), replace=False)
        holes = holes.copy()
        holes[row[some], position[some]] = False
        grid[row[some], position[some]] = 1 - made.layout.hole_means
        torn = int(rng.integers(0, 4))
    scale = min(1.15 * fill * short / (2 * rim) / (1 - math.sin(tilt) / (2 * distance)),
                4400 / (2.5 * rim))  # fmt: skip
    edge = material.wall**0.5 if rng.random() < 0.6 else 1.0
    cut = sheet(rng, made, holes, scale, torn, grain, material.grain, rng.random() < 0.6, edge)

    # light, from the table upwards
    kind = str(rng.choice(TILES[1:])) if "pattern" in hard else str(rng.choice(["plain", "wood"]))
    if backing:
        kind, table = "plain", np.full(3, backing)
    repeat = rim * float(rng.uniform(0.5, 3.0))
    cloth = tile(rng, kind, np.minimum(table, 0.95)) * (max(1.0, backing) if backing else 1.0)
    turned = float(rng.uniform(0, 2 * math.pi))
    along, across = (len(cloth) / repeat * f(turned) for f in (math.cos, math.sin))
    x, y = view.rays(
        -deep, (0, 0, width, height), np.array([[along, -across, 0.0], [across, along, 0.0]]), 2
    )
    half = cv2.remap(cloth, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    light = np.empty((3, height, width), np.float32)
    for c, plane in enumerate(cv2.split(half)):
        cv2.resize(plane, (width, height), dst=light[c])
    if "clutter" in hard and not backing:
        clutter(rng, light, view, made, own, -deep)
    mirror = _mirror(rng, view, hard)
    if "others" in hard:
        for _ in range(int(rng.integers(1, 4))):
            other = disc(rng, most_bits=1200, most_ratio=120.0)
            size = rim / (other.geometry.outer_diameter / 2) * float(rng.uniform(0.3, 0.75))  # type: ignore[union-attr]
            reach = (
                rim * (1.04 + float(rng.uniform(0.0, 0.5)))
                + size * other.geometry.outer_diameter / 2
            )  # type: ignore[union-attr]
            way = rng.uniform(0, 2 * math.pi)
            of = MATERIALS[int(rng.integers(len(MATERIALS)))]
            mask = sheet(
                rng, other, other.grid == 1, min(scale * size, 6.0), 0, 0.05, "speckle", False, 1.0
            )
            mask = Sheet(mask.scale / size, mask.open, mask.face)
            _lay(light, view, mask, of, (reach * math.cos(way), reach * math.sin(way)),
                 thick, gap, how, mirror)  # fmt: skip
    _lay(light, view, cut, material, (0.0, 0.0), thick, gap, how, mirror)
    hidden = np.zeros(made.positions, np.bool_)
    if "hand" in hard:
        hidden = hand(rng, light, view, made)
    field = _field(rng, view, hard)
    light *= cv2.resize(field, (width, height))

    camera = Camera(
        defocus=wide * level(0.08, 0.32) if "defocus" in hard else float(rng.uniform(0.0, 0.8)),
        motion=wide * level(0.15, 0.6) if "motion" in hard else 0.0,
        motion_towards=float(rng.uniform(0, math.pi)),
        veil=float(rng.uniform(0.03, 0.1) if backing else rng.uniform(0.0, 0.04)),
        exposure=float(rng.uniform(0.55, 1.0)),
        electrons=float(150 * 10 ** rng.random() if "dark" in hard else 3000 * 4 ** rng.random()),
        read_noise=float(rng.uniform(2, 7)),
        denoise=float(rng.uniform(0, 0.9)),
        sharpen=float(rng.uniform(0, 0.9)),
        contrast=float(rng.uniform(0, 0.6)),
        tint=tuple(rng.uniform(0.88, 1.12, 3).tolist()),
        vignette=float(rng.uniform(0.15, 0.6)),
        quality=int(rng.integers(40, 62) if "jpeg" in hard else rng.integers(75, 96)),
        full_colour=bool(rng.random() < 0.2),
        orientation=int(rng.choice([1, 3, 6, 8], p=[0.55, 0.1, 0.25, 0.1])),
    )  # fmt: skip
    seen, data = jpeg(develop(rng, light, camera), camera)
    good, margin, contrast = _readable(seen, view, made, holes, hidden)
    return Picture(
        image=seen,
        jpeg=data,
        disc=made,
        grid=grid,
        message=made.message,
        conditions={
            "hardships": tuple(sorted(hard)), "ordinary": ordinary, "material": material.name,
            "table": kind, "megapixels": width * height / 1e6, "hole_px": wide, "fill": fill,
            "tilt_deg": math.degrees(tilt), "k1": k1, "quality": camera.quality,
            "margin": margin, "contrast": contrast,
            "electrons": camera.electrons, "thick": thick, "gap": gap, "tries": number + 1,
            "blocked": int((grid != made.grid).sum()), "torn": torn, "exif": camera.orientation,
        },
        readable=good,
    )  # fmt: skip


def picture(seed: int) -> Picture:
    """A photograph that a person can read; if forty are not, the last one as it is."""
    last: Picture | None = None
    for number in range(400):
        made = _attempt(seed, number)
        if made is None:
            continue
        last = made
        if made.readable:
            return made
        if number > 60:
            break
    assert last is not None
    return last


__all__ = ["HARDSHIPS", "Picture", "blend", "picture"]
