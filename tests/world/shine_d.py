"""Light on a disc and its table, and the picture of both that a lens receives.

Radiance is in units of a white sheet's that has irradiance 1: L = albedo · E for matt things.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.world.lens_d import STEP, Camera, spread
from tests.world.plate_d import Plate, face, openings

Floats = NDArray[np.float32]
Reals = NDArray[np.float64]
Pixels = NDArray[np.uint8]

LINEAR = np.where(
    np.arange(256) <= 10,
    np.arange(256) / 255 / 12.92,
    ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4,
).astype(np.float32)
"""Linear light of encoded bytes (IEC 61966-2-1)."""


@dataclass(frozen=True)
class Light:
    """One source and the light of the room.

    `power` is the source's irradiance of the face at its centre, `ambient` the room's; `half` is
    half the angle that the source is seen under; `panel` is how bright a window reflected by the
    face is, in units of the ambient.
    """

    name: str
    place: Reals
    power: Reals
    ambient: Reals
    half: float
    window: bool = False
    panel: float = 0.0
    turn: float = 0.0

    def _law(self, x: Any, y: Any) -> Any:
        away = self.place[0] - x, self.place[1] - y, self.place[2]
        far = np.sqrt(away[0] ** 2 + away[1] ** 2 + away[2] ** 2)
        law = away[2] / far**3
        if self.window:
            side = self.place[:2] / np.hypot(*self.place[:2])
            law = law * np.maximum(0, away[0] * side[0] + away[1] * side[1]) / far
        return law

    def irradiance(self, x: Any, y: Any) -> Any:
        """Relative to the centre's: cos θ / r² of a point (Lambert's cosine law and the inverse
        square), times cos φ at an upright window, which is itself a matt source."""
        return self._law(x, y) / self._law(0.0, 0.0)

    def slope(self, x: Any, y: Any, z: float) -> tuple[Any, Any]:
        """dx/dz and dy/dz of the rays that come down to points."""
        up = self.place[2] - z
        return (self.place[0] - x) / up, (self.place[1] - y) / up


@dataclass(frozen=True)
class Scene:
    """All there is to see. The canvases cover the world from `corner` (left, top), y down."""

    plate: Plate
    light: Light
    gap: float
    """From the disc's back to the table, in mm."""
    table: Pixels
    ppm: float
    corner: Reals
    shade: Pixels
    """Light of the source that reaches the table (255: all)."""
    cast: Pixels
    """The same for shadows that fall on disc and table."""
    over: tuple[Pixels, Pixels]
    luminous: float = 0.0
    """The radiance of a table that shines; 0 for one that is lit."""


def glints(plate: Plate, light: Light, camera: Camera, at: Reals, slope: Reals) -> Any:
    """Mirror light of the face: that of the source, and that of the room.

    The source by the anisotropic GGX distribution (Burley 2012), its lobe widened by half the
    source's own angle; the room is dimmer where the telephone itself is reflected.
    """
    kind = plate.material
    x, y = at[..., 0], at[..., 1]
    view = np.stack((slope[..., 0], slope[..., 1], np.ones_like(x)), -1)
    view /= np.linalg.norm(view, axis=-1, keepdims=True)
    down = np.stack((*light.slope(x, y, 0.0), np.ones_like(x)), -1)
    length = np.linalg.norm(down, axis=-1)
    half = view + down / length[..., None]
    half /= np.linalg.norm(half, axis=-1, keepdims=True)
    fresnel = kind.f0 + (1 - kind.f0) * (1 - (view * half).sum(-1)) ** 5
    # grain runs along x, so that brushed metal scatters across it
    across, along = (r + light.half / 2 for r in kind.rough)
    lobe = (half[..., 0] / along) ** 2 + (half[..., 1] / across) ** 2 + half[..., 2] ** 2
    source = fresnel / (across * along * lobe**2) / (4 * view[..., 2])
    source *= light.irradiance(x, y) * length
    there = at - camera.place[2] * slope
    phone = np.hypot(*(np.moveaxis(there - camera.place[:2], -1, 0) / [[[75.0]], [[75.0]]]))
    blur = 0.15 + 2 * min(kind.rough)
    seen = 1 - 0.85 / (1 + np.exp(np.clip((phone - 1) / blur, -40, 40)))
    facing = np.array([np.cos(light.turn), np.sin(light.turn)])
    out = -slope @ facing - 0.9
    side = slope @ np.array([-facing[1], facing[0]])
    soft = 0.03 + min(kind.rough)
    pane = 1 / (1 + np.exp(np.clip((np.maximum(np.abs(out) - 0.35, np.abs(side) - 0.4)) / soft * 4,
                                   -40, 40)))  # fmt: skip
    base = kind.f0 + (1 - kind.f0) * (1 - view[..., 2]) ** 5
    return source, base * (0.8 * seen + light.panel * pane)


