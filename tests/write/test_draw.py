"""Drawings, each read back with a library that the project did not write, and in Chromium.

Every hole's centre within 1 µm and its diameter exact: SVG by svgelements and Chromium, DXF by
ezdxf, PDF by pypdf, CSV by the standard library, PNG by Pillow.
"""

from __future__ import annotations

import csv as table
import io
import itertools
import json
import math
import re
import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from sonify.disc.disc import Disc
from sonify.disc.geometry import Geometry, KeepOut
from sonify.disc.holes import CLOCK, holes_of
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.light.letters import load_letters
from sonify.write.draw import DRAWINGS, draw, kind_of
from sonify.write.draw.drawing import GROUPS, drawing_of
from sonify.write.draw.pdf import BAR, PAPERS, POINT, sheets
from sonify.write.draw.png import MATERIALS
from sonify.write.draw.strokes import strokes

MICRON = 0.001
TEXT = "WIND SW 6, CLOUD BASE 900 M"
KEEP = (KeepOut(radius=24.0, angle=120.0, diameter=8.0),)
CUT = {"holes", "clock-row", "bore", "outline"}


def disc_of(turning: str = "clockwise", **sizes: object) -> Disc:
    return Disc.from_message(
        TEXT,
        layout=Layout(turning=turning),
        geometry=Geometry(keep_out=KEEP, **sizes),
        title="Cairn Hut, 14 March <&>",
    )


DISC = disc_of()


def expected(disc: Disc, side: str = "front", kerf: float = 0.0) -> dict[str, list]:
    """The circles of a drawing by group, from the design's words: row r at its radius, position
    p turned by p / N of a turn from twelve o'clock."""
    g, n = disc.geometry, disc.positions
    mirror = -1 if side == "back" else 1
    way = -1 if disc.layout.turning == "clockwise" else 1

    def at(radius: float, turn: float, diameter: float) -> tuple[float, float, float]:
        a = 2 * math.pi * turn
        return mirror * radius * math.sin(a), radius * math.cos(a), diameter

    hole = g.hole_diameter - kerf
    return {
        "holes": [
            at(g.first_row_radius - r * g.row_pitch, way * p / n, hole)
            for r in range(disc.rows)
            for p in range(n)
            if disc.grid[r, p] == 1
        ],
        "clock-row": [at(g.clock_radius, way * p / n, hole) for p in range(n)],
        "bore": [(0.0, 0.0, g.bore_diameter - kerf)],
        "outline": [(0.0, 0.0, g.outer_diameter + kerf)],
        "keep-outs": [at(k.radius, k.angle / 360, k.diameter) for k in g.keep_out],
    }


def same(found: list, wanted: list, diameter: float = 0.0) -> None:
    """The same circles, in any order: centres within 1 µm, diameters exact (or so near)."""
    assert len(found) == len(wanted)
    left = np.array(sorted(found, key=lambda c: (round(c[0], 2), round(c[1], 2))))
    right = np.array(sorted(wanted, key=lambda c: (round(c[0], 2), round(c[1], 2))))
    far = np.hypot(left[:, None, 0] - right[None, :, 0], left[:, None, 1] - right[None, :, 1])
    nearest = far.argmin(axis=1)
    assert sorted(nearest.tolist()) == list(range(len(right)))
    assert far.min(axis=1).max() < MICRON
    assert np.abs(left[:, 2] - right[nearest, 2]).max() <= diameter + 1e-12


WAYS = [
    ("front", 0.0, "clockwise"),
    ("back", 0.0, "clockwise"),
    ("front", 0.15, "anticlockwise"),
    ("back", 0.2, "anticlockwise"),
]


@pytest.fixture(params=WAYS, ids=lambda w: "-".join(map(str, w)))
def way(request):
    side, kerf, turning = request.param
    disc = disc_of(turning)
    drawing = drawing_of(disc, disc.geometry, side=side, kerf=kerf)
    return drawing, expected(disc, side, kerf)


# --- SVG ----------------------------------------------------------------------------------------


