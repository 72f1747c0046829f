"""What a disc lies on, and what lies about: textures in the plane of the table, y down.

Colours are encoded bytes, RGB; sizes in mm are from memory of such things.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator

PLAIN = ("desk", "wood", "stone", "mat")
PATTERNED = ("check", "stripes", "dots", "tiles", "newspaper", "grass", "gravel", "planks")
LIGHTS = ("sky", "lamp", "screen")


def _fog(rng: Rng, shape: tuple[int, int], cells: tuple[float, float]) -> Floats:
    """Smooth noise of deviation 1 or a little less, with so many cells down and across."""
    down, across = (max(2, min(int(c), n)) for c, n in zip(cells, shape, strict=True))
    small = rng.standard_normal((down, across)).astype(np.float32)
    return cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)


def ground(kind: str, rng: Rng, shape: tuple[int, int], ppm: float) -> Pixels:
    """A table's colour; 1 / ppm mm a pixel."""
    h, w = shape
    mm = h / ppm, w / ppm
    out = np.empty((h, w, 3), np.float32)
    y, x = np.ogrid[:h, :w]
    y, x = (y / ppm).astype(np.float32), (x / ppm).astype(np.float32)
    if kind in ("wood", "planks"):
        bases = [(190, 150, 105), (140, 95, 60), (90, 60, 42), (215, 190, 150), (120, 110, 100)]
        out[:] = np.float32(bases[rng.integers(len(bases))])
        grain = 10 * _fog(rng, shape, (mm[0] / 0.8, mm[1] / 70)) + 12 * _fog(
            rng, shape, (mm[0] / 7, mm[1] / 160)
        )
        if kind == "planks":
            wide = rng.uniform(25, 110)
            number, rest = np.divmod(y + rng.uniform(0, wide), wide)
            tone = rng.normal(0, 12, int(number.max()) + 1).astype(np.float32)
            out += tone[number.astype(int)][..., None]
            out[(rest < 2).ravel()] *= 0.35
        out += grain[..., None]
    elif kind in ("check", "stripes", "dots"):
        first, second = (np.float32(rng.uniform(30, 240, 3)) for _ in range(2))
        out[:] = first
        size = rng.uniform(8, 45)
        if kind == "dots":
            u, v = x % size - size / 2, y % size - size / 2
            where = (u**2 + v**2 < (size * rng.uniform(0.15, 0.35)) ** 2).astype(np.float32)
        else:
            where = 0.5 * (x % size < size / 2).astype(np.float32)
            where = where + 0.5 * (y % size < size / 2) if kind == "check" else 2 * where
            where = np.broadcast_to(where, shape)
        out += where[..., None] * (second - first)
        thread = rng.uniform(0.5, 1.6)
        weave = np.sin(2 * np.pi * x / thread) * np.sin(2 * np.pi * y / thread)
        out += (9 * weave + 5 * _fog(rng, shape, (mm[0] / 30, mm[1] / 30)))[..., None]
    elif kind == "tiles":
        size, joint = rng.uniform(25, 150), rng.uniform(2, 5)
        out[:] = np.float32(rng.uniform(60, 235, 3) * [1, 0.97, 0.93])
        out += (12 * _fog(rng, shape, (mm[0] / 20, mm[1] / 25)))[..., None]
        out[np.broadcast_to((x % size < joint) | (y % size < joint), shape)] = rng.uniform(60, 200)
    elif kind == "newspaper":
        return _newspaper(rng, shape, ppm)
    elif kind in ("grass", "gravel"):
        return _scatter(kind, rng, shape, ppm)
    else:
        base = {"stone": (150, 148, 142), "mat": (28, 92, 74)}.get(kind)
        base = rng.uniform(30, 235) + rng.uniform(-35, 35, 3) if base is None else base
        out[:] = np.float32(base)
        rough = 9.0 if kind == "stone" else 2.0
        out += (rough * _fog(rng, shape, (mm[0] / 1.5, mm[1] / 1.5)))[..., None]
        out += (rough * _fog(rng, shape, (mm[0] / 25, mm[1] / 25)))[..., None]
        if kind == "mat":
            out[np.broadcast_to((x % 10 < 0.4) | (y % 10 < 0.4), shape)] = (150, 190, 160)
    return np.clip(out, 0, 255).astype(np.uint8)