def render(scene: Scene, camera: Camera) -> tuple[Floats, tuple[int, int, int, int], Floats]:
    """Radiance of the picture, shape (height, width, 3); the box around the disc; and radiance of
    the face in the box as if there were no holes."""
    plate, light, kind = scene.plate, scene.light, scene.plate.material
    h, w = camera.shape
    grid = np.moveaxis(np.mgrid[: h + STEP : STEP, : w + STEP : STEP][::-1], 0, -1)
    at, slope = camera.rays(grid)
    thick, deep = plate.thickness, plate.thickness + scene.gap
    low = at - deep * slope

    def canvas(image: Pixels, where: Reals, box: Any, flags: int = cv2.INTER_LINEAR) -> Pixels:
        x = spread((where[..., 0] - scene.corner[0]) * scene.ppm - 0.5, box)
        y = spread((scene.corner[1] - where[..., 1]) * scene.ppm - 0.5, box)
        return cv2.remap(image, x, y, flags, borderMode=cv2.BORDER_REFLECT)

    # the box: the disc, and its shadow on the table
    tilt = np.array(light.slope(0.0, 0.0, -deep))
    turn = np.linspace(0, 2 * np.pi, 60)
    rim = plate.reach * 1.02 * (2**0.5 if plate.look["sheet"] else 1)
    ring = rim * np.stack((np.cos(turn), np.sin(turn)), -1)
    ends = [np.column_stack((ring, np.zeros(60)))]
    ends += [np.column_stack((ring - 1.3 * deep * k * tilt, np.full(60, -deep))) for k in (0, 1)]
    pixels = camera.project(np.concatenate(ends))
    first = np.clip(np.floor(pixels.min(0) - 8), 0, [w - STEP, h - STEP]).astype(int) // STEP * STEP
    last = np.clip(np.ceil(pixels.max(0)) + 8, first + STEP, [w, h]).astype(int)
    box = (*first.tolist(), *last.tolist())

    # the disc's textures
    sizes = np.linalg.norm(
        np.diff(camera.project(np.column_stack((ring, 0 * turn))), axis=0), axis=1
    )
    scale = float(sizes.max()) / (2 * rim * np.sin(np.pi / 59))
    half = float(plate.reach * 1.04)
    fine = float(min(max(1.5 * scale, 12 / plate.geometry.hole_diameter), 4600 / (2 * half)))
    sharp = openings(plate, fine, half)
    hole = cv2.GaussianBlur(sharp, (0, 0), max(0.4, 0.45 * fine / scale))
    coarse = min(fine, 2000 / (2 * half))
    small = cv2.resize(
        sharp, None, fx=coarse / fine, fy=coarse / fine, interpolation=cv2.INTER_AREA
    )
    coarse = len(small) / (2 * half)
    skin = face(plate, small, coarse, half, tilt)
    share = 1 / np.float32(255)

    def opened(image: Pixels, x: Floats, y: Floats, per: float, wide: float = half) -> Floats:
        out = cv2.remap(image, (x + wide) * per - 0.5, (wide - y) * per - 0.5, cv2.INTER_LINEAR,
                        borderMode=cv2.BORDER_CONSTANT, borderValue=255)  # fmt: skip
        return out.astype(np.float32) * share

    def blurred(mm: float) -> tuple[Pixels, float, float]:
        """The openings and what is around them blurred by a deviation, on as coarse a texture as
        shows it; its pixels a mm, and half its side in mm."""
        per = len(sharp) / (2 * half)
        image = sharp
        while mm * per > 4:
            image = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            per = len(image) / (2 * half)
        more = int(4 * mm * per) + 1
        image = cv2.copyMakeBorder(image, *[more] * 4, cv2.BORDER_CONSTANT, value=255)
        return cv2.GaussianBlur(image, (0, 0), max(0.4, mm * per)), per, half + more / per

    edges = cv2.GaussianBlur(small, (0, 0), max(0.5, 0.2 * coarse))
    # a disc's shadow is a blur of its openings: a source's deviation is half its radius
    veils = [(up, *blurred(up * light.half / 2)) for up in (deep, scene.gap)]
    near = blurred(0.7 * deep)
    source, room = glints(plate, light, camera, at, slope)
    length = np.maximum(np.linalg.norm(slope, axis=-1), 1e-9)
    lean = light.slope(at[..., 0], at[..., 1], 0.0)
    facing = np.maximum(0, (lean[0] * slope[..., 0] + lean[1] * slope[..., 1]) / length)
    falling = light.slope(low[..., 0], low[..., 1], -deep)
    beams = light.irradiance(low[..., 0], low[..., 1]), light.irradiance(at[..., 0], at[..., 1])
    traced = kind.name == "paper print" or plate.look["burn"] > 0
    blank = face(plate, small, coarse, half, tilt, traced=False) if traced else skin
    down, ambient = np.float32(light.power), np.float32(light.ambient)
    clear = np.float32(kind.clear or (0, 0, 0))
    colour, cover = scene.over
    axis = np.hypot(*np.moveaxis(grid - camera.middle, -1, 0)) / camera.focal
    image = np.empty((h, w, 3), np.float32)
    bare = np.empty((box[3] - box[1], box[2] - box[0], 3), np.float32)

    def lay(every: tuple[int, int, int, int]) -> Floats:
        """The table, and the shadow of the disc on it."""
        table = LINEAR[canvas(scene.table, low, every)]
        if scene.luminous:
            table *= np.float32(scene.luminous)
            return table
        direct = spread(beams[0], every)
        direct *= canvas(scene.shade, low, every) * share
        direct *= canvas(scene.cast, low, every) * share
        tx, ty, lx, ly = (spread(f, every) for f in (low[..., 0], low[..., 1], *falling))
        lit = np.float32(1)
        for up, *veil in veils:
            lit = np.minimum(lit, opened(veil[0], tx + up * lx, ty + up * ly, *veil[1:]))
        open_ = opened(near[0], tx, ty, *near[1:])
        for c in range(3):
            t = clear[c]
            sun = down[c] * direct * (t + (1 - t) * lit)
            table[..., c] *= sun + ambient[c] * (t + (1 - t) * open_)
        return table

    def cover_(part: tuple[int, int, int, int], table: Floats) -> None:
        """The disc over a part of the table."""
        fields = (*np.moveaxis(at, -1, 0), *np.moveaxis(slope, -1, 0))
        x, y, sx, sy = (spread(f, part) for f in fields)
        top = opened(hole, x, y, fine)
        through = np.minimum(top, opened(hole, x - thick * sx, y - thick * sy, fine))
        shade = canvas(scene.cast, at, part) * share
        direct = spread(beams[1], part) * shade
        shine, dull = spread(source, part) * shade, spread(room, part)
        walled = 0.6 * direct * spread(facing, part)
        x, y = (x + half) * coarse - 0.5, (half - y) * coarse - 0.5
        edge = cv2.remap(edges, x, y, cv2.INTER_LINEAR).astype(np.float32) * share
        edge = 1 - np.float32(2.2) * edge * (1 - edge)
        skins = [LINEAR[cv2.remap(k, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)]
                 for k in ([skin, blank] if traced else [skin])]  # fmt: skip
        store = bare[part[1] - box[1] : part[3] - box[1]]
        for c in range(3):
            under = table[..., c].copy()
            glare = down[c] * shine + ambient[c] * dull
            store[..., c] = skins[-1][..., c] * (down[c] * direct + ambient[c]) + glare
            one = skins[0][..., c] * (down[c] * direct + ambient[c]) + glare
            if kind.clear:
                store[..., c] += clear[c] * under
                one += clear[c] * edge * under
            wall = np.float32(kind.wall[c]) * (np.float32(0.4) * ambient[c] + down[c] * walled)
            table[..., c] = one * (1 - top) + under * through + wall * (top - through)

    for first_row in range(0, h, 32 * STEP):
        every = (0, first_row, w, min(h, first_row + 32 * STEP))
        strip = lay(every)
        part = (box[0], max(box[1], every[1]), box[2], min(box[3], every[3]))
        if part[1] < part[3]:
            cover_(part, strip[part[1] - first_row : part[3] - first_row, box[0] : box[2]])
        if cover.any():
            raised = at + 4.0 * slope
            shown = (canvas(cover, raised, every) * share)[..., None]
            if shown.any():
                strip += shown * (
                    LINEAR[canvas(colour, raised, every)] * (0.8 * down + ambient) - strip
                )
        # cos⁴ of the field angle (radiometry of a thin lens), of which the telephone mends most
        strip *= spread((1 + axis**2) ** -0.6, every)[..., None]
        image[every[1] : every[3]] = strip
    return image, box, bare
