"""Painting: exact colours, and a part repainted is the part of the whole."""

from __future__ import annotations

from itertools import product

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonify.disc_player.profile import Matrix
from sonify.light.exposure import BRIGHT, NOTICED, gain, lab, light_steps, shade
from sonify.light.lamp_shapes import REACH, Lamp
from sonify.light.look import LUMINANCE, Look, colour, from_linear, to_linear
from sonify.light.paint import COARSE, FINE, Painter
from sonify.light.panel import Panel
from sonify.light.planes import FORMATS, Picture
from sonify.light.room import Room
from sonify.performance_settings import load_setup
from tests.light.reference import rendered
from tests.light.room_reference import in_room
from tests.nightly import sampled, sampled_product, sampled_rows
from tests.shipped import LOOKS

# looks without anything between the lamps, which are drawn in one colour
PLAIN = [
    p for p in LOOKS if (look := load_setup([p]).light).panel == "open" and look.colours == "lamp"
]

looks = st.builds(
    Look,
    shape=st.sampled_from(["round", "square", "diffused"]),
    glow=st.sampled_from([0.0, 0.3, 1.0]),
    gap=st.sampled_from([0.0, 0.25, 0.6]),
    pixels=st.integers(3, 9),
    module=st.integers(0, 5),
    module_gap=st.sampled_from([0.0, 0.3, 1.5]),
    margin=st.sampled_from([0.0, 0.5, 2.0]),
)


@settings(deadline=None, max_examples=30)
@given(looks, st.integers(1, 9), st.integers(1, 9), st.integers(0, 999))
def test_a_part_repainted_is_the_part_of_the_whole(look, width, height, seed):
    rng = np.random.default_rng(seed)
    painter = Painter(look, Matrix(width=width, height=height))
    levels = np.zeros((height, width), np.uint8)
    picture = painter.picture(levels)
    for _ in range(6):
        leds = rng.integers(0, width * height, rng.integers(1, 4))
        levels.reshape(-1)[leds] = rng.integers(0, 256, len(leds))
        if (part := painter.update(levels)) is not None:
            x, y, pixels = part
            picture[y : y + pixels.shape[0], x : x + pixels.shape[1]] = pixels
        whole = Painter(look, Matrix(width=width, height=height)).picture(levels)
        np.testing.assert_array_equal(picture, whole)


@settings(deadline=None, max_examples=30)
@given(looks, st.integers(4, 20), st.integers(1, 9), st.integers(0, 999), st.booleans())
def test_columns_that_come_again_are_those_of_the_whole(look, width, height, seed, few):
    # a scroll of few different columns and many, with room for all and for hardly any
    rng = np.random.default_rng(seed)
    painter = Painter(look, Matrix(width=width, height=height))
    text = rng.integers(0, 2, (height, 3 * width), np.uint8) * np.uint8(255)
    text[:, :width] = 0
    if few:
        text[:, 1:] = text[:, :1]
        text[:, rng.integers(0, 3 * width, 3)] = 255
    with pytest.MonkeyPatch.context() as patch:
        if seed % 2:
            patch.setattr("sonify.light.renderer._MOST_COLUMNS", 1)
        picture = painter.picture(text[:, :width])
        for k in range(1, 2 * width):
            shown = text[:, k : k + width]
            if (part := painter.update(shown)) is not None:
                x, y, pixels = part
                picture[y : y + pixels.shape[0], x : x + pixels.shape[1]] = pixels
        whole = Painter(look, Matrix(width=width, height=height)).picture(shown)
    np.testing.assert_array_equal(picture, whole)


@pytest.mark.parametrize("path", PLAIN, ids=lambda p: p.stem)
def test_lamps_have_the_looks_own_colours(path):
    # a hot core is whiter than the lamp's colour, and the bloom of others is added to it
    look = msgspec.structs.replace(load_setup([path]).light, brightness=16, core=0.0, bloom=0.0)
    painter = Painter(look, Matrix())
    rng = np.random.default_rng(2)
    levels = (rng.random((8, 32)) < 0.4).astype(np.uint8) * 255
    rgb = painter.palette[painter.picture(levels)]
    assert rgb.shape == (painter.size[1], painter.size[0], 3)
    xs, ys = painter.grid.centres
    at = rgb[np.ix_(ys, xs)]
    assert (at[levels > 0] == colour(look.lamp)).all()
    if look.glow == 0:
        assert (at[levels == 0] == colour(look.off)).all()
    assert colour(look.off) != colour(look.ground)
    dark = painter.palette[painter.picture(np.zeros((8, 32), np.uint8))]
    corner = dark[0, 0] if look.margin else None
    assert corner is None or (corner == colour(look.ground)).all()
    assert (dark[np.ix_(ys, xs)] == colour(look.off)).all()