def _newspaper(rng: Rng, shape: tuple[int, int], ppm: float) -> Pixels:
    """Columns of invented words, headlines and grey pictures."""
    h, w = shape
    out = np.full((h, w, 3), (222, 217, 204), np.uint8)
    column, line = 48.0, 3.4
    for left in np.arange(0, w / ppm, column):
        y = rng.uniform(0, 20)
        while y < h / ppm:
            what = rng.random()
            tall = line
            x0 = int(left * ppm)
            if what < 0.02:
                tall = rng.uniform(20, 45)
                corner = (int((left + column - 4) * ppm), int((y + tall - 3) * ppm))
                shade = [int(rng.integers(60, 170))] * 3
                cv2.rectangle(out, (x0, int(y * ppm)), corner, shade, -1)
            else:
                size = 9.0 if what < 0.05 else 2.4
                tall = size * 1.45
                count = int((column - 4) / (0.62 * size))
                letters = rng.choice(list("aeinorstulmdcg   "), count)
                at = (x0, int((y + size) * ppm))
                scale, thick = size * ppm / 30, max(1, round(size * ppm / 12))
                cv2.putText(out, "".join(letters), at, 0, scale, (45, 44, 46), thick, cv2.LINE_AA)
            y += tall
    return out


def _scatter(kind: str, rng: Rng, shape: tuple[int, int], ppm: float) -> Pixels:
    """Blades of grass or pebbles, thrown at random."""
    h, w = shape
    grass = kind == "grass"
    out = np.full((h, w, 3), (38, 52, 22) if grass else (70, 66, 60), np.uint8)
    size = rng.uniform(3, 14)
    each = 60.0 if grass else 0.5 * size**2
    count = int(min(9000, 2.2 * h * w / ppm**2 / each))
    at = rng.uniform(0, 1, (count, 2)) * (w, h)
    turn, tone = rng.uniform(0, 180, count), rng.normal(0, 1, count)
    for n, (x, y) in enumerate(at.astype(int).tolist()):
        if grass:
            reach = rng.uniform(15, 45) * ppm
            end = np.array([x, y]) + reach * np.array([np.cos(turn[n]), np.sin(turn[n])])
            colour = np.clip(np.array([85, 125, 45]) + 28 * tone[n], 0, 255).tolist()
            wide = max(1, round(rng.uniform(1.5, 3.5) * ppm))
            cv2.line(out, (x, y), end.astype(int).tolist(), colour, wide, cv2.LINE_AA)
        else:
            axes = np.maximum(1, size * rng.uniform(0.25, 0.7, 2) * ppm).astype(int).tolist()
            colour = np.clip(np.array([140, 134, 125]) + 32 * tone[n], 15, 255)
            dark = (0.6 * colour).tolist()
            cv2.ellipse(out, (x, y), axes, turn[n], 0, 360, dark, -1, cv2.LINE_AA)
            inner = [max(1, int(0.8 * a)) for a in axes]
            cv2.ellipse(out, (x, y), inner, turn[n], 0, 360, colour.tolist(), -1, cv2.LINE_AA)
    return out


def luminous(kind: str, rng: Rng, shape: tuple[int, int], ppm: float) -> Pixels:
    """What shines through a disc that is held up: sky, a lamp's shade, or a screen."""
    h, w = shape
    y, x = np.mgrid[:h, :w].astype(np.float32)
    if kind == "sky":
        cloud = _fog(rng, shape, (3, 3)) + 0.5 * _fog(rng, shape, (9, 9))
        tone = np.clip(0.6 + 0.3 * cloud, 0, 1)[..., None]
        out = (1 - tone) * np.float32([130, 170, 235]) + tone * np.float32([245, 246, 248])
    elif kind == "lamp":
        away = np.hypot(x - w * rng.uniform(0.35, 0.65), y - h * rng.uniform(0.35, 0.65))
        glow = 1 / (1 + (away / (0.35 * min(h, w))) ** 2)
        out = glow[..., None] * np.float32([255, 235, 200])
    else:
        out = np.full((h, w, 3), (236, 240, 250), np.float32)
        for _ in range(int(rng.integers(0, 5))):
            a, b = rng.uniform(0, 1, (2, 2)) * (w, h)
            top, low = np.minimum(a, b).astype(int), np.maximum(a, b).astype(int)
            out[top[1] : low[1], top[0] : low[0]] = rng.uniform(120, 255, 3)
    return np.clip(out, 0, 255).astype(np.uint8)


