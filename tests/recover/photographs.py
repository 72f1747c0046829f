"""Photographs of discs, made without any code of the reader.

The drawing is rendered by resvg, laid over a table, seen by a pinhole camera (Pillow's perspective
transform), and given grain, uneven light, shadow, blur, noise and JPEG. Everything is drawn from
one seeded generator.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

PLANE = 1800  # pixels across the rendered drawing


@dataclass
class Shot:
    tilt: float = 0.0  # degrees
    axis: float = 0.0  # about which it is tilted, degrees
    roll: float = 0.0
    distance: float = 3.0  # of the camera, in diameters
    fill: float = 0.85  # of the picture's shorter side
    width: int = 1280
    height: int = 960
    away: tuple[float, float] = (0.0, 0.0)  # of the disc's middle, in diameters
    material: tuple[int, int, int] = (214, 182, 138)
    table: tuple[int, int, int] = (52, 58, 66)
    grain: float = 0.06
    busy: bool = False
    light: float = 0.0  # how uneven, 0 to 1
    light_from: float = 0.0
    shadow: float = 0.0
    blur: float = 0.0  # standard deviation, in radii of a hole
    noise: float = 0.0
    quality: int = 90
    seed: int = 0


def random_shot(rng: np.random.Generator, megapixels: float | None = None) -> Shot:
    """A photograph somewhere in the ranges that must be read."""
    mp = megapixels or float(rng.choice([1.5, 2, 3, 4, 6, 12], p=[0.2, 0.2, 0.25, 0.2, 0.1, 0.05]))
    wide = rng.random() < 0.5
    long, short = math.sqrt(mp * 1e6 * 4 / 3), math.sqrt(mp * 1e6 * 3 / 4)
    dark_holes = rng.random() < 0.6
    light_side = rng.uniform(150, 245)
    dark_side = rng.uniform(15, light_side - 90)
    tint = rng.uniform(0.8, 1.0, 3)
    tint2 = rng.uniform(0.75, 1.0, 3)
    material, table = (light_side, dark_side) if dark_holes else (dark_side, light_side)
    out_of_view = rng.random() < 0.3
    fill = rng.uniform(0.62, 0.95) if not out_of_view else rng.uniform(0.9, 1.05)
    slack = (1 - fill) / 2
    away = rng.uniform(-1, 1, 2) * max(slack, 0.0) / fill
    if out_of_view:
        # up to a tenth of the diameter is cut off on one side
        turn = rng.uniform(0, 2 * np.pi)
        reach = slack / fill + rng.uniform(0.02, 0.10)
        away = np.array([np.cos(turn), np.sin(turn)]) * reach
        away = np.clip(away, -reach, reach)
    return Shot(
        tilt=rng.uniform(0, 35),
        axis=rng.uniform(0, 360),
        roll=rng.uniform(0, 360),
        distance=rng.uniform(1.8, 5.0),
        fill=fill,
        width=int(long if wide else short),
        height=int(short if wide else long),
        away=(float(away[0]), float(away[1])),
        material=tuple(int(material * t / tint.mean()) for t in tint),
        table=tuple(int(min(255, table * t / tint2.mean())) for t in tint2),
        grain=float(rng.choice([0.0, 0.05, 0.12])),
        busy=bool(rng.random() < 0.4),
        light=rng.uniform(0, 0.6),
        light_from=rng.uniform(0, 360),
        shadow=float(rng.choice([0.0, 0.0, 0.3, 0.5])),
        blur=rng.uniform(0, 0.35),
        noise=rng.uniform(0, 8),
        quality=int(rng.integers(40, 96)),
        seed=int(rng.integers(1 << 30)),
    )


def _rendered(svg: str, shown: dict[str, str]) -> np.ndarray:
    """Some groups of a drawing, filled or stroked in white, as 0 to 1."""
    style = "svg>g{display:none}"
    for group, how in shown.items():
        style += f"#{group}{{display:inline!important}}#{group} *{{{how}}}"
    return _cover(svg, style).astype(np.float32) / 255


@lru_cache(maxsize=12)
def _cover(svg: str, style: str) -> np.ndarray:
    """Many photographs are of one drawing: it is rendered once."""
    import resvg_py

    png = resvg_py.svg_to_bytes(
        svg_string=svg, style_sheet=style, width=PLANE, height=PLANE, dpi=96
    )
    return np.asarray(Image.open(io.BytesIO(bytes(png))).convert("RGBA"))[:, :, 3].copy()


def _noise(rng: np.random.Generator, shape: tuple[int, int], cells: tuple[int, int]) -> np.ndarray:
    small = Image.fromarray(rng.standard_normal(cells).astype(np.float32))
    return np.asarray(small.resize(shape[::-1], Image.Resampling.BICUBIC), np.float32)


def _wood(rng: np.random.Generator, size: int) -> np.ndarray:
    bend = _noise(rng, (size, size), (4, 3))
    y = np.linspace(0, 1, size, dtype=np.float32)[:, None]
    rings = np.sin(2 * np.pi * (y * rng.uniform(8, 30) + 0.6 * bend))
    pores = _noise(rng, (size, size), (size // 5, 10))
    return 0.7 * rings + 0.45 * pores


def _table(rng: np.random.Generator, shot: Shot) -> np.ndarray:
    """What the disc lies on: plain, or strewn with things of either side of its brightness."""
    h, w = shot.height, shot.width
    base = np.array(shot.table, np.float32)
    image = Image.new("RGB", (w, h), tuple(int(v) for v in base))
    if shot.busy:
        draw = ImageDraw.Draw(image)
        middle = float(np.mean(shot.material))
        sign = 1 if base.mean() > middle else -1
        for _ in range(220):
            # holes stay on one side of the material's brightness, by 45 at least
            low, high = (middle + 45, 250) if sign > 0 else (5, middle - 45)
            level = rng.uniform(low, high) if high > low else base.mean()
            colour = tuple(int(np.clip(level * t, 0, 255)) for t in rng.uniform(0.9, 1.1, 3))
            x, y = rng.uniform(0, w), rng.uniform(0, h)
            r = rng.uniform(0.005, 0.09) * w
            kind = rng.integers(4)
            if kind == 0:
                draw.ellipse((x - r, y - r, x + r, y + r), fill=colour)
            elif kind == 1:
                draw.rectangle((x - r, y - r / 2, x + r, y + r), fill=colour)
            elif kind == 2:
                end = (x + rng.uniform(-4, 4) * r, y + rng.uniform(-4, 4) * r)
                draw.line((x, y, *end), fill=colour, width=max(1, int(r / 6)))
            else:
                draw.ellipse((x - r / 6, y - r / 6, x + r / 6, y + r / 6), fill=colour)
    out = np.asarray(image, np.float32)
    return out * (1 + 0.03 * _noise(rng, (h, w), (h // 3, w // 3)))[:, :, None]


def homography(shot: Shot, reach: float) -> np.ndarray:
    """From the rendered drawing's pixels to the photograph's."""
    size = PLANE / (2 * reach)  # pixels a mm of the drawing
    to_mm = np.array([[1 / size, 0, -reach], [0, 1 / size, -reach], [0, 0, 1.0]])
    a, t, g = (math.radians(v) for v in (shot.axis, shot.tilt, shot.roll))

    def turn_z(v: float) -> np.ndarray:
        return np.array(
            [[math.cos(v), -math.sin(v), 0], [math.sin(v), math.cos(v), 0], [0, 0, 1.0]]
        )

    tilt = np.array([[1, 0, 0], [0, math.cos(t), -math.sin(t)], [0, math.sin(t), math.cos(t)]])
    rotation = turn_z(a) @ tilt @ turn_z(-a) @ turn_z(g)
    far = shot.distance * 2 * reach
    plane = np.column_stack([rotation[:, 0], rotation[:, 1], [0.0, 0.0, far]])
    focal = shot.fill * min(shot.width, shot.height) * shot.distance
    across = shot.fill * min(shot.width, shot.height)
    cx = shot.width / 2 + shot.away[0] * across
    cy = shot.height / 2 + shot.away[1] * across
    camera = np.array([[focal, 0, cx], [0, focal, cy], [0, 0, 1.0]])
    return camera @ plane @ to_mm


def take(svg: str, reach: float, hole_radius: float, shot: Shot) -> bytes:
    """The photograph as JPEG.

    `reach` is half the width of the drawing's page and `hole_radius` that of its holes, in mm.
    """
    rng = np.random.default_rng(shot.seed)
    fill = "fill:#fff;stroke:none"
    solid = _rendered(svg, {"outline": fill})
    cut = _rendered(svg, {"holes": fill, "clock-row": fill, "bore": fill})
    marks = _rendered(
        svg,
        {
            "engraving": "stroke:#fff;stroke-width:0.35",
            "index-mark": "stroke:#fff;stroke-width:0.35;fill:#fff",
        },
    )
    alpha = solid * (1 - cut)
    face = np.ones((PLANE, PLANE), np.float32)
    if shot.grain:
        face += shot.grain * _wood(rng, PLANE)
    face *= 1 - 0.45 * marks
    h, w = shot.height, shot.width
    back = np.linalg.inv(homography(shot, reach))
    coefficients = (back / back[2, 2]).reshape(-1)[:8]

    def warped(plane: np.ndarray) -> np.ndarray:
        image = Image.fromarray(plane.astype(np.float32))
        out = image.transform(
            (w, h), Image.Transform.PERSPECTIVE, coefficients, Image.Resampling.BICUBIC
        )
        return np.asarray(out, np.float32)

    down = max(1, round(PLANE / (1.3 * shot.fill * min(w, h))))
    if down > 1:
        cut_to = PLANE // down * down

        def shrunk(plane: np.ndarray) -> np.ndarray:
            part = plane[:cut_to, :cut_to].reshape(cut_to // down, down, cut_to // down, down)
            return np.repeat(np.repeat(part.mean(axis=(1, 3)), down, 0), down, 1)

        alpha, face = shrunk(alpha), shrunk(face)
    seen = np.clip(warped(alpha), 0, 1)[:, :, None]
    face = warped(face)[:, :, None]
    ground = _table(rng, shot)
    # the thickness of the material keeps some light from what is seen through its holes
    inside = np.clip(
        warped(
            np.pad(
                solid[:cut_to, :cut_to] if down > 1 else solid,
                ((0, PLANE - (cut_to if down > 1 else PLANE)),) * 2,
            )
        ),
        0,
        1,
    )[:, :, None]
    if float(np.mean(shot.table)) < float(np.mean(shot.material)):
        ground = ground * (1 - 0.35 * inside)
    picture = seen * face * np.array(shot.material, np.float32) + (1 - seen) * ground
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    a = math.radians(shot.light_from)
    ramp = ((x / w - 0.5) * math.cos(a) + (y / h - 0.5) * math.sin(a)) * 1.4
    picture *= (1 + shot.light * ramp)[:, :, None]
    if shot.shadow:
        b = rng.uniform(0, 2 * np.pi)
        edge = (x - w / 2) * math.cos(b) + (y - h / 2) * math.sin(b) + rng.uniform(-0.2, 0.2) * w
        soft = rng.uniform(0.004, 0.05) * w
        picture *= (1 - shot.shadow / (1 + np.exp(-np.clip(edge / soft, -30, 30))))[:, :, None]
    sigma = shot.blur * hole_radius / (2 * reach) * shot.fill * min(w, h)
    image = Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8))
    if sigma > 0.2:
        image = image.filter(ImageFilter.GaussianBlur(sigma))
    if shot.noise:
        noisy = np.asarray(image, np.float32)
        noisy = noisy + shot.noise * rng.standard_normal((h, w, 1)).astype(np.float32)
        image = Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=shot.quality)
    return out.getvalue()


TEXTS = [
    "FOG LIFTS AT 9",
    "Wind SW 6, cloud base 900 m.",
    "Summit 2,341 m. -4 C at dawn. Take crampons.",
    "Bring water: the spring behind the hut is dry until June.",
    "Soup from eleven, bread while it lasts. Ring the bell if the cloud comes down.",
    "SNOW BRIDGE GONE. KEEP TO THE RIDGE AND LEFT OF THE GULLY, WHERE A CORNICE HANGS.",
]


def random_disc(rng: np.random.Generator):
    """A disc of some size, with a message in some code, and its drawing as SVG."""
    import sonify
    from sonify.export.drawing.drawing import drawing_of
    from sonify.export.drawing.drawing_formats import draw

    text = str(rng.choice(TEXTS))
    kind = rng.integers(4)
    made = {
        0: {},
        1: {"framing": "framed"},
        2: {"framing": "framed", "check": "crc-16"},
        3: {"alphabet": "utf-8"},
    }[int(kind)]
    positions = int(rng.integers(24, 97))
    hole = float(rng.choice([2.0, 2.5, 3.0, 4.0]))
    layout = sonify.Layout(positions=positions)
    disc = sonify.Disc.from_message(text, code=sonify.Code(**made), layout=layout)
    pitch = hole * rng.uniform(1.55, 2.2)
    gap = hole * rng.uniform(1.7, 2.6)
    least = max(hole * 2.2, positions * hole * 1.35 / (2 * np.pi))
    first = least + (disc.rows - 1) * pitch
    clock = first + gap
    geometry = sonify.Geometry(
        outer_diameter=round(2 * (clock + hole / 2 + rng.uniform(1.5, 5.0)), 2),
        bore_diameter=round(min(8.0, least), 2),
        clock_radius=round(clock, 3),
        first_row_radius=round(first, 3),
        row_pitch=round(pitch, 3),
        hole_diameter=hole,
    )
    drawing = drawing_of(disc, geometry)
    svg = draw(drawing, ".svg").decode()
    import re

    page = float(re.search(r'viewBox="(-[\d.]+) ', svg).group(1))
    return disc, geometry, svg, -page
