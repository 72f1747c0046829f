"""A punched disc as a thing: its design, its damage, its material, and textures of its face.

Frame: mm, x to the right, y up, z towards the viewer; the face is z = 0. The sizes of things here
are from memory of what makers use, unless a source is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

import sonify
from sonify.disc.code.code import Code
from sonify.disc.code.encoding import encode_grid, room
from sonify.disc.geometry.fit import fit_grid
from sonify.disc.layout import Layout
from sonify.disc.sizes import FitSpec, Geometry, row_radii
from sonify.errors import InputError
from sonify.export.drawing.drawing import Drawing, drawing_of

Floats = NDArray[np.float32]
Reals = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Rng = np.random.Generator

NOTES = (
    "FOG AT THE PASS; WIND SW 6; CLOUD BASE 900 M; FROST ON THE LADDER; SPRING DRY; -3 C; RIME 4 CM"
    "; PATH CLEAR TO THE CAIRN; THUNDER 15; GUSTS 70; SNOW TO THE SILL; BREAD LEFT",
    "Nebel am Grat; Wind NW 5; Böen 60 km/h; Quelle läuft; Tür klemmt; Schnee bis Südhütte",
    "vent d'est; grêle à 16 h; névé dur; source gelée; 2 °C; très clair; où est Léo?",
    "niebla al amanecer; viento sur; 11 °C; mañana tormenta; señal caída; leña seca; cañón cortado",
    "tåke på ryggen; snø over døra; −8 °C; føre hardt; bekken åpen; sørvest kuling; vær så god",
    "mgła na przełęczy; śnieg do kolan; −5 °C; źródło suche; wieje halny; żleb zamknięty; cześć",
    "mlha na hřebeni; vítr sílí; sníh mokrý; pramen teče; 4 °C; žádná bouřka; dříví došlo; ahoj",
    "sumua tunturilla; tuuli länsi 8; pöllö räystäällä; −14 °C; kylmä yö; hei",
    "ομίχλη στο διάσελο; άνεμος βόρειος; 6 °C; χιόνι λίγο; καλό δρόμο; η πηγή τρέχει",
    "туман на перевале; ветер 7 м/с; снег по колено; родник замёрз; −9 °C; дров хватит",
    "þoka á fjallinu; vindur 12 m/s; él í nótt; skálinn opinn; lækurinn frosinn; −6 °C; góða ferð",
    "尾根は霧; 西風強し; 雪30cm; 水場涸れ; 午後は雷; 気温3度; 小屋は空いています",
)
TITLES = ("", "Cairn Hut", "Cairn Hut, 3 May", "Col du Vent", "Südgrat 2", "North Ladder", "No. 17")


@dataclass(frozen=True)
class Material:
    """Optical constants of a sheet.

    Reflectances are linear; `f0` is the mirror reflectance at normal incidence (0.04 for an index
    of 1.5, Fresnel), `rough` the GGX roughness along and across the brushing, `clear` the share of
    light let through.
    """

    name: str
    albedo: tuple[float, float, float]
    wall: tuple[float, float, float]
    ink: tuple[float, float, float]
    thick: tuple[float, float]
    f0: float = 0.04
    rough: tuple[float, float] = (0.5, 0.5)
    clear: tuple[float, float, float] | None = None
    grain: str = "plain"


GREY, CLEAR = (0.5,) * 3, (0.91, 0.92, 0.92)
MATERIALS = (
    Material("grey card", (0.34, 0.31, 0.27), (0.4, 0.36, 0.31), (0.03,) * 3, (0.5, 2.0)),
    Material("white card", (0.78, 0.77, 0.74), (0.7, 0.69, 0.65), (0.03, 0.03, 0.09), (0.3, 1.5)),
    Material("black card", (0.03, 0.03, 0.032), (0.05,) * 3, (0.6, 0.58, 0.5), (0.3, 1.5)),
    Material("blue card", (0.05, 0.12, 0.33), (0.1, 0.17, 0.35), (0.7,) * 3, (0.3, 1.0)),
    Material("birch", (0.58, 0.42, 0.25), (0.3, 0.2, 0.11), (0.06, 0.03, 0.015), (3.0, 6.0), 0.03,
             grain="wood"),
    Material("burnt birch", (0.55, 0.39, 0.22), (0.03, 0.02, 0.012), (0.05, 0.025, 0.012),
             (3.0, 6.0), 0.03, grain="wood"),
    Material("black acrylic", (0.012,) * 3, (0.03,) * 3, (0.35,) * 3, (2.0, 4.0), 0.04,
             (0.06, 0.06)),
    Material("red acrylic", (0.3, 0.015, 0.02), (0.33, 0.03, 0.03), (0.7, 0.5, 0.5), (2.0, 4.0),
             0.04, (0.05, 0.05)),
    Material("yellow acrylic", (0.65, 0.42, 0.02), (0.6, 0.4, 0.05), (0.1,) * 3, (2.0, 4.0), 0.04,
             (0.05, 0.05)),
    Material("aluminium", (0.33, 0.33, 0.34), (0.42,) * 3, (0.05,) * 3, (1.0, 3.0), 0.5,
             (0.32, 0.09), grain="brushed"),
    Material("black anodised", (0.025, 0.025, 0.028), (0.3,) * 3, (0.5,) * 3, (1.0, 2.0), 0.05,
             (0.3, 0.25)),
    Material("gold anodised", (0.42, 0.28, 0.08), (0.45,) * 3, (0.04,) * 3, (1.0, 2.0), 0.25,
             (0.3, 0.22)),
    Material("clear acrylic", (0.012,) * 3, (0.3, 0.33, 0.33), (0.62,) * 3, (2.0, 4.0), 0.04,
             (0.04, 0.04), CLEAR),
    Material("green acrylic", (0.012,) * 3, (0.05, 0.3, 0.14), (0.6,) * 3, (2.0, 4.0), 0.04,
             (0.04, 0.04), (0.12, 0.72, 0.3)),
    Material("paper print", (0.82, 0.82, 0.84), (0.8,) * 3, (0.015,) * 3, (0.1, 0.1), 0.03),
)  # fmt: skip


@dataclass(frozen=True)
class Plate:
    """A disc that was made: `holes` is what is punched through at each site, row by row."""

    disc: sonify.Disc
    geometry: Geometry
    drawing: Drawing
    material: Material
    thickness: float
    grid: NDArray[np.int8]
    message: str | None
    holes: NDArray[np.bool_]
    sites: Reals
    """Centres of all sites in mm, shape (rows + 1, positions, 2); the last row is the clock's."""
    marked: bool
    look: dict[str, Any]

    @property
    def radius(self) -> float:
        """Of the disc, in mm."""
        return self.geometry.outer_diameter / 2

    @property
    def reach(self) -> float:
        """Half the side of a square that holds the sheet, in mm."""
        return self.radius * (1.5 if self.look["sheet"] else 1.0)


