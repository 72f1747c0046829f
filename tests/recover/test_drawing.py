"""Drawings in the odd ways that other programs write them, and drawings gone wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sonify.errors import InputError
from sonify.recover.sources.source import read_source
from tests.recover import drawings as by_hand

WANT = np.array([[int(c) for c in row] for row in by_hand.GRID], np.int8)


def save(tmp_path, text, name="d.svg"):
    path = tmp_path / name
    path.write_text(text)
    return path


@pytest.mark.parametrize("name", by_hand.SVGS)
def test_svg(name, tmp_path):
    seen = read_source(save(tmp_path, by_hand.SVGS[name]()))
    np.testing.assert_array_equal(seen.bits(), WANT)
    g = seen.geometry
    assert g.outer_diameter == pytest.approx(by_hand.OUTER, rel=2e-3)
    assert g.bore_diameter == pytest.approx(by_hand.BORE, rel=2e-3)
    assert g.clock_radius == pytest.approx(by_hand.CLOCK, abs=1e-3)
    assert g.first_row_radius == pytest.approx(by_hand.FIRST, abs=1e-3)
    assert g.row_pitch == pytest.approx(by_hand.PITCH, abs=1e-3)
    assert g.hole_diameter == pytest.approx(by_hand.HOLE, rel=2e-3)
    says_mm = any("read as mm" in str(n) for n in seen.cautions)
    assert says_mm == (name == "no-units")


def dxf(units: int, scale: float, how: str):
    """A DXF made with ezdxf in one of the ways that drafting programs draw circles."""
    import ezdxf

    doc = ezdxf.new("R2010")
    doc.header["$INSUNITS"] = units
    space = doc.modelspace()
    block = doc.blocks.new("HOLE")
    block.add_circle((0, 0), 0.5)
    every = [*by_hand.sites(), (0.0, 0.0, by_hand.OUTER), (0.0, 0.0, by_hand.BORE)]
    for x, y, d in every:
        x, y, r = x * scale, y * scale, d / 2 * scale
        if how == "circles":
            space.add_circle((x, y), r)
        elif how == "blocks":
            space.add_blockref("HOLE", (x, y), dxfattribs={"xscale": 2 * r, "yscale": 2 * r})
        elif how == "arcs":
            space.add_arc((x, y), r, 10, 200)
            space.add_arc((x, y), r, 200, 10)
        elif how == "bulges":
            space.add_lwpolyline([(x - r, y, 1), (x + r, y, 1)], format="xyb", close=True)
        elif how == "splines":
            turn = np.linspace(0, 2 * math.pi, 17)
            points = [(x + r * math.cos(t), y + r * math.sin(t), 0) for t in turn]
            space.add_spline(points)
        elif how == "ellipses":
            space.add_ellipse((x, y), (r, 0), ratio=0.97)
    space.add_text("CAIRN HUT", height=3)
    space.add_line((0, 0), (100, 100))
    return doc


@pytest.mark.parametrize(
    ("units", "scale", "how"),
    [
        (4, 1.0, "circles"),
        (1, 1 / 25.4, "arcs"),
        (5, 0.1, "blocks"),
        (0, 1.0, "bulges"),
        (4, 1.0, "splines"),
        (6, 1e-3, "ellipses"),
    ],
)
def test_dxf(units, scale, how, tmp_path):
    path = tmp_path / "d.dxf"
    dxf(units, scale, how).saveas(path)
    seen = read_source(path)
    np.testing.assert_array_equal(seen.bits(), WANT)
    assert seen.geometry.clock_radius == pytest.approx(by_hand.CLOCK, abs=1e-2)
    assert seen.geometry.hole_diameter == pytest.approx(by_hand.HOLE, rel=0.03)
    assert any("read as mm" in str(n) for n in seen.cautions) == (units == 0)


def table(extra=(), grid=by_hand.GRID):
    lines = ["x_mm,y_mm,diameter_mm,kind"]
    lines += [f"{x},{y},{d},hole" for x, y, d in by_hand.sites(grid)]
    lines += [f"0,0,{by_hand.OUTER},outline", f"0,0,{by_hand.BORE},bore", *extra]
    return "\n".join(lines)


def test_table_of_holes(tmp_path):
    seen = read_source(save(tmp_path, table(["12.0,3.0,6.0,keep-out"]), "d.csv"))
    np.testing.assert_array_equal(seen.bits(), WANT)
    (out,) = seen.geometry.keep_out
    assert out.radius == pytest.approx(math.hypot(12, 3), abs=1e-3)
    assert out.angle == pytest.approx(math.degrees(math.atan2(12, 3)), abs=1e-3)


def test_odd_holes_are_reported_with_place_and_size(tmp_path):
    x, y, d = by_hand.sites()[by_hand.N + 3]
    extra = [
        f"{x + 0.05},{y},{d},hole",  # doubled
        f"3.3,36.9,{d},hole",  # between the clock row and row 1
    ]
    seen = read_source(save(tmp_path, table(extra), "d.csv"))
    np.testing.assert_array_equal(seen.holes, WANT)
    assert any("drawn twice" in str(n) and f"diameter {d:.2f} mm" in str(n) for n in seen.cautions)
    assert any(
        "no row and position" in str(n) and "x 3.30, y 36.90 mm" in str(n) for n in seen.cautions
    )


def test_a_hole_off_its_place_is_doubted(tmp_path):
    rows = table().split("\n")
    x, y, d = (float(v) for v in rows[by_hand.N + 4].split(",")[:3])
    rows[by_hand.N + 4] = f"{x + 0.3 * d},{y},{d},hole"
    seen = read_source(save(tmp_path, "\n".join(rows), "d.csv"))
    np.testing.assert_array_equal(seen.holes, WANT)
    assert any("mm off row 1" in str(n) for n in seen.cautions)
    assert seen.confidence.min() < 1


def test_without_a_clock_row(tmp_path):
    rows = table().split("\n")
    seen = read_source(save(tmp_path, "\n".join([rows[0], *rows[by_hand.N + 1 :]]), "d.csv"))
    np.testing.assert_array_equal(seen.bits(), WANT)
    assert any("no clock row" in str(n) for n in seen.cautions)


def test_clock_row_with_gaps(tmp_path):
    rows = table().split("\n")
    seen = read_source(save(tmp_path, "\n".join([*rows[:3], *rows[4:]]), "d.csv"))
    np.testing.assert_array_equal(seen.bits(), WANT)
    assert any("1 of 16 holes missing" in str(n) for n in seen.cautions)


def test_an_empty_row_between_others_is_kept(tmp_path):
    grid = [*by_hand.GRID[:2], "0" * by_hand.N, *by_hand.GRID[2:]]
    seen = read_source(save(tmp_path, table(grid=grid), "d.csv"))
    assert seen.bits().tolist() == [[int(c) for c in row] for row in grid]
    assert any("rows without a hole" in str(n) for n in seen.cautions)


BAD = {
    "not xml": ("<svg", "not XML"),
    "no encoding": ("<?xml version='1.0' encoding='UTF1e18'?><svg/>", "encoding can't be read"),
    "a codec of bytes": ("<?xml version='1.0' encoding='hex'?><svg/>", "encoding can't be read"),
    "not svg": ("<html></html>", "begins with <svg>"),
    "no holes": (by_hand.svg('<rect width="9" height="9"/>'), "0 round outlines"),
    "no rings": (
        by_hand.svg("".join(f'<circle cx="{k * k}" cy="{k * 3}" r="2"/>' for k in range(9))),
        "no ring of evenly spaced",
    ),
    "entity": (
        '<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]>' + by_hand.svg("&a;")[22:],
        "entity",
    ),
    "million nodes": (by_hand.svg("<g/>" * 300_000), "more than 300,000 elements"),
    "deep": (by_hand.svg("<g>" * 300 + "</g>" * 300), "nested more than"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_svg(name, tmp_path):
    text, says = BAD[name]
    with pytest.raises(InputError, match=says) as e:
        read_source(save(tmp_path, text))
    assert "\n" not in str(e.value)


def test_bad_dxf_and_table(tmp_path):
    with pytest.raises(InputError, match="not a DXF drawing"):
        read_source(save(tmp_path, "hello\n", "d.dxf"))
    with pytest.raises(InputError, match="line 3"):
        read_source(save(tmp_path, "x_mm,y_mm,diameter_mm,kind\n1,2,3,hole\n1,x,3\n", "d.csv"))
    only_clock = "\n".join(table().split("\n")[: by_hand.N + 1])
    with pytest.raises(InputError, match="the rows with the bits are missing"):
        read_source(save(tmp_path, only_clock, "d.csv"))
