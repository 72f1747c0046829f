"""Webs, areas and the centre of mass against shapely, whose geometry shares nothing with ours."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sonify.disc.disc import Disc
from sonify.disc.geometry.cautions import geometry_of, workshop
from sonify.disc.geometry.holes import CLOCK, holes_of
from sonify.disc.geometry.mass import mass_of
from sonify.disc.geometry.webs import close_pairs, open_share, webs_of
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry, KeepOut, check_rows
from sonify.errors import InputError

TEXT = "WIND SW 6, CLOUD BASE 900 M. FRESH SNOW ON THE NORTH SIDE."
KEEP = (KeepOut(radius=20.0, angle=30.0, diameter=9.0),)
GEOMETRIES = {
    "usual": (56, Geometry()),
    "keep-out": (56, Geometry(keep_out=KEEP)),
    "touching": (90, Geometry(hole_diameter=4.0, first_row_radius=78.0, row_pitch=4.0)),
    "overlapping": (240, Geometry(first_row_radius=78.0, row_pitch=3.5)),
    "over the rim": (56, Geometry(clock_radius=89.0)),
    "into the bore": (56, Geometry(first_row_radius=64.0, bore_diameter=42.0)),
    "into a keep-out": (
        56,
        Geometry(keep_out=(KeepOut(radius=60.0, angle=200.0, diameter=30.0),)),
    ),
    "clock inside": (56, Geometry(clock_radius=20.0, first_row_radius=80.0)),
}


def disc_of(name: str, **more: object) -> tuple[Disc, Geometry]:
    positions, geometry = GEOMETRIES[name]
    layout = Layout(positions=positions, **more)
    return Disc.from_message(TEXT, layout=layout, geometry=geometry), geometry


@pytest.fixture(scope="module")
def shapes():
    return pytest.importorskip("shapely")


def circle(shapes, x, y, d, fine=2048):
    return shapes.Point(x, y).buffer(d / 2, quad_segs=fine)


@pytest.mark.parametrize("name", GEOMETRIES)
def test_the_thinnest_web_is_shapelys(shapes, name):
    """Between centres by shapely's distances, which are exact for points, less the radii."""
    disc, g = disc_of(name)
    holes = holes_of(disc, g)
    points = shapes.points(holes["x_mm"], holes["y_mm"])
    tree = shapes.STRtree(points)
    best = math.inf
    for i, p in enumerate(points):
        others = [j for j in tree.query(p.buffer(14)) if j != i]
        if others:
            best = min(best, min(p.distance(points[j]) for j in others) - g.hole_diameter)
    middle = shapes.Point(0, 0)
    for p in points:
        away = p.distance(middle)
        best = min(best, g.outer_diameter / 2 - away - g.hole_diameter / 2)
        best = min(best, away - (g.hole_diameter + g.bore_diameter) / 2)
        for k in g.keep_out:
            spot = shapes.Point(
                k.radius * math.sin(math.radians(k.angle)),
                k.radius * math.cos(math.radians(k.angle)),
            )
            best = min(best, p.distance(spot) - (g.hole_diameter + k.diameter) / 2)
    assert webs_of(disc, g).thinnest.width == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize("name", GEOMETRIES)
def test_all_webs_are_shapelys(shapes, name):
    """Every web between two holes, hole and rim, hole and bore, hole and keep-out: how many are
    thinner than a limit, how many holes touch, and how many an edge cuts, by shapely's distances
    between polygons of so many corners that they lie within 1 µm of the circles."""
    disc, g = disc_of(name)
    holes = holes_of(disc, g)
    fine = 32
    rings = [circle(shapes, h["x_mm"], h["y_mm"], g.hole_diameter, fine) for h in holes]
    rim = circle(shapes, 0, 0, g.outer_diameter, 512).exterior
    bore = circle(shapes, 0, 0, g.bore_diameter, 64)
    keep = [
        circle(
            shapes,
            k.radius * math.sin(math.radians(k.angle)),
            k.radius * math.cos(math.radians(k.angle)),
            k.diameter,
            64,
        )
        for k in g.keep_out
    ]
    tree = shapes.STRtree(rings)
    limit = 2.2
    first, second = tree.query(rings, predicate="dwithin", distance=limit + 0.1)
    apart = shapes.distance(np.array(rings)[first], np.array(rings)[second])[first < second]
    edges = np.concatenate([shapes.distance(np.array(rings), e) for e in (rim, bore, *keep)])
    # on the line itself a polygon can't decide
    clear = 2e-3
    assert not np.any(np.abs(apart - limit) < clear)
    found = webs_of(disc, g, limit)
    touching = np.count_nonzero(apart < clear)
    assert found.touching == touching
    thin = np.count_nonzero((apart >= clear) & (apart < limit))
    cut = [np.count_nonzero(shapes.distance(np.array(rings), e) == 0) for e in (rim, bore, *keep)]
    assert (found.at_rim, found.at_bore) == tuple(cut[:2])
    assert len(found.at_keep_out) == sum(cut[2:])
    thin += np.count_nonzero((edges > 0) & (edges < limit))
    assert found.thin == thin


