"""Photographs of punched discs as strangers would take them, from geometry, light and a sensor.

`picture(seed)` draws conditions, then a disc and a scene under them until a person could read the
picture by the criterion in `sight_d`, at most TRIES times.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

import sonify
from tests.world.ground_d import LIGHTS, PATTERNED, PLAIN, above, ground, luminous, things
from tests.world.lens_d import Camera, Sensor, aim, kernel, own_light, soften
from tests.world.plate_d import MATERIALS, Plate, make
from tests.world.shine_d import Light, Scene, render
from tests.world.sight_d import LEAST, bars, ellipses, seen

Reals = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator

TRIES, LAYOUTS = 5, 40
"""How often a picture is taken, and how often a scene is set up for one before it is taken."""

HARDSHIPS = (
    "small", "overfull", "tilt", "wide", "pattern", "clutter", "hand", "hub", "shadow", "shake",
    "defocus", "denoised", "jpeg", "damage", "clear", "glossy", "metal", "print", "tint", "raised",
)  # fmt: skip
LIGHTINGS = ("sun", "window", "lamp", "flash", "dim", "back-lit")


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
    plate: Plate
    camera: Camera
    """Of the picture as it was taken, before the telephone turned it."""
    quarters: int
    """Quarter turns anticlockwise from the taken picture to the shown one."""
    why: tuple[str, ...] = field(default=())
    """What keeps it from being readable."""
    tries: int = 1


def conditions(seed: int) -> dict[str, Any]:
    """One in four ordinary, one in twelve a scan; the others mix two to five hardships."""
    rng = np.random.default_rng([seed, 4])
    kind = rng.random()
    names: list[str] = []
    if kind >= 0.25:
        count = int(rng.integers(2, 6))
        if rng.random() < 0.6:
            names.append(str(rng.choice(LIGHTINGS)))
        for name in rng.permutation(HARDSHIPS).tolist():
            ways = [{"small", "overfull"}, {"clear", "glossy", "metal", "print"}]
            if len(names) < count and not any({name} < w and w & set(names) for w in ways):
                names.append(name)
    if kind >= 0.92:
        names = ["scan", *(n for n in names if n in ("damage", "jpeg", "print", "metal"))]
    out: dict[str, Any] = {"names": tuple(names)}
    out["megapixels"] = float(np.exp(rng.uniform(0, np.log(12)))) * (0.5 if kind >= 0.92 else 1)
    out["megapixels"] = 48.0 if rng.random() < 1 / 30 and kind < 0.92 else out["megapixels"]
    out["quarters"] = int(rng.integers(4)) if rng.random() < 0.35 else 0
    return out


def _view(rng: Rng, names: tuple[str, ...], plate: Plate, pixels: float) -> Camera:
    """Where the camera is held."""
    long = np.sqrt(pixels * 4 / 3)
    shape = (
        (round(long), round(long * 0.75))
        if rng.random() < 0.5
        else (round(long * 0.75), round(long))
    )
    size = rng.uniform(0.5, 0.95)
    if "small" in names:
        size = rng.uniform(0.25, 0.45)
    if "overfull" in names:
        size = rng.uniform(0.96, 1.06)
    short, reach = min(shape), 2 * plate.radius
    if "scan" in names:
        far = 1e7
        return aim(far * size * short / reach, shape, far, 0.0, 0.0, rng.uniform(0, 2 * np.pi),
                   rng.normal(0, 0.02, 2) * short)  # fmt: skip
    # 26 mm is a telephone's main lens on a frame of 36 mm, 13 to 18 its wide one
    wide = "wide" in names
    lens = rng.uniform(13, 18) if wide else rng.uniform(24, 30)
    # what distortion takes from the picture's corner
    bend = rng.uniform(0.01, 0.13) if wide else rng.uniform(-0.02, 0.02)
    focal = lens / 36 * max(shape)
    corner = np.hypot(*shape) / 2 / focal / (1 - bend)
    k1 = -bend / corner**2
    tilt = rng.uniform(12, 30) if wide or "tilt" in names else rng.uniform(0, 8)
    # the horizon stays out of the picture
    tilt = np.radians(min(tilt, 76 - np.degrees(np.arctan(corner))))
    room = max(0.0, 1 - size) / 2 * short
    offset = rng.uniform(-0.7, 0.7, 2) * room
    way, roll = rng.uniform(0, 2 * np.pi, 2)
    return aim(focal, shape, focal * reach / (size * short), tilt, way, roll, offset, k1)


def _lighting(rng: Rng, names: tuple[str, ...], camera: Camera) -> tuple[Light, float, float]:
    """The light, the share of light that the camera gets of what it would like, and how far its
    white balance leaves the light's colour."""
    turn, panel = rng.uniform(0, 2 * np.pi), rng.uniform(0, 2) * (rng.random() < 0.5)

    def source(name: str, far: float, up: float, power: float, warm: float, half: float) -> Light:
        rise = np.radians(up)
        place = far * np.array(
            [np.cos(turn) * np.cos(rise), np.sin(turn) * np.cos(rise), np.sin(rise)]
        )
        if name == "flash":
            place = camera.place + 12 * camera.axes[0]
        colour = np.array([1 + warm, 1, 1 - warm])
        room = np.array([1, 1, 1]) if name != "sun" else np.array([0.85, 0.97, 1.2])
        return Light(name, place, power * colour, (1 - power) * room, half, name == "window", panel,
                     turn)  # fmt: skip

    name = next((n for n in names if n in LIGHTINGS), "room")
    if name == "sun":  # 0.27° is half the sun's angle
        return source(name, 1e7, rng.uniform(20, 75), rng.uniform(0.72, 0.88), 0.06, 0.0047), 1, 0.2
    if name == "window":
        return source(name, rng.uniform(600, 2500), rng.uniform(18, 50), rng.uniform(0.5, 0.85),
                      -0.05, rng.uniform(0.12, 0.3)), 0.8, 0.3  # fmt: skip
    if name == "lamp":
        return source(name, rng.uniform(250, 600), rng.uniform(35, 85), rng.uniform(0.6, 0.9), 0.35,
                      rng.uniform(0.05, 0.12)), 0.5, 0.3  # fmt: skip
    if name == "flash":
        return source(name, 1, 0, rng.uniform(0.7, 0.95), 0.0, 0.01), 0.4, 0.2
    if name == "dim":
        return source("lamp", rng.uniform(900, 2500), rng.uniform(30, 80), rng.uniform(0.3, 0.7),
                      0.35, rng.uniform(0.03, 0.1)), rng.uniform(0.01, 0.06), 0.4  # fmt: skip
    if name == "back-lit":
        return source("room", 2000, 60, 0.3, 0.1, 0.3), 0.8, 0.2
    return source("room", 1e4, rng.uniform(40, 85), rng.uniform(0.2, 0.6), rng.uniform(-0.05, 0.15),
                  rng.uniform(0.1, 0.35)), 0.7, 0.3  # fmt: skip