def test_svg_read_by_svgelements(way):
    elements = pytest.importorskip("svgelements")
    drawing, wanted = way
    text = draw(drawing, ".svg").decode("utf-8")
    # at 25.4 dots an inch a unit is a millimetre; the library knows an inch to seven digits
    whole = elements.SVG.parse(io.StringIO(text), ppi=25.4, reify=False)
    reach = (wanted["outline"][0][2] + 2) / 2
    assert whole.width == pytest.approx(2 * reach, rel=1e-6)
    found: dict[str, list] = {}
    for group in (g for g in whole if isinstance(g, elements.Group)):
        for c in group.select(lambda e: isinstance(e, elements.Circle)):
            found.setdefault(group.id, []).append((c.cx, -c.cy, 2 * c.rx))
            assert c.rx == c.ry
            # and where that lands at real size, from the upper left corner
            assert c.implicit_center.x == pytest.approx(c.cx + reach, rel=1e-6)
            assert c.implicit_center.y == pytest.approx(c.cy + reach, rel=1e-6)
            assert c.implicit_rx == pytest.approx(c.rx, rel=1e-6)
    assert found.keys() == wanted.keys()
    for name in wanted:
        same(found[name], wanted[name])


def test_svg_has_groups_with_titles_in_the_order_of_work():
    import xml.etree.ElementTree as tree

    root = tree.fromstring(draw(drawing_of(DISC, DISC.geometry), ".svg"))
    ns = "{http://www.w3.org/2000/svg}"
    groups = root.findall(f"{ns}g")
    assert [g.get("id") for g in groups] == list(GROUPS)
    for g in groups:
        assert g.find(f"{ns}title").text == GROUPS[g.get("id")].title
        assert g.get("fill") == "none"
        assert float(g.get("stroke-width")) < 0.0254  # a thousandth of an inch: a hairline
    assert len({g.get("stroke") for g in groups}) == len(groups)
    rows = groups[list(GROUPS).index("holes")].findall(f"{ns}g")
    assert [r.get("id") for r in rows] == [f"row-{k + 1}" for k in range(DISC.rows)]
    assert [len(r.findall(f"{ns}circle")) for r in rows] == (DISC.grid == 1).sum(axis=1).tolist()
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert root.find(f"{ns}title").text == "Cairn Hut, 14 March <&>"
    assert root.find(f".//{ns}text") is None  # no typeface to be missing


@pytest.fixture(scope="module")
def chromium():
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("chromium is not installed (Debian: apt install chromium)")

    def run(*arguments: str) -> str:
        return subprocess.run(
            [path, "--headless", "--no-sandbox", "--disable-gpu", *arguments],
            capture_output=True, text=True, check=True, timeout=120,
        ).stdout  # fmt: skip

    return run


def test_svg_laid_out_by_chromium(chromium, tmp_path):
    """The browser's own boxes of the circles in millimetres, and the size of the whole in CSS
    millimetres."""
    drawing = drawing_of(DISC, DISC.geometry, kerf=0.15)
    page = tmp_path / "page.html"
    script = """
      const svg = document.querySelector("svg"), box = svg.getBoundingClientRect();
      const out = {size: [box.width, box.height], circles: {}};
      for (const c of svg.querySelectorAll("circle")) {
        const b = c.getBBox(), name = c.closest("svg > g").id;
        (out.circles[name] ??= []).push([b.x + b.width / 2, -b.y - b.height / 2, b.width]);
      }
      document.body.textContent = JSON.stringify(out);
    """
    svg = draw(drawing, ".svg").decode("utf-8").split("?>", 1)[1]
    page.write_text(f"<meta charset=utf-8><body>{svg}<script>{script}</script>", encoding="utf-8")
    text = chromium("--dump-dom", page.as_uri())
    data = json.loads(re.search(r"<body>(\{.*\})", text).group(1))
    wanted = expected(DISC, kerf=0.15)
    assert data["circles"].keys() == wanted.keys()
    for name, circles in data["circles"].items():
        # the browser reckons in single precision
        same([tuple(c) for c in circles], wanted[name], 0.00005)
    # and lays out in sixty-fourths of a pixel
    assert data["size"] == pytest.approx([182.15 * 96 / 25.4] * 2, abs=1 / 64)


