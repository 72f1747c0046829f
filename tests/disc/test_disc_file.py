"""Disc files, read and written."""

from __future__ import annotations

import dataclasses
import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import sonify
from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.file import disc_from_table, disc_to_toml
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry, KeepOut
from sonify.errors import InputError
from tests.shipped import DISCS

FULL = """
title = "Cairn Hut, 14 March"
message = "WIND SW 6, CLOUD BASE 900 M"

[code]
alphabet = "utf-8"
bit-order = "low-first"
framing = "plain"
check = "none"

[layout]
positions = 48
reading = "inside-out"
turning = "anticlockwise"
hole-means = 0

[geometry]
outer-diameter = 181.5
bore-diameter = 8.25
clock-radius = 84.0
first-row-radius = 30.0
row-pitch = 6.125
hole-diameter = 2.5
keep-out = [{ radius = 20.0, angle = 12.5, diameter = 10.0 }]
"""


def same(a: Disc, b: Disc) -> bool:
    return (
        np.array_equal(a.grid, b.grid)
        and a.layout == b.layout
        and a.code == b.code
        and a.geometry == b.geometry
        and a.title == b.title
        and a.given_message == b.given_message
    )


def test_every_value_of_a_disc_file_arrives():
    disc = disc_from_table(tomllib.loads(FULL))
    assert disc.title == "Cairn Hut, 14 March"
    assert disc.message == disc.given_message == "WIND SW 6, CLOUD BASE 900 M"
    assert disc.code == Code(alphabet="utf-8", bit_order="low-first")
    assert disc.layout == Layout(
        positions=48, reading="inside-out", turning="anticlockwise", hole_means=0
    )
    assert disc.geometry == Geometry(
        outer_diameter=181.5,
        bore_diameter=8.25,
        clock_radius=84.0,
        first_row_radius=30.0,
        row_pitch=6.125,
        hole_diameter=2.5,
        keep_out=(KeepOut(radius=20.0, angle=12.5, diameter=10.0),),
    )


def test_a_round_trip_keeps_every_value(tmp_path):
    disc = disc_from_table(tomllib.loads(FULL))
    path = sonify.save_disc(disc, tmp_path / "a.toml")
    assert same(sonify.load_disc(path), disc)
    assert tomllib.loads(path.read_text()) == tomllib.loads(FULL)


@pytest.mark.parametrize("path", DISCS, ids=lambda p: p.stem)
def test_shipped_discs_survive_a_round_trip(path, tmp_path):
    disc = sonify.load_disc(path)
    assert same(sonify.load_disc(sonify.save_disc(disc, tmp_path / path.name)), disc)


@given(
    st.integers(1, 9).flatmap(
        lambda n: st.lists(st.text("01?", min_size=n, max_size=n), min_size=1, max_size=9)
    )
)
def test_bits_survive_a_round_trip(rows):
    disc = Disc.from_bits(rows)
    again = disc_from_table(tomllib.loads(disc_to_toml(disc)))
    assert same(again, disc)
    assert ["".join("?01"[b + 1] for b in row) for row in disc.grid] == rows


def test_bits_with_a_code_have_the_message_that_they_decode_to():
    made = Disc.from_message("FOG", layout=Layout(positions=8))
    rows = ["".join(map(str, row)) for row in made.grid]
    assert disc_from_table({"bits": rows}).message is None
    assert disc_from_table({"bits": rows, "code": {"alphabet": "ascii"}}).message == "FOG"


def test_a_message_fills_its_last_row_with_zeros():
    disc = Disc.from_message("A", layout=Layout(positions=10))
    assert disc.grid.tolist() == [[1, 0, 0, 0, 0, 0, 1, 0, 0, 0]]


def test_positions_follow_each_other_against_the_turning():
    assert Layout(positions=4).angle(1) == 270.0
    assert Layout(positions=4, turning="anticlockwise").angle(1) == 90.0


def test_the_discs_that_ship_are_the_ones_promised():
    discs = {p.stem: sonify.load_disc(p) for p in DISCS}
    assert len(discs) >= 5
    sizes = [len(d.message) for d in discs.values() if d.message is not None]
    assert max(sizes) > 400
    assert min(sizes) < 20
    assert any(d.code is not None and d.code.alphabet == "ita2" for d in discs.values())
    assert any(d.code is None and d.message is None for d in discs.values())
    assert all("Cairn Hut" in d.title for d in discs.values())