def _message(rng: Rng, code: Code, units: int) -> str:
    """Notes in one language until the disc is nearly full; a few letters where little fits."""
    letters = "".join(c for c in NOTES[0] if c.isalpha())
    pool = NOTES[0] if code.alphabet != "utf-8" else NOTES[int(rng.integers(1, len(NOTES)))]
    if code.alphabet == "ascii" and rng.random() < 0.4:
        pool = pool.lower()
    if code.alphabet == "ita2":
        pool = pool.replace(";", ",")
    text = ""
    for note in rng.permutation(pool.replace(", ", "; ").split("; ")):
        longer = f"{text}, {note}" if text else str(note)
        if len(longer.encode()) * (1.5 if code.alphabet == "ita2" else 1) > units:
            break
        text = longer
    return text or "".join(rng.choice(list(letters), max(1, min(units, 3))))


def design(rng: Rng) -> sonify.Disc:
    """A disc with a message and sizes, as `sonify encode` makes them."""
    while True:
        alphabet = str(rng.choice(["ascii", "ascii", "utf-8", "utf-8", "ita2"]))
        framing = "framed" if alphabet != "ita2" and rng.random() < 0.5 else "plain"
        check = str(rng.choice(["none", "none", "parity", "crc-16", "reed-solomon"]))
        order = "low-first" if rng.random() < 0.2 else "high-first"
        positions = int(np.exp(rng.uniform(np.log(8), np.log(129))))
        if rng.random() < 0.5:
            positions = max(8, positions // 8 * 8)
        rows = int(rng.integers(1, 13))
        said = framing == "framed" or check in ("crc-16", "reed-solomon")
        layout = Layout(
            positions=positions,
            reading="inside-out" if said and rng.random() < 0.15 else "outside-in",
            turning="anticlockwise" if said and rng.random() < 0.2 else "clockwise",
            hole_means=0 if said and rng.random() < 0.06 else 1,
        )
        hole = float(rng.choice([1.5, 2.0, 2.5, 3.0, 3.0, 4.0]))
        spec = FitSpec(
            hole_diameter=hole,
            least_web=hole * rng.uniform(0.4, 0.9),
            bore_diameter=float(rng.choice([4.0, 6.0, 8.0, 8.0, 10.0])),
            positions=positions,
        )
        try:
            code = Code(alphabet=alphabet, framing=framing, check=check, bit_order=order)
            units = room(rows, positions, code) - 4 * said
            text = _message(rng, code, units)
            grid = encode_grid(text, code, positions)
            if not 1 <= len(grid) <= 12:
                continue
            geometry = fit_grid(len(grid), layout, spec).geometry
            if rng.random() < 0.5 or geometry.outer_diameter < 50:
                wide = max(55.0, geometry.outer_diameter) * rng.uniform(1.05, 1.4)
                spec = msgspec.structs.replace(spec, outer_diameter=round(wide))
                geometry = fit_grid(len(grid), layout, spec).geometry
        except InputError:
            continue
        if geometry.outer_diameter > 420:
            continue
        margin = float(rng.choice([0.0, 0.0, 2.0, 6.0, 12.0]))
        geometry = msgspec.structs.replace(
            geometry, outer_diameter=geometry.outer_diameter + 2 * margin
        )
        title = str(rng.choice(TITLES))
        return sonify.Disc(grid, layout, code, geometry, title, (), "note", text)


def sites_of(disc: sonify.Disc, geometry: Geometry, side: str) -> Reals:
    """Centres of all sites in mm, the clock row last, shape (rows + 1, positions, 2)."""
    radii = np.append(row_radii(geometry, disc.layout, disc.rows), geometry.clock_radius)
    angle = np.radians([disc.layout.angle(p) for p in range(disc.positions)])
    mirror = -1.0 if side == "back" else 1.0
    way = np.stack((mirror * np.sin(angle), np.cos(angle)), axis=-1)
    return radii[:, None, None] * way


def make(rng: Rng, damage: bool, kinds: tuple[str, ...]) -> Plate:
    """Cut a disc from one of the materials named, and wear it."""
    disc = design(rng)
    assert disc.geometry is not None
    assert disc.code is not None
    geometry, layout = disc.geometry, disc.layout
    chosen = str(rng.choice(kinds))
    material = next(m for m in MATERIALS if m.name == chosen)
    side = "back" if rng.random() < 0.04 and material.name != "paper print" else "front"
    engrave = str(rng.choice(["title", "title", "message", "none"]))
    drawing = drawing_of(disc, geometry, side=side, engrave=engrave)  # type: ignore[arg-type]
    holes = np.vstack((disc.grid == layout.hole_means, np.ones((1, disc.positions), bool)))
    look: dict[str, Any] = {"slugs": [], "flaps": [], "torn": [], "scratches": 0}
    if damage:
        data = np.argwhere(holes[:-1])
        some = data[rng.permutation(len(data))[: int(rng.integers(1, 5))]].tolist()
        for n, (row, position) in enumerate(some):
            kind = ("slugs", "flaps", "torn", "torn")[n]
            if material.name == "paper print":
                continue
            look[kind].append((row, position))
            holes[row, position] = kind != "slugs"
        look["scratches"] = int(rng.integers(3, 25))
    bit = np.where(holes[:-1], layout.hole_means, 1 - layout.hole_means)
    grid = bit.astype(np.int8)
    read = sonify.Disc(grid.copy(), layout, disc.code)
    failed = read.decoding is None or read.decoding.verdict == "failed"
    marked = any(n.group == "index-mark" for n in drawing.lines) and rng.random() < 0.9
    look |= {
        "stroke": rng.uniform(0.25, 0.8),
        "filled": rng.random() < 0.7,
        "burn": rng.uniform(0.3, 0.9) if "burnt" in material.name else 0.0,
        "burr": rng.uniform(-0.5, 0.5) if material.grain == "brushed" else rng.uniform(0, 0.15),
        "grain": rng.uniform(0.3, 1.0),
        "ink": rng.uniform(0.5, 1.0),
        "outline": material.name == "paper print" and rng.random() < 0.3,
        "sheet": material.name == "paper print" and rng.random() < 0.5,
        "seed": int(rng.integers(1 << 30)),
    }
    return Plate(
        disc, geometry, drawing, material, rng.uniform(*material.thick), grid,
        None if failed else read.message, holes, sites_of(disc, geometry, side), marked, look,
    )  # fmt: skip


def _curve() -> Pixels:
    x = np.arange(4096) / 4095
    return np.round(
        255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    ).astype(np.uint8)


CURVE = _curve()


def encoded(linear: Any) -> Pixels:
    """Linear light, 1 for white, as bytes by the transfer curve of IEC 61966-2-1."""
    return CURVE[(np.clip(linear, 0, 1) * 4095 + 0.5).astype(np.uint16)]


def _polygon(centre: Any, radius: Any, ppm: float, half: float) -> NDArray[np.int32]:
    """A ring of points about a centre in mm, in sixteenths of texture pixels."""
    count = np.size(radius) if np.ndim(radius) else 64 if radius < 10 else 720
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    x = half + centre[0] + radius * np.cos(turn)
    y = half - centre[1] - radius * np.sin(turn)
    return np.round(np.stack((x, y), -1) * ppm * 16 - 8).astype(np.int32)


def openings(plate: Plate, ppm: float, half: float) -> Pixels:
    """Where light passes through, 255, and where the sheet is, 0. Pixels are 1 / ppm mm."""
    rng = np.random.default_rng(plate.look["seed"])
    size = int(np.ceil(2 * half * ppm))
    out = np.full((size, size), 255, np.uint8)

    def fill(centre: Any, radius: Any, value: int) -> None:
        # OpenCV fills the pixels on a polygon's edge too, half a pixel more on every side
        grown = radius - 0.5 / ppm
        cv2.fillPoly(out, [_polygon(centre, grown, ppm, half)], value, cv2.LINE_8, 4)

    if plate.look["sheet"]:
        low, high = (round((half + k * plate.reach) * ppm) for k in (-0.96, 0.96))
        out[low:high, round((half - plate.radius * 1.06) * ppm) : -low or None] = 0
        return out
    fill((0, 0), plate.radius, 0)
    if plate.material.name == "paper print":
        return out
    fill((0, 0), plate.geometry.bore_diameter / 2, 255)
    hole = plate.geometry.hole_diameter / 2
    for row, position in np.argwhere(plate.holes).tolist():
        at, radius = plate.sites[row, position], hole
        if (row, position) in plate.look["torn"]:
            turn = np.linspace(0, 2 * np.pi, 64, endpoint=False)
            lobe = np.cos(turn - rng.uniform(0, 6.3)) ** 8 * rng.uniform(0.1, 0.25)
            radius = hole * (1 + lobe + 0.05 * rng.standard_normal(64))
        fill(at, radius, 255)
        if (row, position) in plate.look["flaps"]:
            turn, depth = rng.uniform(0, 6.3), rng.uniform(0.0, 0.5)
            ahead = np.array([np.cos(turn), np.sin(turn)])
            # a flap covers the part of the hole beyond a chord: less than half
            along = np.array([-ahead[1], ahead[0]])
            quad = [depth * ahead + s * along for s in (-1, 1)]
            quad += [1.05 * ahead + s * along for s in (0.6, -0.6)]
            points = (np.array(quad) * hole + at) * [1, -1] + half
            cv2.fillPoly(out, [np.round(points * ppm * 16 - 8).astype(np.int32)], 0, 8, 4)
    return out


def face(
    plate: Plate, open_: Pixels, ppm: float, half: float, light: Reals, traced: bool = True
) -> Pixels:
    """The colour of the face, encoded as bytes; `light` is the slope of the light, which shades
    burrs. Without `traced`, printed holes and burns around holes are left out."""
    look, kind = plate.look, plate.material
    rng = np.random.default_rng([plate.look["seed"], 1])
    size = len(open_)
    out = np.ones((size, size, 3), np.float32) * np.float32(kind.albedo)

    def fog(down: float, across: float) -> Floats:
        cells = [max(2, min(size, int(size / ppm / mm))) for mm in (down, across)]
        small = rng.standard_normal(cells).astype(np.float32)
        return cv2.resize(small, (size, size), interpolation=cv2.INTER_CUBIC)

    if kind.grain == "wood":
        grain = 0.08 * fog(0.7, 40) + 0.1 * fog(4, 90) + 0.05 * fog(25, 25)
        out *= (1 + look["grain"] * grain)[..., None]
    elif kind.grain == "brushed":
        out *= (1 + 0.12 * look["grain"] * fog(0.15, 25))[..., None]
    else:
        out *= (1 + 0.03 * look["grain"] * fog(0.6, 0.6) + 0.02 * fog(20, 20))[..., None]
    if look["burn"] and traced:
        away = cv2.distanceTransform(255 - open_, cv2.DIST_L2, 3) / ppm
        out *= (1 - look["burn"] * np.exp(-away / np.float32(0.6)))[..., None]
    soft = cv2.GaussianBlur(open_, (0, 0), max(0.6, 0.15 * ppm)).astype(np.float32) / 255
    slope = light / max(1.0, float(np.hypot(*light)))
    lean = slope[0] * cv2.Sobel(soft, -1, 1, 0, scale=1 / 8) - slope[1] * cv2.Sobel(
        soft, -1, 0, 1, scale=1 / 8
    )
    out *= np.clip(1 + 4 * look["burr"] * lean * max(1.0, 0.15 * ppm), 0.3, 1.9)[..., None]
    ink = np.zeros((size, size), np.uint8)

    def draw(points: Reals, closed: bool, wide: float, value: int = 255) -> None:
        dots = np.round((points * [1, -1] + half) * ppm * 16 - 8).astype(np.int32)
        cv2.polylines(ink, [dots], closed, value, max(1, round(wide * ppm)), cv2.LINE_AA, 4)

    for line in plate.drawing.lines:
        if line.group == "index-mark" and not plate.marked:
            continue
        draw(line.points, line.closed, look["stroke"])
        if line.group == "index-mark" and look["filled"]:
            dots = np.round((line.points * [1, -1] + half) * ppm * 16 - 8).astype(np.int32)
            cv2.fillPoly(ink, [dots], 255, cv2.LINE_AA, 4)
    for row, position in look["slugs"]:
        ring = _polygon(plate.sites[row, position], plate.geometry.hole_diameter / 2, ppm, half)
        cv2.polylines(ink, [ring], True, 150, max(1, round(0.15 * ppm)), cv2.LINE_AA, 4)
    if kind.name == "paper print" and traced:
        sizes = [(at, plate.geometry.hole_diameter / 2) for at in plate.sites[plate.holes]]
        sizes += [(np.zeros(2), plate.geometry.bore_diameter / 2)]
        rings = [_polygon(at, radius, ppm, half) for at, radius in sizes]
        rings += [_polygon((0, 0), plate.radius - look["stroke"], ppm, half)]
        wide = max(1, round(look["stroke"] * ppm))
        cv2.polylines(ink, rings, True, 255, wide, cv2.LINE_AA, 4)
        if not look["outline"]:
            cv2.fillPoly(ink, rings[:-1], 255, cv2.LINE_AA, 4)
    share = (ink.astype(np.float32) * np.float32(look["ink"] / 255))[..., None]
    out += share * (np.float32(kind.ink) - out)
    if look["scratches"]:
        ink[:] = 0
        for a, b in rng.uniform(-1, 1, (look["scratches"], 2, 2)) * plate.radius:
            draw(np.stack((a, a + 0.6 * (b - a))), False, rng.uniform(0.05, 0.2), 90)
        out += (ink.astype(np.float32) / 255)[..., None] * (np.float32(GREY) - out)
    return encoded(out)
