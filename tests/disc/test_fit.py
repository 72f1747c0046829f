"""Fit: the smallest disc, the roomiest layout, and what does not fit.

Checked against a plain search over all positions, written from the geometry of circles: the chord
between two points of a circle of radius r, a turn of 2 pi / N apart, is 2 r sin(pi / N) (Euclid).
"""

from __future__ import annotations

import math
import re

import msgspec
import pytest

from sonify.disc.code.code import Code
from sonify.disc.code.encoding import message_units, room, rows_for
from sonify.disc.disc import Disc
from sonify.disc.geometry.capacity import FitSpec, characters_that_fit, room_on, sizes
from sonify.disc.geometry.fit import derive_geometry, fit
from sonify.disc.geometry.webs import webs_of
from sonify.disc.layout import Layout
from sonify.disc.sizes import KeepOut, check_rows, row_radii
from sonify.errors import InputError

TEXT = "WIND SW 6, CLOUD BASE 900 M. FRESH SNOW ON THE NORTH SIDE."
CODES = [
    Code(),
    Code(alphabet="ita2"),
    Code(framing="framed", check="crc-16"),
    Code(check="reed-solomon"),
]


def made(text: str, code: Code, wish: FitSpec, layout: Layout | None = None) -> Disc:
    found = fit(text, code, layout or Layout(), wish)
    disc = Disc.from_message(text, code=code, layout=found.layout, geometry=found.geometry)
    assert disc.rows == found.rows
    check_rows(found.geometry, found.layout, disc.rows)
    assert disc.message == text
    return disc


def smallest(units: int, code: Code, hole: float, web: float, bore: float) -> float:
    """The outer diameter of the smallest disc, by trying all positions."""
    best = math.inf
    q = hole + web
    for n in range(2, 2 * units * code.unit_bits + 100):
        rows = rows_for(units, code, n)
        inner = max(q / (2 * math.sin(math.pi / n)), bore / 2 + web + hole / 2)
        best = min(best, 2 * (inner + rows * q + hole / 2 + web))
    return best


@pytest.mark.parametrize("code", CODES, ids=lambda c: f"{c.alphabet}-{c.check}")
@pytest.mark.parametrize("text", ["A", "FOG ON TOP", TEXT])
@pytest.mark.parametrize(("hole", "web", "bore"), [(3.0, 1.5, 8.0), (1.0, 0.6, 40.0)])
def test_without_a_diameter_it_is_the_smallest(code, text, hole, web, bore):
    disc = made(text, code, FitSpec(hole_diameter=hole, least_web=web, bore_diameter=bore))
    least = smallest(len(message_units(text, code)), code, hole, web, bore)
    found = disc.geometry.outer_diameter
    # radii and diameter are each rounded up to 0.1 mm
    # and up to 3 % are given for rows of whole bars
    assert least - 1e-6 <= found <= (least + 0.3) * 1.03 + 1e-6
    assert webs_of(disc, disc.geometry).thinnest.width >= web - 1e-4


@pytest.mark.parametrize("code", CODES, ids=lambda c: f"{c.alphabet}-{c.check}")
@pytest.mark.parametrize("diameter", [150.0, 180.0, 400.0])
def test_with_a_diameter_its_webs_are_the_widest(code, diameter):
    wish = FitSpec(outer_diameter=diameter, hole_diameter=2.0, least_web=1.0)
    disc = made(TEXT, code, wish)
    assert disc.geometry.outer_diameter == diameter
    width = webs_of(disc, disc.geometry).thinnest.width
    units = len(message_units(TEXT, code))
    best = 0.0
    for n in range(2, 1500):
        rows = rows_for(units, code, n)
        # the widest w for which everything fits, by halving
        low, high = 0.0, diameter
        for _ in range(60):
            w = (low + high) / 2
            q = 2.0 + w
            inner = diameter / 2 - 1.0 - w - rows * q
            fits = inner >= q / (2 * math.sin(math.pi / n)) and inner - 1.0 - w >= 4.0
            low, high = (w, high) if fits else (low, w)
        best = max(best, low)
    # real holes may leave more than the grid's own webs; the pitch is rounded to 0.1 mm
    pitch_web = disc.geometry.row_pitch - 2.0
    # and up to 3 % are given for rows of whole bars
    assert 0.97 * best - 0.1 - 1e-6 <= pitch_web <= best + 1e-6
    assert width >= pitch_web - 1e-4