def test_svg_painted_by_chromium(chromium, tmp_path):
    """Filled instead of outlined: holes come out where they should, and nowhere else."""
    drawing = drawing_of(DISC, DISC.geometry)
    svg = draw(drawing, ".svg").decode("utf-8").split("?>", 1)[1]
    css = """svg{position:absolute;left:0;top:0;width:800px;height:800px}
             circle{fill:#000;stroke:none} #outline circle{fill:#fff}
             #engraving,#index-mark,#keep-outs{display:none}"""
    # the outline is drawn last: put it under the others to see them
    script = "const s=document.querySelector('svg');s.prepend(s.querySelector('#outline'))"
    page, shot = tmp_path / "page.html", tmp_path / "shot.png"
    page.write_text(
        f"<style>body{{background:#00f}}{css}</style><body>{svg}<script>{script}</script>",
        encoding="utf-8",
    )
    chromium(f"--screenshot={shot}", "--window-size=800,900", page.as_uri())
    pixels = np.asarray(Image.open(shot).convert("RGB")).astype(int)[:800]
    scale = 800 / 182
    y, x = np.mgrid[:800, :800]
    wanted = expected(DISC)
    inside = np.zeros((800, 800), bool)
    edge = np.zeros((800, 800), bool)
    for cx, cy, d in wanted["holes"] + wanted["clock-row"] + wanted["bore"]:
        away = np.hypot((x + 0.5) / scale - 91 - cx, 91 - (y + 0.5) / scale - cy) - d / 2
        inside |= away < 0
        edge |= np.abs(away) < 0.3
    disc = np.hypot((x + 0.5) / scale - 91, (y + 0.5) / scale - 91)
    edge |= np.abs(disc - 90) < 0.3
    colour = np.where(inside[..., None], [0, 0, 0], [255, 255, 255])
    colour = np.where((disc > 90)[..., None], [0, 0, 255], colour)
    assert np.abs(pixels - colour)[~edge].max() == 0


# --- DXF ----------------------------------------------------------------------------------------


def test_dxf_read_by_ezdxf(way, tmp_path):
    import ezdxf

    drawing, wanted = way
    path = tmp_path / "a.dxf"
    path.write_bytes(draw(drawing, ".dxf"))
    doc = ezdxf.readfile(path)
    audit = doc.audit()
    assert not audit.errors
    assert not audit.fixes
    assert doc.dxfversion == "AC1024"  # R2010
    assert doc.header["$INSUNITS"] == 4  # millimetres
    found: dict[str, list] = {}
    for c in doc.modelspace().query("CIRCLE"):
        found.setdefault(c.dxf.layer, []).append((c.dxf.center.x, c.dxf.center.y, 2 * c.dxf.radius))
    assert found.keys() == wanted.keys()
    for name in wanted:
        same(found[name], wanted[name], 1e-12)
    assert {layer.dxf.name for layer in doc.layers} >= set(GROUPS)
    assert {e.dxf.layer for e in doc.modelspace()} == set(GROUPS)
    lines = doc.modelspace().query("LWPOLYLINE")
    drawn = [(n.group, len(n.points), n.closed) for n in drawing.lines]
    assert sorted((e.dxf.layer, len(e), e.closed) for e in lines) == sorted(drawn)


# --- PDF ----------------------------------------------------------------------------------------


def circles_of(page) -> list[tuple[float, float, float, tuple]]:
    """Every circle of four curves on a page, in mm from its lower left corner, with its colour."""
    pypdf = pytest.importorskip("pypdf")
    content = pypdf.generic.ContentStream(page.get_contents(), page.pdf)
    out, stack = [], []
    matrix, colour, points = np.eye(3), None, []
    for operands, operator in content.operations:
        v = [float(o) if not isinstance(o, (str, list, dict)) else o for o in operands]
        match operator:
            case b"q":
                stack.append((matrix, colour))
            case b"Q":
                matrix, colour = stack.pop()
            case b"cm":
                a, b, c, d, e, f = v
                matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
            case b"RG" | b"G":
                colour = tuple(v) if len(v) == 3 else (v[0],) * 3
            case b"m":
                points = [v]
            case b"c":
                points.append(v)
            case b"l":
                points = []
            case b"h":
                if len(points) == 5 and all(len(p) == 6 for p in points[1:]):
                    ends = np.array([points[0], *(p[4:] for p in points[1:4])])
                    ends = np.column_stack((ends, np.ones(4))) @ matrix
                    right, top, left, bottom = ends[:, :2] / POINT
                    middle = (right + left) / 2
                    assert np.abs(middle - (top + bottom) / 2).max() < MICRON / 10
                    out.append((*middle, float(np.hypot(*(right - left))), colour))
                points = []
    return out