def test_a_glow_falls_on_neighbours_margins_and_gaps_and_dies_away():
    painter = Painter(Look(glow=1.0, module=2, module_gap=0.5), Matrix(width=4, height=3))
    levels = np.zeros((3, 4), np.uint8)
    dark = painter.picture(levels)
    levels[0, 1] = 255
    lit = painter.picture(levels)
    changed = np.argwhere(lit != dark)
    xs, ys = painter.grid.centres
    reach = np.hypot(changed[:, 1] - xs[1], changed[:, 0] - ys[0])
    assert reach.max() <= 20 * REACH + 1
    assert changed[:, 0].min() < ys[0] - 10  # over the margin
    assert changed[:, 1].max() > xs[1] + 10  # into the gap behind the second lamp


def test_square_lamps_without_glow_or_gap_fill_their_tiles():
    look = Look(
        shape="square", core=0.0, glow=0.0, bloom=0.0, gap=0.0, module=0, margin=0.0, pixels=10
    )
    painter = Painter(look, Matrix(width=3, height=2))
    levels = np.array([[255, 0, 255], [0, 255, 0]], np.uint8)
    rgb = painter.palette[painter.picture(levels)]
    lit = (rgb == colour(look.lamp)).all(axis=-1)
    share = lit.reshape(2, 10, 3, 10).mean(axis=(1, 3))
    assert (share[levels > 0] > 0.95).all()
    assert (share[levels == 0] == 0).all()


def test_brightness_has_at_least_sixteen_steps():
    painter = Painter(Look(glow=0.0, bloom=0.0), Matrix(width=16, height=1))
    xs, ys = painter.grid.centres
    lights = []
    for level in range(256):
        index = painter.picture(np.full((1, 16), level, np.uint8))[ys[0], xs[0]]
        lights.append(float(to_linear(painter.palette[index] / 255) @ LUMINANCE))
    assert len(set(lights)) >= 16
    assert lights == sorted(lights)


LEVELS = np.random.default_rng(7).choice(np.array([0, 0, 96, 255, 255], np.uint8), (4, 5))


def places(grid, width, height):
    """The middles of lamps in pixels, and the size of the picture."""
    half = grid.look.pixels / 2
    return grid.columns.start + half, grid.rows.start + half, width, height


@pytest.mark.parametrize("path", sampled(PLAIN, 4), ids=lambda p: p.stem)
def test_palette_pictures_are_like_the_slow_rendering_in_linear_light(path):
    look = msgspec.structs.replace(load_setup([path]).light, pixels=16, fade=0.0)
    if not look.plain:
        look = msgspec.structs.replace(look, background="#000000")
    painter = Painter(look, Matrix(width=5, height=4))
    shown = painter.palette[painter.picture(LEVELS)]
    slow = rendered(look, LEVELS / 255, *places(painter.grid, *painter.size))
    assert np.abs(shown - slow).mean() < 2
    assert len(painter.palette) < 256


@pytest.mark.parametrize(
    ("shape", "panel"),
    sampled_product(
        ["round", "square", "diffused", "ring", "bar", "chip"],
        ["open", "board", "grille", "diffuser"],
    ),
)
def test_panels_and_shapes_are_like_the_slow_rendering(panel, shape):
    look = Look(shape=shape, panel=panel, pixels=24, glow=0.5, module=0)
    levels, matrix = LEVELS[:3, :3], Matrix(width=3, height=3)
    painter = Painter(look, matrix)
    picture = Picture.on_colour(FORMATS["rgb24"], 104, 104, np.array(colour(look.ground)) / 255)
    panel = Panel(look, matrix, picture, (0, 0, 104, 104))
    panel.update(levels)
    x, y, w, h = panel.box
    frame = np.dstack(picture.planes)[y : y + h, x : x + w]
    for shown, grid in (
        (painter.palette[painter.picture(levels)], painter.grid),
        (frame, panel.grid),
    ):
        slow = rendered(grid.look, levels / 255, *places(grid, *grid.size))
        assert np.abs(shown - slow).mean() < 2