def _scene(rng: Rng, names: tuple[str, ...], plate: Plate, camera: Camera, light: Light) -> Scene:
    """The table with what lies on it, as large as the picture shows."""
    h, w = camera.shape
    gap = 0.0 if rng.random() < 0.7 else rng.uniform(0.5, 4)
    gap = rng.uniform(5, 40) if "raised" in names or "hand" in names else gap
    gap = rng.uniform(60, 400) if "back-lit" in names else gap
    y, x = np.mgrid[0 : h - 1 : 9j, 0 : w - 1 : 9j]
    at, slope = camera.rays(np.stack((x, y), -1))
    shown = np.concatenate(
        [(at - z * slope).reshape(-1, 2) for z in (-4, 0, plate.thickness + gap)]
    )
    most = 3 * plate.radius + 600
    low, high = np.maximum(shown.min(0) - 5, -most), np.minimum(shown.max(0) + 5, most)
    scale = camera.focal / camera.place[2]
    ppm = min(scale, 2200 / float((high - low).max()))
    shape = tuple((np.ceil((high - low) * ppm)[::-1]).astype(int).tolist())
    corner = np.array([low[0], high[1]])
    middle = np.array([-low[0], high[1]])
    tilt = np.array(light.slope(0.0, 0.0, 0.0))
    shade, cast = np.full((2, *shape), 255, np.uint8)
    shining = 0.0
    if "scan" in names:
        table = np.full((*shape, 3), rng.choice([8, 25, 225, 245]), np.uint8)
    elif "back-lit" in names:
        table = luminous(str(rng.choice(LIGHTS)), rng, shape, ppm)
        shining = rng.uniform(1.5, 12)
    else:
        table = ground(str(rng.choice(PATTERNED if "pattern" in names else PLAIN)), rng, shape, ppm)
        if "clutter" in names:
            things(table, shade, rng, ppm, middle, plate.reach, tilt)
            shade = soften(shade, 15 * light.half * ppm)
    sites = np.linalg.norm(plate.sites, axis=-1).max() + plate.geometry.hole_diameter / 2
    over = above(rng, shape, ppm, middle, plate.radius, plate.geometry.bore_diameter,
                 "hand" in names, "hub" in names, plate.radius - float(sites))  # fmt: skip
    if over[1].any() and not shining:
        move = np.float64([[1, 0, -tilt[0] * 8 * ppm], [0, 1, tilt[1] * 8 * ppm]])
        dark = cv2.warpAffine(over[1], move, shape[::-1])
        cast = 255 - soften(dark, 5 * light.half * ppm)
    if "shadow" in names and not shining:
        dark = np.zeros(shape, np.uint8)
        for _ in range(int(rng.integers(1, 4))):
            place = middle + rng.uniform(-1, 1, 2) * plate.radius
            turn, wide = rng.uniform(0, np.pi), rng.uniform(8, 70)
            way = np.array([np.cos(turn), np.sin(turn)]) * 900
            reach = -1.0, rng.uniform(-0.1, 1)
            ends = [np.round((place + k * way) * ppm).astype(int).tolist() for k in reach]
            cv2.line(dark, *ends, 255, max(1, round(wide * ppm)))
        up = rng.uniform(60, 250)
        cast = np.minimum(cast, 255 - soften(dark, up * light.half / 2 * ppm))
    return Scene(plate, light, gap, table, ppm, corner, shade, cast, over, shining)


