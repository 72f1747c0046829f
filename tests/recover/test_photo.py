"""Photographs: made by a generator that shares no code with the reader, and gone wrong."""

from __future__ import annotations

import io
import re
import struct
import zlib

import numpy as np
import pytest
from PIL import Image, ImageDraw

import sonify
from sonify.errors import InputError
from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.drawing_formats import draw
from sonify.recover.search.find import find_message
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from tests.nightly import nightly, sampled
from tests.recover.photographs import Shot, random_disc, random_shot, take

pytest.importorskip("resvg_py", reason="photographs are rendered by resvg (pip install resvg-py)")


@pytest.fixture(scope="module")
def disc():
    return random_disc(np.random.default_rng(7))


def read(tmp_path, disc, shot, name="p.jpg"):
    _, geometry, svg, reach = disc
    path = tmp_path / name
    path.write_bytes(take(svg, reach, geometry.hole_diameter / 2, shot))
    return find_message(read_source(path))


HARD = {
    "uneven light and shadow": Shot(light=0.6, shadow=0.5, roll=200, light_from=40),
    "plain": Shot(),
    "dark disc on white": Shot(material=(40, 42, 46), table=(225, 222, 215)),
    "steeply, from near": Shot(tilt=38, axis=100, distance=0.95, grain=0.1),
    "blurred, noisy, squeezed": Shot(blur=0.35, noise=8, quality=40, roll=33),
    "part of the rim out of view": Shot(fill=0.98, away=(0.0, 0.09), roll=150),
    "small on a wide table": Shot(fill=0.4, noise=5, width=2000, height=1500, away=(0.6, -0.5)),
    "little contrast": Shot(material=(128, 126, 122), table=(96, 95, 92), grain=0, noise=2),
    "tilted": Shot(tilt=35, axis=30, roll=100, distance=2.0),
    "a square picture filled, its edges out of view": Shot(
        fill=1.05, width=1236, height=1236, noise=3
    ),
    "busy table, wood grain": Shot(busy=True, grain=0.12, roll=280),
}


@pytest.mark.parametrize("name", sampled(HARD, 4))
def test_no_bit_is_wrong(name, disc, tmp_path):
    made = disc[0]
    found = read(tmp_path, disc, HARD[name])
    assert found.disc.grid.shape == made.grid.shape
    known = found.disc.grid >= 0
    np.testing.assert_array_equal(found.disc.grid[known], made.grid[known])
    if "out of view" not in name:
        assert known.all()
        assert found.disc.message == made.message


DARK = {"material": (40, 42, 46), "table": (225, 222, 215)}


@pytest.mark.parametrize(
    ("colour", "look"),
    [
        ((205, 150, 125), {}),
        pytest.param((120, 82, 64), {}, marks=nightly),
        ((228, 226, 221), DARK),
    ],
    ids=["light skin", "dark skin", "glare"],
)
def test_a_zero_under_a_finger_or_a_glare_is_not_sure(colour, look, disc, tmp_path):
    made, geometry, svg, reach = disc
    shot = Shot(noise=2, **look)
    image = Image.open(io.BytesIO(take(svg, reach, geometry.hole_diameter / 2, shot)))
    # from the right up to the third row; the disc lies straight in the middle of the picture
    across = 0.85 * 960 / (2 * reach)
    end = 640 + across * (geometry.first_row_radius - 2.5 * geometry.row_pitch)
    wide = 3.5 * across * geometry.row_pitch
    ImageDraw.Draw(image).rectangle((end, 480 - wide, 1279, 480 + wide), fill=colour)
    image.save(tmp_path / "p.jpg", quality=92)
    seen = read_source(tmp_path / "p.jpg")
    assert seen.holes.shape == made.grid.shape
    turns = [np.roll(made.grid, k, axis=1) for k in range(made.positions)]
    right = max((seen.holes == turn for turn in turns), key=np.sum)
    assert (~right).sum() > 2
    assert seen.confidence[~right].max() < 0.75
    assert (seen.confidence < 0.7).mean() < 0.2


@pytest.mark.parametrize("inner", [pytest.param(False, marks=nightly), True])
def test_few_positions_and_many_rows(inner, tmp_path):
    """Holes are nearest to those of their own position, and an inner clock row is a tenth as wide
    as the disc."""
    disc = sonify.Disc.from_message(
        "Soup from eleven, bread while it lasts.", layout=sonify.Layout(positions=14)
    )
    outermost = 16.0 + 3.5 * disc.rows
    geometry = sonify.Geometry(
        outer_diameter=2 * (outermost + 10.0),
        bore_diameter=8.0,
        clock_radius=10.0 if inner else outermost + 6.0,
        first_row_radius=outermost,
        row_pitch=3.5,
        hole_diameter=2.0,
    )
    svg = draw(drawing_of(disc, geometry), ".svg").decode()
    page = -float(re.search(r'viewBox="(-[\d.]+) ', svg).group(1))
    made = disc, geometry, svg, page
    found = read(tmp_path, made, Shot(width=1800, height=1350, tilt=20, axis=40, noise=3))
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    assert found.disc.message == disc.message