def things(
    canvas: Pixels, shade: Pixels, rng: Rng, ppm: float, middle: Any, radius: float, light: Any
) -> None:
    """Put two to six things around the disc, and their shadows into `shade` (255 is lit).

    `middle` is the disc's place on the canvas in mm, `light` the slope of the light.
    """
    shadow = np.array([-light[0], light[1]])
    for _ in range(int(rng.integers(2, 7))):
        turn, kind = rng.uniform(0, 2 * np.pi), rng.integers(5)
        size = float((12.0, 42.0, 6.0, radius * rng.uniform(0.6, 1.1), 16.0)[kind])
        gap = radius + size + rng.exponential(0.5 * radius)
        at = np.asarray(middle) + gap * np.array([np.cos(turn), np.sin(turn)])
        # tools lie across the way outwards, so that they stay off the disc
        ahead = np.array([-np.sin(turn), np.cos(turn)])
        tall = (2.0, 80.0, 8.0, 3.0, 8.0)[kind]
        dots = [np.round(p * ppm * 16).astype(int) for p in (at, at + shadow * tall)]
        rim = round(size * ppm * 16)

        def disc(image: Pixels, centre: Any, share: float, colour: Any, rim: int = rim) -> None:
            cv2.circle(image, centre.tolist(), round(share * rim), colour, -1, cv2.LINE_AA, 4)

        if kind == 2:
            ends = [np.round((at + k * ahead) * ppm).astype(int) for k in (-70, 20, 70)]
            thin, wide = max(1, round(3 * ppm)), max(1, round(11 * ppm))
            move = np.round(shadow * tall * ppm).astype(int)
            for a, b, thick in ((0, 1, thin), (1, 2, wide)):
                cv2.line(shade, (ends[a] + move).tolist(), (ends[b] + move).tolist(), 60, thick)
            cv2.line(canvas, ends[0].tolist(), ends[1].tolist(), (150, 152, 156), thin, cv2.LINE_AA)
            handle = rng.uniform(20, 220, 3).tolist()
            cv2.line(canvas, ends[1].tolist(), ends[2].tolist(), handle, wide, cv2.LINE_AA)
            continue
        disc(shade, dots[1], 1.0, 60)
        if kind in (0, 4):
            metal = np.array([(176, 178, 180), (196, 160, 90), (160, 100, 66)][rng.integers(3)])
            disc(canvas, dots[0], 1.0, (0.75 * metal).tolist())
            disc(canvas, dots[0], 0.9, metal.tolist())
            mark = str(rng.integers(1, 60))
            where = np.round((at - [0.5 * size, -0.4 * size]) * ppm).astype(int).tolist()
            dark = (0.6 * metal).tolist()
            scale = size * ppm / 30
            cv2.putText(canvas, mark, where, 0, scale, dark, max(1, int(2 * scale)), cv2.LINE_AA)
        elif kind == 1:
            glaze = rng.uniform(60, 245, 3)
            disc(canvas, dots[0], 1.0, glaze.tolist())
            disc(canvas, dots[0], 0.92, (0.6 * glaze).tolist())
            disc(canvas, dots[0], 0.85, (58, 34, 20))
        else:
            colour = rng.uniform(20, 230, 3).tolist()
            floor = canvas[tuple(np.clip(np.round(at[::-1] * ppm).astype(int), 0,
                                         np.array(canvas.shape[:2]) - 1))].tolist()  # fmt: skip
            disc(canvas, dots[0], 1.0, colour)
            disc(canvas, dots[0], 0.08, floor)
            count = int(rng.integers(10, 50))
            for ring in np.linspace(0.92, 0.45, int(rng.integers(1, 5))):
                for k in np.flatnonzero((rng.random(count) < 0.5) | (ring == 0.92)):
                    a = 2 * np.pi * k / count
                    spot = (at + ring * size * np.array([np.cos(a), np.sin(a)])) * ppm * 16
                    r = round(0.35 * 2 * np.pi * 0.45 * rim / count * 0.9)
                    cv2.circle(canvas, np.round(spot).astype(int).tolist(), r, floor, -1, 16, 4)