def lines_of(page) -> list[tuple[np.ndarray, np.ndarray]]:
    """Straight lines of a page, in mm."""
    pypdf = pytest.importorskip("pypdf")
    out, start = [], None
    stack, matrix = [], np.eye(3)
    for operands, operator in pypdf.generic.ContentStream(page.get_contents(), page.pdf).operations:
        if operator == b"q":
            stack.append(matrix)
        elif operator == b"Q":
            matrix = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = map(float, operands)
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif operator in (b"m", b"l"):
            here = (np.array([*map(float, operands), 1]) @ matrix)[:2] / POINT
            if operator == b"l":
                out.append((start, here))
            start = here
    return out


def test_pdf_measured_by_pypdf(way):
    pypdf = pytest.importorskip("pypdf")
    drawing, wanted = way
    reader = pypdf.PdfReader(io.BytesIO(draw(drawing, ".pdf", paper="a4")))
    (page,) = reader.pages
    assert float(page.mediabox.width) / POINT == pytest.approx(210, abs=0.01)
    assert float(page.mediabox.height) / POINT == pytest.approx(297, abs=0.01)
    found: dict[str, list] = {}
    names = {tuple(c / 255 for c in bytes.fromhex(g.colour[1:])): g.id for g in GROUPS.values()}
    circles = circles_of(page)
    (ox, oy) = next((x, y) for x, y, d, _ in circles if d > 100)
    for x, y, d, colour in circles:
        name = min(names, key=lambda c: sum(abs(a - b) for a, b in zip(c, colour, strict=True)))
        found.setdefault(names[name], []).append((x - ox, y - oy, d))
    assert found.keys() == wanted.keys()
    for name in wanted:
        # a PDF holds four decimals of a point: 0.02 µm at each end
        same(found[name], wanted[name], 0.0001)


def test_pdf_has_a_bar_of_50_mm_on_every_page():
    pypdf = pytest.importorskip("pypdf")
    drawing = drawing_of(DISC, DISC.geometry)
    for paper in PAPERS:
        reader = pypdf.PdfReader(io.BytesIO(draw(drawing, ".pdf", paper=paper)))
        pages, _, _ = sheets(drawing, paper)
        assert len(reader.pages) == len(pages)
        for page in reader.pages:
            flat = [np.hypot(*(b - a)) for a, b in lines_of(page) if abs(a[1] - b[1]) < 1e-6]
            assert max(flat) == pytest.approx(BAR, abs=MICRON)
            assert "50 mm" in page.extract_text()


@pytest.mark.parametrize(("diameter", "paper"), [(180.0, "a5"), (400.0, "a4"), (600.0, "letter")])
def test_pdf_tiles_make_up_the_whole(diameter, paper):
    """Each hole is whole on some page or split between two that both show it, and the register
    marks of neighbours are at the same places of the disc."""
    pypdf = pytest.importorskip("pypdf")
    g = Geometry(outer_diameter=diameter, clock_radius=diameter / 2 - 6,
                 first_row_radius=diameter / 2 - 13)  # fmt: skip
    disc = Disc.from_message(TEXT, geometry=g)
    drawing = drawing_of(disc, g)
    pages, columns, lines = sheets(drawing, paper)
    reader = pypdf.PdfReader(io.BytesIO(draw(drawing, ".pdf", paper=paper)))
    assert len(reader.pages) == len(pages) == columns * lines > 1
    seen = set()
    marks: list[set] = []
    wanted = np.array([c for k in ("holes", "clock-row") for c in expected(disc)[k]])
    for sheet, page in zip(pages, reader.pages, strict=True):
        offset = np.array([sheet.x - 8.0, sheet.y - 22.0])
        for x, y, d, _ in circles_of(page):
            if d > 5:
                continue
            far = np.hypot(wanted[:, 0] - x - offset[0], wanted[:, 1] - y - offset[1])
            assert far.min() < MICRON * 4  # and the page's own height in whole hundredths of a pt
            k = int(far.argmin())
            cx, cy = wanted[k, :2]
            if (
                sheet.x <= cx - 1.5
                and cx + 1.5 <= sheet.x + sheet.across
                and sheet.y <= cy - 1.5
                and cy + 1.5 <= sheet.y + sheet.up
            ):
                seen.add(k)
        crosses = {
            tuple(np.round((a + b) / 2 + offset, 1))
            for a, b in lines_of(page)
            if np.hypot(*(b - a)) == pytest.approx(8, abs=0.001)
        }
        marks.append(crosses)
    assert seen == set(range(len(wanted)))
    for k, sheet in enumerate(pages):
        for other in range(k):
            o = pages[other]
            beside = abs(o.column - sheet.column) + abs(o.line - sheet.line) == 1
            if beside:
                assert len(marks[k] & marks[other]) >= 2