def _materials(names: tuple[str, ...]) -> tuple[str, ...]:
    kinds = [m.name for m in MATERIALS]
    for hard, some in (
        ("clear", ("clear acrylic", "green acrylic")),
        ("glossy", ("black acrylic", "red acrylic", "yellow acrylic")),
        ("metal", ("aluminium", "black anodised", "gold anodised")),
        ("print", ("paper print",)),
    ):
        if hard in names:
            return some
    return tuple(k for k in kinds if "scan" not in names or k[:5] not in ("clear", "green"))


def _taken(seed: int, attempt: int, told: dict[str, Any]) -> Picture:
    """One picture under given conditions, readable or not."""
    names = told["names"]
    most = min(told["megapixels"], 12.0) * 1e6
    layouts = LAYOUTS if attempt else 1
    for layout in range(layouts):
        rng = np.random.default_rng([seed, 4, attempt, layout])
        plate = make(rng, "damage" in names, _materials(names))
        camera = _view(rng, names, plate, most)
        if layout + 1 < layouts and ellipses(camera, plate)[2].min() < LEAST:
            continue
        light, supply, rest = _lighting(rng, names, camera)
        if "scan" in names:  # a lamp beside the line of sensors
            light = Light("scan", np.array([0, 7e6, 1e7]), np.full(3, 0.75), np.full(3, 0.25), 0.1)
        scene = _scene(rng, names, plate, camera, light)
        why = bars(scene, camera)
        if not why:
            break
    image, box, bare = render(scene, camera)
    scale = np.sqrt(camera.shape[0] * camera.shape[1] / 12e6)
    soft = rng.uniform(0.45, 0.8) + 0.2 * ("wide" in names)
    defocus = rng.uniform(1.5, 9) * max(scale, 0.4) if "defocus" in names else 0.0
    shake = rng.uniform(3, 22) * max(scale, 0.4) if "shake" in names else 0.0
    way = rng.uniform(0, np.pi)
    if defocus or shake:
        image = cv2.filter2D(image, -1, kernel(soft, defocus, shake, way), borderType=1)
    else:
        image = cv2.GaussianBlur(image, (0, 0), soft, borderType=1)
    # metered as a telephone does: the middle counts more; 0.18 is a grey card
    h, w = camera.shape
    level = image[::16, ::16].mean(-1)
    y, x = np.mgrid[-1 : 1 : level.shape[0] * 1j, -1 : 1 : level.shape[1] * 1j]
    weight = np.exp(-(x**2 + y**2))
    mean = float((level * weight).sum() / weight.sum())
    exposure = 0.18 / mean * 2 ** rng.uniform(-0.5, 0.9)
    bright = float(np.percentile(level, 97))
    exposure = min(exposure, 1.6 / bright)
    veil = np.float32(rng.uniform(0.0, 0.02) + 0.03 * bool(scene.luminous)) * np.float32(mean)
    colour = light.power + light.ambient
    tint = (colour / colour[1]) ** (rest if not scene.luminous else 0.05)
    if "tint" in names:
        tint = tint * np.exp(rng.normal(0, 0.18, 3))
    tint /= tint[1]
    balance = tuple((tint / (colour / colour[1]) ** (not scene.luminous)).tolist())
    # a telephone's pixel holds about 6000 electrons; smaller pictures add up several
    binned = min(8.0, 1 / scale**2)
    grey = names and "scan" in names
    sensor = Sensor(
        6000 * binned * (40 if grey else supply * rng.uniform(0.3, 1)), 2.5 * np.sqrt(binned),
        balance, rng.uniform(-0.1, 0.35),
        rng.uniform(0.6, 1.6) if "denoised" in names else rng.uniform(0, 0.5),
        rng.uniform(0, 0.6) + 0.5 * ("denoised" in names),
    )  # fmt: skip
    image = (image + veil) * np.float32(exposure)
    bare = (bare + veil) * np.float32(exposure)
    out = sensor.develop(image, rng)
    if grey:
        out = np.repeat(cv2.cvtColor(out, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=-1)
        image = np.repeat(image.mean(-1, keepdims=True), 3, axis=-1)
        bare = np.repeat(bare.mean(-1, keepdims=True), 3, axis=-1)
    quality = int(rng.integers(35, 65) if "jpeg" in names else rng.integers(75, 96))
    fine = told["megapixels"] > 12
    if fine:
        out = cv2.resize(out, (2 * w, 2 * h), interpolation=cv2.INTER_CUBIC)
    data, jpeg = filed(out, quality, told["quarters"], bool(grey))
    shown = cv2.resize(data, (w, h), interpolation=cv2.INTER_AREA) if fine else data
    if not why:
        _, jacobian, narrow = ellipses(camera, plate)
        worst = np.unravel_index(int(narrow.argmin()), narrow.shape)
        blur = kernel(soft, defocus, shake, way, 3)
        share = own_light(blur, jacobian[worst], plate.geometry.hole_diameter / 2, 3)
        why += [] if share > 0.5 else ["blurred"]
        against, figures = seen(plate, camera, sensor, image, box, bare, shown)
        why += against
        told = {**told, **figures, "share": share, "narrow": float(narrow.min())}
    told = {**told, "material": plate.material.name, "light": light.name, "quality": quality}
    viewed = np.ascontiguousarray(np.rot90(data, told["quarters"]))
    return Picture(
        viewed, jpeg, plate.disc, plate.grid, plate.message, told, not why, plate, camera,
        told["quarters"], tuple(why), attempt + 1,
    )  # fmt: skip


def filed(image: Pixels, quality: int, quarters: int, grey: bool) -> tuple[Pixels, bytes]:
    """The file, whose Exif orientation turns it by quarters anticlockwise, and what is in it."""
    from PIL import Image

    exif = Image.Exif()
    # Exif 2.32, tag 274: 8, 3 and 6 are a quarter, a half and three quarters anticlockwise
    exif[274] = (1, 8, 3, 6)[quarters]
    stream = io.BytesIO()
    picture_ = Image.fromarray(image[..., 0] if grey else image)
    picture_.save(stream, "JPEG", quality=quality, exif=exif, subsampling=2 if quality < 90 else 0)
    back = np.asarray(Image.open(io.BytesIO(stream.getvalue())).convert("RGB"))
    return back, stream.getvalue()


def picture(seed: int) -> Picture:
    """The photograph of a seed."""
    told = conditions(seed)
    for attempt in range(TRIES):
        made = _taken(seed, attempt, told)
        if made.readable:
            break
    return made