@pytest.mark.parametrize("reading", ["outside-in", "inside-out"])
@pytest.mark.parametrize("diameter", [None, 260.0])
def test_rows_keep_clear_of_keep_outs(reading, diameter):
    keep = (
        KeepOut(radius=20.0, angle=90.0, diameter=10.0),
        KeepOut(radius=20.0, angle=270.0, diameter=10.0),
        KeepOut(radius=118.0, angle=45.0, diameter=8.0),
    )
    wish = FitSpec(keep_out=keep, outer_diameter=diameter)
    disc = made(TEXT, Code(), wish, Layout(reading=reading))
    assert webs_of(disc, disc.geometry).thinnest.width >= 1.5 - 1e-4
    radii = row_radii(disc.geometry, disc.layout, disc.rows)
    assert (radii[0] > radii[-1]) == (reading == "outside-in")
    for k in keep:
        near = k.radius - k.diameter / 2 - 1.5 - 1.5
        far = k.radius + k.diameter / 2 + 1.5 + 1.5
        for r in (*radii, disc.geometry.clock_radius):
            assert r <= near + 1e-4 or r >= far - 1e-4
        assert k.radius + k.diameter / 2 < disc.geometry.outer_diameter / 2


@pytest.mark.parametrize(
    "given",
    [
        {"positions": 56},
        {"row_pitch": 6.0},
        {"clock_radius": 84.0},
        {"first_row_radius": 77.0, "clock_radius": 84.0, "row_pitch": 6.0},
        {"outer_diameter": 180.0, "row_pitch": 5.0},
        {"outer_diameter": 180.0, "positions": 60},
        {"clock_radius": 20.0},
        {"clock_radius": 20.0, "outer_diameter": 200.0},
        {"first_row_radius": 70.0, "clock_radius": 15.0, "row_pitch": 4.6},
    ],
    ids=str,
)
def test_what_is_given_holds(given):
    disc = made("WIND SW 6, CLOUD BASE 900 M", Code(), FitSpec(**given))
    for key, value in given.items():
        owner = disc.layout if key == "positions" else disc.geometry
        assert getattr(owner, key) == value
    assert webs_of(disc, disc.geometry).thinnest.width >= 1.5 - 1e-4


def test_the_room_is_the_most_that_can_be_fitted():
    wish = FitSpec(outer_diameter=140.0)
    for code in CODES:
        held = room_on(wish, code)
        assert room(held.rows, held.positions, code) == held.units
        text = "E" * (held.units - len(message_units("E", code)) + 1)
        assert made(text, code, wish).geometry.outer_diameter == 140.0
        with pytest.raises(InputError):
            fit(text + "E", code, Layout(), wish)


def test_a_text_too_long_says_by_how_much_and_what_would_do():
    text = "E" * 100
    wish = FitSpec(outer_diameter=150.0)
    with pytest.raises(InputError) as error:
        fit(text, Code(), Layout(), wish)
    said = str(error.value)
    held = characters_that_fit(text, Code(), room_on(wish, Code()).units)
    assert f"100 characters are {100 - held} too many" in said
    assert f"holds {held}" in said
    numbers = [w.rstrip(",") for w in said.split("what would help: ")[1].split()]
    diameter = float(numbers[numbers.index("disc") + 2])
    hole = float(numbers[numbers.index("holes") + 2])
    # each of them does, and the next smaller disc and the next larger hole do not
    made(text, Code(), FitSpec(outer_diameter=diameter))
    made(text, Code(), FitSpec(outer_diameter=150.0, hole_diameter=hole))
    for other in (
        FitSpec(outer_diameter=diameter - 0.4),
        FitSpec(outer_diameter=150.0, hole_diameter=hole + 0.05),
    ):
        with pytest.raises(InputError):
            fit(text, Code(), Layout(), other)