@nightly
@pytest.mark.parametrize("seed", range(3))
def test_somewhere_in_the_ranges(seed, tmp_path):
    rng = np.random.default_rng(9000 + seed)
    one = random_disc(rng)
    found = read(tmp_path, one, random_shot(rng, 1.5))
    assert found.disc.grid.shape == one[0].grid.shape
    known = found.disc.grid >= 0
    np.testing.assert_array_equal(found.disc.grid[known], one[0].grid[known])


def test_the_largest_disc_is_read(disc, tmp_path):
    """A smaller one lies beside it, straight before the camera."""
    made, geometry, svg, reach = disc
    shot = Shot(
        fill=0.8, width=1650, height=1125, away=(-0.35, 0.0), tilt=20, light=0.5, noise=3, grain=0.1
    )
    picture = Image.open(io.BytesIO(take(svg, reach, geometry.hole_diameter / 2, shot)))
    _, other, svg, reach = random_disc(np.random.default_rng(11))
    beside = take(svg, reach, other.hole_diameter / 2, Shot(fill=0.9, width=480, height=480))
    picture.paste(Image.open(io.BytesIO(beside)), (1155, 322))
    picture.save(tmp_path / "two.jpg", quality=90)
    assert find_message(read_source(tmp_path / "two.jpg")).disc.message == made.message


def test_a_picture_with_small_circles(tmp_path):
    """They are smaller than any in which holes are looked for."""
    picture = Image.new("RGB", (320, 240), (52, 58, 66))
    for n in range(4):
        ImageDraw.Draw(picture).ellipse((20 + 70 * n, 100, 54 + 70 * n, 134), fill=(214, 182, 138))
    picture.save(tmp_path / "p.png")
    with pytest.raises(InputError, match="no clock row"):
        read_source(tmp_path / "p.png")


def test_orientation_of_exif_is_minded(disc, tmp_path):
    _, geometry, svg, reach = disc
    jpeg = take(svg, reach, geometry.hole_diameter / 2, Shot(width=1200, height=900))
    image = Image.open(io.BytesIO(jpeg)).transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    exif = Image.Exif()
    exif[274] = 2  # TIFF 6.0, tag Orientation: mirrored from left to right
    image.save(tmp_path / "m.jpg", exif=exif)
    found = find_message(read_source(tmp_path / "m.jpg"))
    assert found.disc.message == disc[0].message
    assert found.arrangement.turning == "clockwise"


def test_overlay_shows_each_place(disc, tmp_path):
    _, geometry, svg, reach = disc
    (tmp_path / "p.jpg").write_bytes(take(svg, reach, geometry.hole_diameter / 2, Shot()))
    seen = read_source(tmp_path / "p.jpg", ReadOptions(overlay=tmp_path / "o.png"))
    picture = np.asarray(Image.open(tmp_path / "o.png").convert("RGB")).astype(int)
    green = np.abs(picture - [30, 200, 60]).sum(axis=2) < 12
    blue = np.abs(picture - [60, 120, 255]).sum(axis=2) < 12
    ones = int((seen.bits() == 1).sum())
    # a ring round each hole is some dozens of pixels long
    assert green.sum() > 20 * ones
    assert blue.sum() > 10 * int((seen.bits() == 0).sum())


def png_header(width, height):
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunk = b"IHDR" + head
    data = b"IDAT" + zlib.compress(b"\0" * 100)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(c) - 4) + c + struct.pack(">I", zlib.crc32(c)) for c in (chunk, data)
    )


def test_not_a_disc(disc, tmp_path):
    rng = np.random.default_rng(3)
    noise = rng.integers(0, 255, (350, 450, 3), np.uint8)
    Image.fromarray(noise).save(tmp_path / "noise.png")
    Image.new("RGB", (640, 480), (120, 90, 60)).save(tmp_path / "flat.png")
    for name in ("noise.png", "flat.png"):
        with pytest.raises(InputError, match="clock row") as e:
            read_source(tmp_path / name)
        assert "\n" not in str(e.value)


@nightly
def test_a_picture_without_a_clock_row(disc, tmp_path):
    _, geometry, svg, reach = disc
    bare = svg.replace('id="clock-row"', 'id="engraving-2" display="none"')
    path = tmp_path / "bare.jpg"
    path.write_bytes(take(bare, reach, geometry.hole_diameter / 2, Shot()))
    with pytest.raises(InputError, match="clock row"):
        read_source(path)


def test_half_a_disc(disc, tmp_path):
    with pytest.raises(InputError, match="clock row"):
        read(tmp_path, disc, Shot(width=480, height=360, fill=1.0, away=(0.55, 0.0)))


def test_bombs_and_broken_pictures(tmp_path):
    for name, data, says in (
        ("bomb.png", png_header(30_000, 30_000), "million pixels"),
        ("large.png", png_header(9_000, 9_000), "million pixels"),
        ("tiny.png", png_header(20, 20), "too few"),
        ("cut.png", png_header(800, 600), "can't be unpacked"),
        ("text.jpg", b"hello", "not a picture"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match=says) as e:
            read_source(tmp_path / name)
        assert "\n" not in str(e.value)