# --- CSV ----------------------------------------------------------------------------------------


def test_csv(way):
    drawing, wanted = way
    rows = list(table.DictReader(io.StringIO(draw(drawing, ".csv").decode("ascii"))))
    assert list(rows[0]) == ["x_mm", "y_mm", "diameter_mm", "kind"]
    kinds = {"hole": "holes", "clock": "clock-row", "bore": "bore", "outline": "outline",
             "keep-out": "keep-outs"}  # fmt: skip
    found: dict[str, list] = {}
    for row in rows:
        numbers = tuple(float(row[c]) for c in ("x_mm", "y_mm", "diameter_mm"))
        found.setdefault(kinds[row["kind"]], []).append(numbers)
    for name in wanted:
        same(found[name], wanted[name])


# --- PNG ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("material", MATERIALS)
@pytest.mark.parametrize("side", ["front", "back"])
def test_png_shows_every_hole_and_no_other(material, side):
    """At each position, the middle of a hole is unlike the material beside it, and where there is
    no hole it is like it."""
    size = 700
    drawing = drawing_of(DISC, DISC.geometry, side=side)
    image = Image.open(io.BytesIO(draw(drawing, ".png", size=size, material=material)))
    assert (image.format, image.size, image.mode) == ("PNG", (size, size), "RGB")
    pixels = np.asarray(image).astype(float)
    scale = size * 0.88 / 180
    g, mirror = DISC.geometry, -1 if side == "back" else 1

    def look(radius: float, turn: float) -> np.ndarray:
        a = -2 * math.pi * turn * mirror
        x = size / 2 + radius * scale * math.sin(a)
        y = size / 2 - radius * scale * math.cos(a)
        return pixels[int(y) - 1 : int(y) + 2, int(x) - 1 : int(x) + 2].reshape(-1, 3).mean(axis=0)

    apart = {0: [], 1: []}
    for r in range(DISC.rows):
        radius = g.first_row_radius - r * g.row_pitch
        for p in range(DISC.positions):
            between = look(radius, (p + 0.5) / DISC.positions)
            here = look(radius, p / DISC.positions)
            apart[int(DISC.grid[r, p])].append(np.abs(here - between).max())
    assert min(apart[1]) > 40
    assert max(apart[0]) < 40


def test_png_is_the_same_each_time_and_its_size_is_asked_for():
    drawing = drawing_of(DISC, DISC.geometry)
    one = draw(drawing, ".png", size=200)
    assert one == draw(drawing, ".png", size=200)
    assert Image.open(io.BytesIO(one)).size == (200, 200)


# --- marks --------------------------------------------------------------------------------------