def test_an_alphabet_that_would_do_is_named():
    with pytest.raises(InputError) as error:
        fit("cloud base low " * 3, Code(), Layout(), FitSpec(outer_diameter=126.0))
    assert "the alphabet ita2 in capitals" in str(error.value)
    made("CLOUD BASE LOW " * 3, Code(alphabet="ita2"), FitSpec(outer_diameter=126.0))


def test_a_given_radius_that_can_not_be_is_told():
    with pytest.raises(InputError, match="first-row-radius"):
        fit(TEXT, Code(), Layout(), FitSpec(first_row_radius=30.0))


def test_a_text_for_a_disc_of_more_than_ten_metres():
    with pytest.raises(InputError, match="10 m"):
        fit("E" * 1_000_000, Code(), Layout(), FitSpec(hole_diameter=5.0))


def test_larger_discs_and_smaller_holes_hold_more():
    rows = sizes(Code(), FitSpec())
    by_kind: dict[tuple[float, float], list[int]] = {}
    for hole, web, _, held in rows:
        by_kind.setdefault((hole, web), []).append(held.units)
    for counts in by_kind.values():
        assert counts == sorted(counts)
        assert len(set(counts)) > 4
    assert by_kind[1.0, 1.5][3] > by_kind[2.0, 1.5][3] > by_kind[2.0, 2.0][3]


@pytest.mark.parametrize(("rows", "positions"), [(1, 1), (1, 2), (3, 56), (40, 7), (200, 150)])
@pytest.mark.parametrize("reading", ["outside-in", "inside-out"])
def test_a_disc_without_geometry_gets_one_that_holds(rows, positions, reading):
    layout = Layout(positions=positions, reading=reading)
    g = derive_geometry(rows, positions, layout)
    disc = Disc.from_bits(["1" * positions] * rows, layout=layout, geometry=g)
    check_rows(g, layout, rows)
    assert webs_of(disc, g).thinnest.width >= 1.5 - 1e-4


def test_a_geometry_larger_than_ten_metres_is_not_derived():
    with pytest.raises(InputError, match="more than 10 m"):
        derive_geometry(180_000, 56, Layout())


def test_keep_outs_that_a_small_disc_does_not_reach_take_nothing_from_it():
    far = FitSpec(keep_out=(KeepOut(radius=100.0, angle=0.0, diameter=10.0),))
    held = {r[:3]: r[3].units for r in sizes(Code(), FitSpec())}
    for hole, web, diameter, room_left in sizes(Code(), far):
        most = held[hole, web, diameter]
        assert room_left.units == most if diameter <= 180 else room_left.units < most


def test_the_holes_that_would_do_are_the_largest() -> None:
    """A grain of a twentieth of a millimetre more, and the text does not fit again."""
    spec = FitSpec(outer_diameter=90.0)
    told = []
    for length in range(24, 64):
        with pytest.raises(InputError) as caught:
            fit("A" * length, Code(), Layout(), spec)
        (hole,) = re.findall(r"or holes of ([\d.]+) mm", str(caught.value))
        told.append(float(hole))

        def sized(hole: float, text: str = "A" * length) -> object:
            return fit(text, Code(), Layout(), msgspec.structs.replace(spec, hole_diameter=hole))

        sized(told[-1])
        with pytest.raises(InputError):
            sized(round(told[-1] + 0.05, 2))
    assert told == sorted(told, reverse=True)
    assert len(set(told)) > 5
