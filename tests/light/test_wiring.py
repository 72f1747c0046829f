"""Where each lamp is on the strip: against a walk along the strip, lamp by lamp, and by hand."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.disc_player.profile import Matrix, Panel
from sonify.errors import InputError
from sonify.light.power import IDLE_MA, power_of
from sonify.light.wiring import WIRINGS, Wiring, check_strip
from sonify.load import load_disc
from sonify.settings import convert

CORNERS = ("top-left", "top-right", "bottom-left", "bottom-right")


def walked(width: int, height: int, wiring: str, corner: str) -> list[tuple[int, int]]:
    """The places along a strip, step by step as a hand lays it."""
    down, right = corner.startswith("top"), corner.endswith("left")
    x, y = (0 if right else width - 1), (0 if down else height - 1)
    dx, dy = (1 if right else -1), (1 if down else -1)
    out = []
    for _ in range(width if "columns" in wiring else height):
        run = []
        for _ in range(height if "columns" in wiring else width):
            run.append((x, y))
            x, y = (x, y + dy) if "columns" in wiring else (x + dx, y)
        out += run
        if "columns" in wiring:
            x += dx
            dy, y = (-dy, run[-1][1]) if "serpentine" in wiring else (dy, run[0][1])
        else:
            y += dy
            dx, x = (-dx, run[-1][0]) if "serpentine" in wiring else (dx, run[0][0])
    return out


@pytest.mark.parametrize("wiring", WIRINGS)
@pytest.mark.parametrize("corner", CORNERS)
def test_every_pattern_is_as_a_hand_lays_it(wiring, corner):
    for width, height in ((1, 1), (5, 3), (4, 4), (1, 6), (7, 2)):
        matrix = Matrix(width=width, height=height, wiring=wiring, first_lamp=corner)
        order = Wiring.of(matrix).order
        found = [(k % width, k // width) for k in order.tolist()]
        assert found == walked(width, height, wiring, corner)


def test_panels_by_hand():
    """Two panels of 3 x 2, the second turned a quarter clockwise, then one mirrored."""
    matrix = Matrix(
        width=5, height=5,
        panels=(
            Panel(column=1, row=1, width=3, height=2),
            Panel(column=4, row=1, width=2, height=3, turned=90),
            Panel(column=1, row=3, width=3, height=2, mirrored=True),
        ),
    )  # fmt: skip
    assert Wiring.of(matrix).strip.tolist() == [
        [0, 1, 2, 9, 6],
        [3, 4, 5, 10, 7],
        [14, 13, 12, 11, 8],
        [17, 16, 15, -1, -1],
        [-1, -1, -1, -1, -1],
    ]


def test_missing_lamps_and_gaps():
    matrix = Matrix(width=3, height=2, wiring="serpentine-rows", missing=((2, 1),), gaps="1, 4-5")
    wiring = Wiring.of(matrix)
    assert wiring.strip.tolist() == [[1, -1, 2], [7, 6, 5]]
    assert wiring.length == 8
    assert wiring.order.tolist() == [-1, 0, 2, -1, -1, 5, 4, 3]


def test_a_map_and_its_mistakes(tmp_path):
    file = tmp_path / "map.csv"
    matrix = Matrix(width=2, height=2, wiring=str(file))
    file.write_text("column,row,lamp\n1,1,4\n2,2,1\n")
    assert Wiring.of(matrix).strip.tolist() == [[3, -1], [-1, 0]]
    for text, wrong in (
        ("a,b\n", "'column' is missing; the first line must be column,row,lamp"),
        ("column,row,lamp\n1,1,x\n", "line 2: three whole numbers"),
        ("column,row,lamp\n1,1,1\n2,1,1\n", "line 3: lamp 1 is there twice"),
        ("column,row,lamp\n1,1,1\n1,1,2\n", "line 3: column 1, row 1 is there twice"),
        ("column,row,lamp\n3,1,1\n", "column 3, row 1 is not on the matrix of 2 x 2"),
        ("column,row,lamp\n1,1,0\n", "lamp 0 is out of range"),
    ):
        file.write_text(text)
        with pytest.raises(InputError, match=wrong):
            Wiring.of(matrix)


@pytest.mark.parametrize(
    ("settings", "wrong"),
    [
        ({"wiring": "serpentine"}, "did you mean serpentine-rows"),
        ({"panels": [{"column": 2, "row": 1, "width": 32, "height": 8}]}, "does not fit"),
        (
            {"panels": [{"column": 1, "row": 1, "width": 4, "height": 4},
                        {"column": 4, "row": 4, "width": 4, "height": 4}]},
            r"panels\[1\]: it overlaps",
        ),
        ({"missing": [[33, 1]]}, "no lamp in column 33, row 1"),
        ({"gaps": "9-"}, "give the gaps an end"),
        ({"wiring": "x.csv", "gaps": "1"}, "says where every lamp is"),
    ],
)  # fmt: skip
def test_mistakes_are_named(settings, wrong):
    with pytest.raises(InputError, match=wrong):
        Wiring.of(convert(settings, Matrix))


def test_a_check_names_the_first_lamp_and_the_wiring_that_fits():
    matrix = Matrix(width=4, height=3)
    real = Wiring.of(Matrix(width=4, height=3, wiring="serpentine-rows", first_lamp="top-right"))
    assert check_strip(matrix, Wiring.of(matrix).strip) == []
    told = check_strip(matrix, real.strip)
    assert "the first is lamp 1, which should be in column 1, row 1" in told[0]
    assert "was seen in column 4, row 1" in told[0]
    assert told[-1].endswith('wiring = "serpentine-rows" and first-lamp = "top-right"')
    dead = Wiring.of(matrix).strip.copy()
    dead[2, 1] = -1
    (first, *_) = check_strip(matrix, dead)
    assert "1 lamp of 12 differs" in first
    assert "lamp 10" in first
    assert "was not seen" in first


def test_the_current_is_that_of_the_brightest_moment():
    """By adding up the lamps of each moment in a slow way."""
    show = sonify.perform(
        load_disc("cairn-small"), settings={"light.colours": "row", "player.matrix.brightness": 0.5}
    )
    from sonify.light.colours import palette_of
    from sonify.light.look import colour

    look = show.setup.light
    sums = [sum(colour(c)) / 255 for c in (look.lamp, *palette_of(look))]
    now: dict[int, float] = {}
    most, last = 0.0, None
    for time, led, level, hue in show.lights.tolist():
        if last is not None and time != last:
            most = max(most, sum(now.values()))
        now[led] = level / 255 * sums[hue] * 0.5
        last = time
    most = max(most, sum(now.values()))
    want = most * 0.020 + show.setup.player.matrix.lamps * IDLE_MA / 1000
    got = power_of(show.lights, look, show.setup.player.matrix)
    assert got.brightest == pytest.approx(want)
    assert show.power.brightest >= got.brightest - 1e-9


def test_the_supply_is_enough_for_the_lamp_test():
    """It lights all 256 lamps in the look's colour: 1 + 0.5 + 0 of 20 mA each, and 1 mA idle."""
    show = sonify.perform(load_disc("cairn-small"), settings={"light.lamp": "#ff8000"})
    share = 1 + 0x80 / 255
    assert show.power.test == pytest.approx(256 * (share * 0.020 + 0.001))
    assert show.power.test > show.power.brightest
    assert show.power.supply >= show.power.test


def test_the_helper_gives_all_changes_their_lamps():
    show = sonify.perform(
        load_disc("cairn-small"), settings={"player.matrix.wiring": "serpentine-columns"}
    )
    strip = show.wiring.strip.flat[show.lights["led"]]
    x, y = show.lights["led"] % 32, show.lights["led"] // 32
    assert (strip == x * 8 + np.where(x % 2, 7 - y, y)).all()