def above(
    rng: Rng,
    shape: tuple[int, int],
    ppm: float,
    middle: Any,
    radius: float,
    bore: float,
    hand: bool,
    hub: bool,
    rim: float,
) -> tuple[Pixels, Pixels]:
    """Things on top of the disc: colours, and how far they cover it. `rim` is the width of the
    rim without holes, which a thumb covers, and mostly no more."""  # fmt: skip
    h, w = shape
    colour, cover = np.zeros((h, w, 3), np.uint8), np.zeros((h, w), np.uint8)
    middle = np.asarray(middle, float)
    if hub:
        size = bore / 2 * rng.uniform(0.95, 1.25)
        metal = rng.uniform(60, 190)
        dot = np.round(middle * ppm * 16).astype(int).tolist()
        for share, tone in ((1.0, 0.7), (0.88, 1.0)):
            r = round(size * share * ppm * 16)
            cv2.circle(colour, dot, r, [metal * tone] * 3, -1, cv2.LINE_AA, 4)
        cv2.circle(cover, dot, round(size * ppm * 16), 255, -1, cv2.LINE_AA, 4)
        turn = rng.uniform(0, np.pi)
        slot = 0.7 * size * np.array([np.cos(turn), np.sin(turn)])
        ends = [np.round((middle + s * slot) * ppm).astype(int).tolist() for s in (-1, 1)]
        cv2.line(colour, *ends, [metal * 0.3] * 3, max(1, round(0.3 * size * ppm)), cv2.LINE_AA)
    if hand:
        turn, wide = rng.uniform(0, 2 * np.pi), rng.uniform(16, 21)
        out = np.array([np.cos(turn), np.sin(turn)])
        tip = middle + (radius - min(rim * rng.uniform(0.3, 1.2), 14.0) + wide / 2) * out
        side = np.array([-out[1], out[0]])
        fingers = [(tip, tip + 60 * out + 12 * side)]
        fingers += [(tip + k * wide * side + 6 * out, tip + 90 * out + k * 8 * side)
                    for k in range(1, int(rng.integers(1, 4)))]  # fmt: skip
        mask = np.zeros((h, w), np.uint8)
        for a, b in fingers:
            ends = [np.round(p * ppm).astype(int).tolist() for p in (a, b)]
            cv2.line(mask, *ends, 255, max(1, round(wide * ppm)), cv2.LINE_AA)
        palm, arm = (np.round((tip + k * out) * ppm).astype(int).tolist() for k in (105, 500))
        cv2.circle(mask, palm, round(45 * ppm), 255, -1, cv2.LINE_AA)
        cv2.line(mask, palm, arm, 255, max(1, round(60 * ppm)), cv2.LINE_AA)
        # a round section: the tone falls off towards the edge like the cosine of its slope
        deep = cv2.distanceTransform(mask, cv2.DIST_L2, 3) / np.float32(wide / 2 * ppm)
        tone = 0.45 + 0.55 * np.sqrt(np.clip(1 - (1 - np.minimum(deep, 1)) ** 2, 0, 1))
        skin = np.float32([(224, 172, 140), (190, 132, 98), (120, 76, 54)][rng.integers(3)])
        on = mask > 0
        colour[on] = (tone[..., None] * skin).astype(np.uint8)[on]
        nail = np.round((tip + 1 * out) * ppm).astype(int).tolist()
        axes = [max(1, round(k * wide * ppm)) for k in (0.36, 0.28)]
        pale = np.minimum(255, skin * 1.1).tolist()
        cv2.ellipse(colour, nail, axes, np.degrees(turn), 0, 360, pale, -1, cv2.LINE_AA)
        cover = np.maximum(cover, mask)
    return colour, cover
