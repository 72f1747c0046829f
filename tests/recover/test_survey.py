"""`sonify compare` with a photograph or a drawing of a cut disc, or with another disc.

Faults are put into drawings by plain text and by ezdxf; photographs are rendered by resvg and
Pillow (`photographs.py`). Places follow from the layout's definition, not from the program.
"""

from __future__ import annotations

import dataclasses
import io
import json
import math
import re
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from PIL import Image, ImageChops, ImageDraw

import sonify
from sonify.load import save_disc
from sonify.recover.search.find import find_message
from sonify.recover.sources.source import read_source
from tests.nightly import nightly, sampled
from tests.recover.photographs import Shot, take

TEXT = "LAMP OIL LOW. BRING WICKS, TWO."
GEOMETRY = sonify.Geometry(
    outer_diameter=150, bore_diameter=8, clock_radius=70, first_row_radius=63, row_pitch=6
)
ROW, EXTRA, MOVED, TORN, CLOCK = 1, 2, 3, 4, 20  # rows of the faults, and a position


@pytest.fixture
def disc(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    layout = sonify.Layout(positions=40)
    made = sonify.Disc.from_message(TEXT, layout=layout, geometry=GEOMETRY, name="hut")
    save_disc(made, "hut.toml")
    return made


def place(row: int | None, position: int) -> tuple[float, float]:
    """x to the right, y up; positions go anticlockwise from twelve o'clock."""
    radius = 70 if row is None else 63 - 6 * row
    turn = 2 * math.pi * position / 40
    return -radius * math.sin(turn), radius * math.cos(turn)


def at(disc: sonify.Disc, row: int, bit: int) -> int:
    """A position of a row with this bit and zeros on either side."""
    bits = disc.grid[row]
    fits = (bits == bit) & (np.roll(bits, 1) == 0) & (np.roll(bits, -1) == 0)
    return int(np.flatnonzero(fits)[2])


def planted(disc: sonify.Disc) -> list[dict]:
    return [
        {"kind": "blocked", "row": ROW, "position": at(disc, ROW, 1)},
        {"kind": "extra", "row": EXTRA, "position": at(disc, EXTRA, 0)},
        {"kind": "misplaced", "row": MOVED, "position": at(disc, MOVED, 1), "off_mm": 0.9},
        {"kind": "torn", "row": TORN, "position": at(disc, TORN, 1)},
        {"kind": "blocked", "row": None, "position": CLOCK},
    ]


def cut(disc: sonify.Disc, run) -> str:
    """The disc's drawing with all faults, as SVG (y down)."""
    run("draw", "hut.toml", "-o", "hut.svg")
    with open("hut.svg") as f:
        svg = f.read()

    def circle(row, position):
        x, y = place(row, position)
        for found in re.finditer(r'<circle cx="([-\d.]+)" cy="([-\d.]+)" r="1.5"/>', svg):
            if math.hypot(float(found[1]) - x, float(found[2]) + y) < 0.01:
                return found[0]
        raise AssertionError((row, position))

    for fault in planted(disc):
        x, y = place(fault["row"], fault["position"])
        if fault["kind"] == "extra":
            svg = svg.replace('<g id="clock-row"', f'<g id="holes"><circle cx="{x}" cy="{-y}" '
                              'r="1.5"/></g><g id="clock-row"')  # fmt: skip
            continue
        old = circle(fault["row"], fault["position"])
        new = ""
        if fault["kind"] == "misplaced":
            # inwards
            k = 1 - 0.9 / math.hypot(x, y)
            new = f'<circle cx="{x * k}" cy="{-y * k}" r="1.5"/>'
        elif fault["kind"] == "torn":
            # a tear of 1.4 mm by 1.4 mm outwards
            steps = [1 + mm / math.hypot(x, y) for mm in (1.0, 1.5, 2.2)]
            tear = [f'<circle cx="{x * k}" cy="{-y * k}" r="0.7"/>' for k in steps]
            new = old + "".join(tear)
        svg = svg.replace(old, new)
    return svg


def test_an_index_mark_is_no_hole(disc, run):
    """A dot beyond the clock row, as wide and as dark as a hole."""
    run("draw", "hut.toml", "-o", "hut.svg")
    with open("hut.svg") as f:
        picture = Image.open(io.BytesIO(take(f.read(), 76, 1.5, Shot())))
    across = 0.85 * 960 / 152
    x, y, r = 640, 480 - 73.4 * across, 1.4 * across
    ImageDraw.Draw(picture).ellipse((x - r, y - r, x + r, y + r), fill=(40, 44, 50))
    picture.save("photo.jpg", quality=92)
    done = run("compare", "hut.toml", "photo.jpg", "--json")
    assert json.loads(done.out)["faults"] == []


def test_a_faint_index_mark_shows_where_the_rows_begin(disc, run):
    """A thin V at the rim, a tenth darker than the disc, in uneven light."""
    run("draw", "hut.toml", "-o", "hut.svg")
    with open("hut.svg") as f:
        bare = re.sub('<g id="(index-mark|engraving)".*?</g>', "", f.read(), flags=re.S)
    shot = Shot(width=1920, height=1440, light=0.5, noise=2, grain=0)
    picture = Image.open(io.BytesIO(take(bare, 76, 1.5, shot)))
    scale, (x, y) = 2 * 0.85 * 1440 / 152, place(None, 11)
    mark = Image.new("L", (2 * 1920, 2 * 1440), 255)
    points = [
        (x * k - y * s, y * k + x * s)
        for k, s in ((75 / 70, 0.017), (72.4 / 70, 0), (75 / 70, -0.017))
    ]
    ImageDraw.Draw(mark).line([(1920 + scale * a, 1440 - scale * b) for a, b in points], 228, 4)
    ImageChops.multiply(picture, mark.resize(picture.size).convert("RGB")).save("p.jpg", quality=92)
    seen = read_source(Path("p.jpg"))
    assert seen.start_known
    assert "the index mark is hard to see" in "".join(map(str, seen.cautions))
    np.testing.assert_array_equal(seen.holes, np.roll(disc.grid, -11, axis=1))


def test_the_arrow_shows_where_the_rows_begin_if_there_is_no_mark(disc, run):
    run("draw", "hut.toml", "-o", "hut.svg")
    with open("hut.svg") as f:
        drawing = re.sub('<g id="index-mark".*?</g>', "", f.read(), flags=re.S)
    Path("p.jpg").write_bytes(take(drawing, 76, 1.5, Shot(roll=130, tilt=15)))
    seen = read_source(Path("p.jpg"))
    assert seen.start_known
    assert "was not seen, only the arrow about the bore" in "".join(map(str, seen.cautions))
    np.testing.assert_array_equal(seen.holes, disc.grid)


def test_an_index_mark_on_the_hub_is_seen(tmp_path, monkeypatch, run):
    """Where the rim has no room for it, as on a disc that is no larger than its rows."""
    monkeypatch.chdir(tmp_path)
    run("encode", "HARE TRACKS BY THE LOWER SPRING", "--positions", "36", "-o", "hare.toml")
    run("draw", "hare.toml", "-o", "hare.svg")
    disc, drawing = sonify.load_disc("hare.toml"), Path("hare.svg").read_text()
    shot = Shot(roll=222, tilt=20, noise=4, material=(170, 120, 60), table=(60, 70, 90))
    Path("p.jpg").write_bytes(take(drawing, 63, 1.5, shot))
    seen = read_source(Path("p.jpg"))
    assert not [c for c in seen.cautions if "index mark" in str(c)]
    np.testing.assert_array_equal(seen.holes, disc.grid)


@pytest.mark.parametrize("turning", ["clockwise", "anticlockwise"])
def test_the_arrow_shows_which_way_a_disc_turns(turning, disc, run):
    """Where no message tells."""
    grid = np.random.default_rng(7).integers(0, 2, (5, 40), dtype=np.int8)
    layout = sonify.Layout(positions=40, turning=turning)
    save_disc(sonify.Disc.from_bits(grid, layout=layout, geometry=GEOMETRY), "bits.toml")
    run("draw", "bits.toml", "-o", "bits.svg")
    Path("p.jpg").write_bytes(
        take(Path("bits.svg").read_text(), 76, 1.5, Shot(roll=75, tilt=12, noise=3))
    )
    read = find_message(read_source(Path("p.jpg"))).disc
    assert read.message is None
    assert read.layout.turning == turning
    np.testing.assert_array_equal(read.grid, grid)


def test_rows_through_whose_holes_something_else_is_seen(disc, run):
    """A part of the bright table, the more the further inside they lie."""
    run("draw", "hut.toml", "-o", "hut.svg")
    picture = Image.open(io.BytesIO(take(Path("hut.svg").read_text(), 76, 1.5, Shot())))
    draw, across = ImageDraw.Draw(picture), 0.85 * 960 / 152
    for row, position in np.argwhere(disc.grid):
        x, y = place(row, position)
        x, y, r = 640 + x * across, 480 - y * across, 1.5 * across
        wide = 30 + 14 * row
        draw.chord((x - r, y - r, x + r, y + r), 90 - wide, 90 + wide, fill=(225, 225, 215))
    picture.save("p.jpg", quality=92)
    np.testing.assert_array_equal(read_source(Path("p.jpg")).holes, disc.grid)


@pytest.mark.parametrize(
    "shot",
    [
        Shot(),
        pytest.param(
            Shot(tilt=18, axis=40, roll=200, light=0.4, noise=3, blur=0.15, seed=3), marks=nightly
        ),
        pytest.param(
            Shot(
                material=(52, 50, 55), table=(200, 205, 190), roll=95, tilt=10, shadow=0.3, seed=5
            ),
            marks=nightly,
        ),
    ],
)
def test_faults_in_a_photograph_are_named_measured_and_drawn(disc, run, shot):
    with open("photo.jpg", "wb") as f:
        f.write(take(cut(disc, run), 76, 1.5, shot))
    done = run("compare", "hut.toml", "photo.jpg", "--json", "-o", "marked.png")
    assert done.status == 0, done.err
    told = json.loads(done.out)
    names = ("kind", "row", "position")
    wanted = planted(disc)
    assert [[f[k] for k in names] for f in told["faults"]] == [
        [f[k] for k in names] for f in wanted
    ]
    blocked, extra, moved, torn, clock = told["faults"]
    assert moved["off_mm"] == pytest.approx(0.9, abs=0.08)
    assert moved["out_mm"] == pytest.approx(-0.9, abs=0.08)
    assert torn["size"] > 1.2
    assert (blocked["bit"], blocked["read"], extra["bit"], extra["read"]) == (1, 0, 0, 1)
    k = (ROW * 40 + blocked["position"]) // 7
    bit = 6 - (ROW * 40 + blocked["position"]) % 7
    assert (blocked["character"], blocked["wanted"]) == (k, TEXT[k])
    assert blocked["becomes"] == chr(ord(TEXT[k]) ^ 1 << bit)
    assert blocked["verdict"] == "unchecked"
    assert (blocked["lost"], blocked["new"]) == (1, 0)
    # without its clock hole, a position is not counted
    assert clock["bit"] is None
    assert told["message_read"] != TEXT
    assert told["safety"]
    with Image.open("marked.png") as marked, Image.open("photo.jpg") as photo:
        assert marked.width > 900
        assert marked.height / marked.width > photo.height / photo.width
        # black on white, whatever the colours below
        assert {0, 255} <= set(np.asarray(marked.convert("L")).reshape(-1).tolist())


def test_more_faults_than_a_cutter_makes_cast_doubt_on_the_picture(disc, run):
    grid = disc.grid.copy()
    # 20 of 280 places
    grid[2, ::2] ^= 1
    save_disc(dataclasses.replace(disc, grid=grid), "other.toml")
    assert run("draw", "other.toml", "-o", "other.svg").status == 0
    with open("photo.jpg", "wb") as f:
        f.write(take(Path("other.svg").read_text("utf-8"), 76, 1.5, Shot()))
    done = run("compare", "hut.toml", "photo.jpg", "--json")
    assert len(json.loads(done.out)["faults"]) == 20
    assert "caution: 20 of 280 places are faulty or in doubt" in done.err


def test_a_disc_without_faults_is_right_from_either_side(disc, run):
    run("draw", "hut.toml", "-o", "hut.svg")
    with open("hut.svg") as f:
        photo = take(f.read(), 76, 1.5, Shot(tilt=12, roll=30, noise=3))
    with open("photo.jpg", "wb") as f:
        f.write(photo)
    with Image.open("photo.jpg") as image:
        image.transpose(Image.Transpose.FLIP_LEFT_RIGHT).save("back.jpg", quality=95)
    for name in ("photo.jpg", "back.jpg"):
        done = run("compare", "hut.toml", name)
        assert done.status == 0, done.err
        assert re.search(r"^faults +none$", done.out, re.M)
        assert ("from the back" in done.err) == (name == "back.jpg")
        assert "safety" not in done.out


@pytest.mark.parametrize("mirrored", sampled([True, False], 1))
def test_a_drawing_in_inches_turned_and_moved(disc, run, mirrored):
    run("draw", "hut.toml", "-o", "hut.csv")
    lines = np.genfromtxt("hut.csv", delimiter=",", skip_header=1, usecols=(0, 1, 2))
    drop, move = at(disc, ROW, 1), at(disc, MOVED, 1)
    doc = ezdxf.new(units=1)
    turn = math.radians(33)
    for x, y, wide in lines:
        if math.dist((x, y), place(ROW, drop)) < 0.01:
            continue
        if math.dist((x, y), place(MOVED, move)) < 0.01:
            x, y = x * 1.05, y * 1.05
        if mirrored:
            x = -x
        x, y = (
            x * math.cos(turn) - y * math.sin(turn) + 300,
            x * math.sin(turn) + y * math.cos(turn),
        )
        doc.modelspace().add_circle((x / 25.4, y / 25.4), wide / 2 / 25.4)
    doc.saveas("cut.dxf")
    done = run("compare", "hut.toml", "cut.dxf", "-o", "marked.png")
    assert done.status == 0, done.err
    off = 0.05 * math.hypot(*place(MOVED, move))
    assert f"1  row {ROW + 1} position {drop + 1}: missing, 1 reads as 0" in done.out
    assert f"2  row {MOVED + 1} position {move + 1}: misplaced by {off:.2f} mm" in done.out
    assert f"({off:.2f} mm outwards" in done.out
    assert re.search(r"^faults +2$", done.out, re.M)
    with Image.open("marked.png") as picture:
        assert picture.width > 900


def test_another_disc_and_what_a_check_repairs(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code = sonify.Code(framing="framed", check="reed-solomon")
    one = sonify.Disc.from_message(TEXT, code=code, layout=sonify.Layout(positions=40), name="one")
    save_disc(one, "one.toml")
    bits = np.array(one.grid)
    bits[2, 7] ^= 1
    save_disc(sonify.Disc.from_bits(bits, code=code, layout=one.layout), "two.toml")
    np.savetxt("two.txt", bits, fmt="%d", delimiter="")
    for name in ("two.toml", "two.txt"):
        done = run("compare", "one.toml", name, "--json")
        assert done.status == 0, done.err
        told = json.loads(done.out)
        assert told["verdict"] == "repaired"
        (fault,) = told["faults"]
        assert fault["kind"] == ("extra" if bits[2, 7] else "missing")
        assert (fault["row"], fault["position"], fault["verdict"]) == (2, 7, "repaired")


def test_what_does_not_fit_is_refused_in_one_line(disc, run):
    other = sonify.Disc.from_message("THE HUT IS FULL TONIGHT. " * 2, layout=disc.layout)
    save_disc(sonify.Disc.from_bits(other.grid[: disc.rows], geometry=GEOMETRY), "other.toml")
    run("draw", "other.toml", "-o", "other.svg")
    run("draw", "other.toml", "-o", "other.png")
    for args, said in (
        (["other.svg"], "do not fit this disc"),
        (["other.png"], "do not fit this disc"),
        (["cairn-small"], "2 rows of 56 positions"),
        (["hut.toml", "-o", "r.html"], "one of: .png, .json"),
        (["hut.toml", "--threshold", "2"], "for recordings"),
        (["none.jpg"], "no such file"),
    ):
        done = run("compare", "hut.toml", *args)
        assert done.status == 2, args
        assert said in done.err
        assert done.err.count("\n") == 1


def test_a_disc_of_bits_alone_is_compared_too(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "seen.toml").write_text('bits = ["1011001", "0110100"]\n')
    (tmp_path / "cut.toml").write_text('bits = ["1011001", "0110000"]\n')
    got = run("compare", "seen.toml", "cut.toml")
    assert "row 2 position 5" in got.out
    assert "1 reads as 0" in got.out