BAD = [
    ("{}", "neither message nor bits"),
    ('message = "A"\nbits = ["1"]', "both message and bits"),
    ('mesage = "A"', "unknown key 'mesage' (did you mean message?)"),
    ('message = "A"\n[layout]\npositons = 3', "[layout]: unknown key 'positons' (did you mean pos"),
    ('message = "A"\n[code]\nalphabet = "asci"', "did you mean ascii?"),
    ('message = "A"\n[code]\nalphabet = "ebcdic"', "one of: ascii, ita2, utf-8"),
    ("message = 3", "message: 3 is of the wrong type; a text in quotes is needed"),
    ('message = "A"\n[layout]\npositions = 0', "layout.positions: 0 is out of range; it must be"),
    ('message = "A"\n[layout]\npositions = 5.5', "a whole number is needed"),
    ('message = "A"\n[layout]\nhole-means = 2', "layout.hole-means"),
    ('message = "A"\n[geometry]\nouter-diameter = -1', "more than 0"),
    ('message = "A"\n[geometry]\nouter-diameter = nan', "nan is not a finite number"),
    ('message = "A"\n[geometry]\nouter-diameter = inf', "inf is not a finite number"),
    ('message = ""', "the message is empty"),
    ("bits = []", "there are no bits"),
    ('bits = ["101", "10"]', "bits, row 2: 2 positions here and 3 in row 1"),
    ('bits = ["1x1"]', "bits, row 1: position 2 is 'x'; only 0, 1 and ? are bits"),
    ('bits = ["101"]\n[layout]\npositions = 4', "the rows have 3 positions and the layout 4"),
    ('message = "\u00e9"', "utf-8 has it"),
]


@pytest.mark.parametrize(("text", "said"), BAD, ids=[s for _, s in BAD])
def test_a_wrong_disc_file_says_what_is_wrong_in_one_line(text, said, tmp_path):
    path = tmp_path / "d.toml"
    path.write_text("" if text == "{}" else text, encoding="utf-8")
    with pytest.raises(InputError) as e:
        sonify.load_disc(path)
    line = str(e.value)
    assert said in line
    assert line.startswith(str(path))
    assert "\n" not in line


def test_toml_that_does_not_parse_has_line_and_column(tmp_path):
    path = tmp_path / "d.toml"
    path.write_text('title = "x"\nmessage = = 3\n')
    with pytest.raises(InputError, match=r"line 2, column 11"):
        sonify.load_disc(path)


def test_ten_million_positions_have_a_disc_and_more_than_the_most_are_refused():
    grid = np.zeros((10_000, 1000), np.int8)
    assert Disc.from_bits(grid, layout=Layout(positions=1000)).grid.size == 10_000_000
    with pytest.raises(InputError, match="120,000,002 positions are too many"):
        Disc.from_message("A" * 8_600_000, layout=Layout(positions=60_000_001))


def test_bits_that_are_no_longer_the_message_are_kept(tmp_path):
    disc = sonify.encode("HAIL ON THE SADDLE")
    grid = disc.grid.copy()
    grid[0, 3] ^= 1
    for changed in (
        dataclasses.replace(disc, grid=grid),
        dataclasses.replace(disc, code=None),
        dataclasses.replace(disc, code=sonify.Code(bit_order="low-first")),
    ):
        sonify.save_disc(changed, tmp_path / "a.toml")
        assert sonify.load_disc(tmp_path / "a.toml") == changed


def test_a_layout_takes_its_positions_from_the_bits():
    disc = disc_from_table({"bits": ["0110100"], "layout": {"hole-means": 0}})
    assert (disc.rows, disc.positions, disc.layout.positions) == (1, 7, 7)
    assert disc.layout.hole_means == 0


def test_more_bits_than_fit_in_memory_are_refused_before_they_are_joined():
    with pytest.raises(InputError, match="100,010,000 positions are too many"):
        Disc.from_bits(["0" * 10_000] * 10_001)