@pytest.mark.parametrize("name", GEOMETRIES)
def test_area_and_centre_of_mass_are_shapelys(shapes, name):
    disc, g = disc_of(name)
    holes = holes_of(disc, g)
    cut = [circle(shapes, h["x_mm"], h["y_mm"], g.hole_diameter, 512) for h in holes] + [
        circle(shapes, 0, 0, g.bore_diameter)
    ]
    left = circle(shapes, 0, 0, g.outer_diameter, 8192).difference(shapes.union_all(cut))
    mass = mass_of(disc, g)
    assert mass.area == pytest.approx(left.area, rel=2e-6)
    assert mass.x == pytest.approx(left.centroid.x, abs=1e-5)
    assert mass.y == pytest.approx(left.centroid.y, abs=1e-5)


def test_a_centre_of_mass_by_hand():
    """One hole of radius a at distance c in a disc of radius R: the rest lies
    c a^2 / (R^2 - a^2 - b^2) on the other side (b: the bore), for moments add up to nothing.
    The clock row, of one hole, is the hole."""
    g = Geometry(outer_diameter=100.0, bore_diameter=10.0, clock_radius=30.0, hole_diameter=6.0,
                 first_row_radius=45.0, row_pitch=7.0)  # fmt: skip
    mass = mass_of(Disc.from_bits(["0"], geometry=g), g)
    assert mass.y == pytest.approx(-30 * 9 / (2500 - 9 - 25), rel=1e-12)
    assert mass.x == pytest.approx(0, abs=1e-12)
    assert mass.angle == pytest.approx(180)
    assert mass.area == pytest.approx(math.pi * (2500 - 9 - 25), rel=1e-12)


@pytest.mark.parametrize("name", ["usual", "touching", "overlapping"])
def test_the_open_share_of_a_row_is_shapelys(shapes, name):
    disc, g = disc_of(name)
    holes = holes_of(disc, g)
    radii = g.first_row_radius - g.row_pitch * np.arange(disc.rows)
    for row, share in enumerate(open_share(disc, g)):
        ring = shapes.Point(0, 0).buffer(radii[row], quad_segs=20_000).exterior
        own = [
            circle(shapes, h["x_mm"], h["y_mm"], g.hole_diameter, 512)
            for h in holes[(holes["row"] == row)]
        ]
        gone = ring.intersection(shapes.union_all(own)).length
        assert share == pytest.approx(gone / ring.length, abs=2e-5)


def test_close_pairs_are_all_the_close_pairs():
    rng = np.random.default_rng(4)
    x, y = rng.uniform(-50, 50, (2, 400))
    for reach in (0.5, 3.0, 17.0, 200.0):
        found = close_pairs(x, y, reach)
        i, j = np.triu_indices(400, 1)
        near = np.hypot(x[i] - x[j], y[i] - y[j]) < reach
        assert set(zip(i[near].tolist(), j[near].tolist(), strict=True)) == set(
            zip(found.first.tolist(), found.second.tolist(), strict=True)
        )
        assert len(found.first) == near.sum()