@pytest.mark.parametrize("turning", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize("side", ["front", "back"])
def test_the_arrow_points_the_way_the_disc_turns(turning, side):
    disc = disc_of(turning)
    drawing = drawing_of(disc, disc.geometry, side=side)
    arc = next(n.points for n in drawing.lines if n.group == "engraving")
    goes_right = arc[-1, 0] > arc[0, 0]  # over the axis, clockwise is to the right
    assert goes_right == ((turning == "clockwise") == (side == "front"))


def test_strokes_are_the_letters_of_the_matrix():
    """Each lit lamp lies on a stroke, and strokes pass over no dark one."""
    letters = load_letters()
    for char in letters.characters:
        picture = letters.glyph(char)
        wide = picture.shape[1]
        # lamps one unit apart, the lower left one at (0, 0)
        found = np.zeros_like(picture)
        for points, closed in strokes(char, (wide - 1) / 2, 3.0, 6.0):
            ring = np.array([*points, points[0]] if closed else points)
            assert np.abs(ring[1:] - ring[:-1]).max() > 0.2
            for a, b in itertools.pairwise(ring):
                if np.abs(b - a).max() < 0.9:  # a dot
                    x, y = ring[:-1].mean(axis=0)
                    found[6 - round(y), round(x)] = True
                    continue
                for t in np.linspace(0, 1, round(np.abs(b - a).max()) + 1):
                    x, y = a + (b - a) * t
                    assert abs(x - round(x)) + abs(y - round(y)) < 1e-9
                    found[6 - round(y), round(x)] = True
        assert np.array_equal(found, picture), char


def test_the_title_is_seen_the_right_way_round_on_both_sides():
    sides = [drawing_of(DISC, DISC.geometry, side=s).lines for s in ("front", "back")]
    title = [[n.points for n in lines if n.group == "engraving"][2:] for lines in sides]
    assert len(title[0]) > 20
    for front, back in zip(*title, strict=True):
        assert np.array_equal(front, back)
    odd = Disc.from_message(TEXT, geometry=Geometry(), title="Cairn 山")
    assert any("the letters have no 山" in c for c in drawing_of(odd, odd.geometry).cautions)


def test_marks_touch_no_hole_and_stay_on_the_disc():
    for sizes in ({}, {"bore_diameter": 40.0}, {"outer_diameter": 172.0}, {"clock_radius": 60.0,
                  "first_row_radius": 80.0, "row_pitch": 4.0}):  # fmt: skip
        disc = disc_of(**sizes)
        drawing = drawing_of(disc, disc.geometry)
        holes = holes_of(disc, disc.geometry)
        g = disc.geometry
        for line in drawing.lines:
            steps = np.linspace(0, 1, 60)[:, None, None]
            ring = [*line.points, line.points[0]] if line.closed else list(line.points)
            ring = np.array(ring)
            points = (ring[:-1] * (1 - steps) + ring[1:] * steps).reshape(-1, 2)
            away = np.hypot(points[:, 0, None] - holes["x_mm"], points[:, 1, None] - holes["y_mm"])
            assert away.min() > g.hole_diameter / 2
            assert np.hypot(*points.T).max() < g.outer_diameter / 2
            assert np.hypot(*points.T).min() > g.bore_diameter / 2
            for k in g.keep_out:
                spot = k.radius * np.array([math.sin(math.radians(k.angle)),
                                            math.cos(math.radians(k.angle))])  # fmt: skip
                assert np.hypot(*(points - spot).T).min() > k.diameter / 2


def test_what_has_no_room_is_said():
    g = Geometry(outer_diameter=60.0, bore_diameter=30.0, clock_radius=28.4, hole_diameter=3.0,
                 first_row_radius=24.0, row_pitch=6.0)  # fmt: skip
    disc = Disc.from_bits(["1" * 8] * 2, geometry=g, title="A title far too long for this disc")
    said = drawing_of(disc, g).cautions
    assert len(said) == 3
    assert "index mark" in said[0]
    assert "turns clockwise" in said[1]
    assert "title" in said[2]


def test_clock_holes_are_at_every_position():
    holes = holes_of(DISC, DISC.geometry)
    assert holes[holes["kind"] == CLOCK]["position"].tolist() == list(range(56))


# --- refusals -----------------------------------------------------------------------------------


def test_a_suffix_that_is_not_offered():
    for name in ("a.stl", "a", "a.svg.gz"):
        with pytest.raises(InputError) as error:
            kind_of(name)
        assert all(s in str(error.value) for s in DRAWINGS)
    assert kind_of("A.SVG").module == "svg"


@pytest.mark.parametrize("kerf", [3.0, -0.1, 50.0])
def test_a_kerf_that_leaves_nothing(kerf):
    with pytest.raises(InputError, match="kerf"):
        drawing_of(DISC, DISC.geometry, kerf=kerf)


def test_options_out_of_range():
    drawing = drawing_of(DISC, DISC.geometry)
    with pytest.raises(InputError, match="brass"):
        draw(drawing, ".png", material="bras")
    with pytest.raises(InputError, match="out of range"):
        draw(drawing, ".png", size=100_000)
    with pytest.raises(InputError, match="not a known paper"):
        draw(drawing, ".pdf", paper="a9")
    g = Geometry(outer_diameter=9000.0, clock_radius=4400.0, first_row_radius=4300.0)
    huge = drawing_of(Disc.from_message(TEXT, geometry=g), g)
    with pytest.raises(InputError, match="pages of a5"):
        draw(huge, ".pdf", paper="a5")