@pytest.mark.parametrize(
    ("path", "format"),
    sampled_rows(product(PLAIN, ["yuv420p", "yuva444p10le", "rgb24"]), 4),
    ids=lambda p: getattr(p, "stem", p),
)
def test_clip_pictures_are_like_the_slow_rendering_in_linear_light(path, format):
    look = msgspec.structs.replace(load_setup([path]).light, pixels=16, fade=0.0)
    if not look.plain:
        look = msgspec.structs.replace(look, background="#000000")
    ground = np.array(colour(look.ground)) / 255
    picture = Picture.on_colour(FORMATS[format], 128, 112, ground)
    panel = Panel(look, Matrix(width=5, height=4), picture, (0, 0, 128, 112))
    panel.update(LEVELS)
    x, y, w, h = panel.box
    parts = [
        np.repeat(np.repeat(p, picture.step(k), 0), picture.step(k), 1)[y : y + h, x : x + w]
        for k, p in enumerate(picture.planes[:3])
    ]
    shown = np.clip(picture.format.rgb(parts), 0, 1).transpose(1, 2, 0) * 255
    slow = rendered(panel.grid.look, LEVELS / 255, *places(panel.grid, w, h))
    if format == "yuv420p":
        # chroma is stored at half size, so only luma is compared pixel by pixel
        shown, slow = shown @ LUMINANCE, slow @ LUMINANCE
    assert np.abs(shown - slow).mean() < 2


@pytest.mark.parametrize("path", PLAIN, ids=lambda p: p.stem)
def test_no_ring_in_a_glow_can_be_seen(path):
    """Neighbouring levels are apart by no more than is just noticed (Mahy et al. 1994)."""
    look = load_setup([path]).light
    light = light_steps(look, FINE, COARSE)
    glow = light[light * gain(look) < BRIGHT]
    colours = lab(shade(look, np.zeros_like(glow), glow))
    assert np.linalg.norm(np.diff(colours, axis=0), axis=1).max() <= NOTICED * 1.02


def test_lamps_have_a_hot_core_and_a_darker_edge():
    look = Look(pixels=40)
    painter = Painter(look, Matrix(width=1, height=1))
    rgb = to_linear(painter.palette[painter.picture(np.full((1, 1), 255, np.uint8))] / 255)
    xs, ys = painter.grid.centres
    across = rgb[ys[0], xs[0] : xs[0] + 20]
    own = to_linear(np.array(colour(look.lamp)) / 255)
    assert (across[0, 1:] > own[1:] * 1.5).all()  # paler than the lamp
    assert (np.diff(across @ LUMINANCE) <= 1e-9).all()  # it falls all the way
    lens, _ = Lamp(look).profile(8)
    assert lens[-1] < 1 < lens[0]


def test_linear_light_is_iec_61966_2_1():
    """The curve's published points: it is linear up to 0.04045 and inverts itself."""
    values = np.linspace(0, 1, 256)
    np.testing.assert_allclose(from_linear(to_linear(values)), values, atol=1e-9)
    assert to_linear(np.array([0.04045]))[0] == pytest.approx(0.0031308, abs=1e-6)
    assert to_linear(np.array([0.5]))[0] == pytest.approx(0.21404, abs=1e-5)


@pytest.mark.parametrize(
    "case", sampled(product(PLAIN, [0.02, 0.3]), 1), ids=lambda c: f"{c[0].stem}-{c[1]}"
)
def test_the_room_is_like_the_slow_rendering_in_linear_light(case):
    path, bloom = case
    look = msgspec.structs.replace(load_setup([path]).light, fade=0.0, view="room", bloom=bloom)
    if not look.plain:
        look = msgspec.structs.replace(look, background="#000000")
    width, height = 320, 208
    picture = Picture.on_colour(FORMATS["rgb24"], width, height, np.zeros(3))
    room = Room(look, Matrix(width=5, height=4), picture, (0, 0, width, height))
    room.update(LEVELS)
    left, top, wide, high = room.panel.box
    lamps = rendered(room.panel.grid.look, LEVELS / 255, *places(room.panel.grid, wide, high))
    front = np.tile(to_linear(np.array(colour(look.ground)) / 255), (height, width, 1))
    front[top : top + high, left : left + wide] = to_linear(lamps / 255)
    a, b, c, d = room._cut
    slow, cover = in_room(front[b:d, a:c], room._corners, width, height)
    error = np.abs(np.dstack(picture.planes) - slow)
    assert error.mean() < 2
    # most of the picture is dark, and dark is easy
    assert error[cover[..., 0] > 0.5].mean() < 2