@pytest.mark.parametrize("turning", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize("hole_means", [0, 1])
def test_holes_lie_where_the_layout_says(turning, hole_means):
    disc, g = disc_of("usual", turning=turning, hole_means=hole_means)
    holes = holes_of(disc, g)
    data = holes[holes["kind"] != CLOCK]
    assert len(data) == np.count_nonzero(disc.grid == hole_means)
    assert len(holes) - len(data) == disc.positions
    for h in holes[::7]:
        angle = math.radians(disc.layout.angle(int(h["position"])))
        radius = g.clock_radius if h["row"] < 0 else g.first_row_radius - g.row_pitch * h["row"]
        assert h["x_mm"] == pytest.approx(radius * math.sin(angle), abs=1e-9)
        assert h["y_mm"] == pytest.approx(radius * math.cos(angle), abs=1e-9)
    first = holes[(holes["row"] < 0) & (holes["position"] == 0)][0]
    second = holes[(holes["row"] < 0) & (holes["position"] == 1)][0]
    assert (first["x_mm"], first["y_mm"]) == (0.0, g.clock_radius)
    # on a disc that turns clockwise, what passes next lies anticlockwise: to the left of the top
    assert (second["x_mm"] < 0) == (turning == "clockwise")


def test_an_unknown_bit_has_no_hole():
    disc = Disc.from_bits(["1?0?"])
    g, derived = geometry_of(disc)
    assert derived
    assert len(holes_of(disc, g)) == 1 + 4
    assert any("2 bits are unknown" in c for c in workshop(disc, rpm=10).cautions)


# --- cautions -----------------------------------------------------------------------------------


def says(name: str, *parts: str, rpm: float = 10.0, least_web: float = 1.5) -> None:
    disc, _ = disc_of(name)
    cautions = workshop(disc, rpm=rpm, least_web=least_web).cautions
    for part in parts:
        assert any(part in c for c in cautions), cautions


def test_cautions_name_what_is_wrong():
    says("usual", "thinner than 4 mm", least_web=4.0)
    says("touching", "holes touch, the first row 1 position")
    says("overlapping", "touch")
    says("over the rim", "56 holes are cut by the rim")
    says("into the bore", "cut by the bore")
    says("into a keep-out", "is cut by keep-out 1")


def test_a_sound_disc_gets_no_caution():
    disc = Disc.from_message(TEXT[:27], geometry=Geometry())
    assert workshop(disc, rpm=10).cautions == []


def test_a_row_that_is_mostly_gone_is_told():
    bits = ["1" * 80, "10" * 40]
    cautions = workshop(Disc.from_bits(bits, geometry=Geometry()), rpm=10).cautions
    # 80 holes of 3 mm on a circle of radius 77 mm: 240 of 484 mm; of radius 40 mm: 240 of 251
    assert not any("mostly gone" in c for c in cautions)
    g = Geometry(first_row_radius=40.0)
    cautions = workshop(Disc.from_bits(bits, geometry=g), rpm=10).cautions
    assert any("row 1 is mostly gone: 95% of" in c for c in cautions)
    assert not any("row 2 is" in c for c in cautions)


def test_a_disc_out_of_balance_is_told_with_place_and_pull():
    disc = Disc.from_bits(["1" * 14 + "0" * 42] * 9, geometry=Geometry())
    shop = workshop(disc, rpm=60)
    said = next(c for c in shop.cautions if "balance" in c)
    assert f"{shop.mass.offset:.2f} mm" in said
    # holes lie from twelve o'clock anticlockwise to nine: the weight is opposite
    assert 90 < shop.mass.angle < 180
    # a = r w^2, with one turn a second
    assert shop.force_n_per_kg == pytest.approx(shop.mass.offset / 1000 * (2 * math.pi) ** 2)


def test_webs_that_touch_the_limit_are_not_thin():
    disc, g = disc_of("usual")
    width = webs_of(disc, g).thinnest.width
    assert webs_of(disc, g, width).thin == 0
    assert webs_of(disc, g, width + 1e-6).thin > 0


# --- sizes that can't be ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sizes", "place", "says"),
    [
        ({"bore_diameter": 200.0}, "geometry.bore-diameter", "leaves nothing"),
        ({"hole_diameter": 6.5}, "geometry.hole-diameter", "larger than the row pitch"),
        ({"clock_radius": 95.0}, "geometry.clock-radius", "not on the disc"),
        ({"first_row_radius": 3.0}, "geometry.first-row-radius", "not on the disc"),
        (
            {"keep_out": (KeepOut(radius=88.0, angle=0.0, diameter=10.0),)},
            "geometry.keep-out[0]",
            "reaches to 93 mm and the disc only to 90 mm",
        ),
        (
            {"keep_out": (KeepOut(radius=82.0, angle=0.0, diameter=10.0),)},
            "geometry.keep-out[0]",
            "on the clock row",
        ),
    ],
)
def test_sizes_that_contradict_each_other(sizes, place, says):
    with pytest.raises(InputError) as error:
        Disc.from_bits(["1"], geometry=Geometry(**sizes))
    assert error.value.place == place
    assert says in str(error.value)


def test_rows_that_do_not_fit():
    with pytest.raises(InputError, match=r"row 14 of 40 .* in the bore; 13 rows fit"):
        check_rows(Geometry(), Layout(), 40)
    with pytest.raises(InputError, match="beyond the rim"):
        check_rows(Geometry(), Layout(reading="inside-out"), 40)
    with pytest.raises(InputError, match="overlaps the clock row"):
        check_rows(Geometry(clock_radius=76.0), Layout(), 1)


def test_too_many_holes_are_refused():
    disc = Disc.from_bits(["1" * 300_000])
    g = Geometry()
    with pytest.raises(InputError, match="too many to draw"):
        holes_of(disc, g)


def test_holes_that_lie_on_each_other_everywhere_are_refused_in_bounded_memory():
    disc = Disc.from_bits(["1" * 90_000])
    with pytest.raises(InputError, match="holes overlap all over the disc"):
        mass_of(disc, Geometry())
