"""The flash meter on both sides of every threshold.

Source: WCAG 2.2 (W3C), success criterion 2.3.1 and its definitions "general flash and red flash
thresholds" and "relative luminance".
"""

from itertools import islice

import numpy as np
import pytest

from sonify.disc_player.profile import Matrix
from sonify.export import message
from sonify.export.animation.metered import Metered
from sonify.export.lights import patches
from sonify.light.flash import FlashMeter, relative_luminance
from sonify.light.look import Look, to_linear
from sonify.light.paint import Painter
from sonify.light.scroll import Scroll
from tests.nightly import sampled

FIELD = 341 * 256  # pixels of a field of 10 degrees, WCAG 2.2, note 1 of the definition


def grey(luminance):
    return np.full(3, luminance)


def meter_of(frames, seconds, shape=(384, 512), box=None):
    """A meter fed with colours (linear) of a box that fills the picture or a part of it.

    The usual picture is a part of a screen of 1024 x 768 that holds a whole field.
    """
    meter = FlashMeter(shape[1], shape[0])
    x, y, w, h = box or (0, 0, meter.shape[1], meter.shape[0])
    meter.add(0.0, 0, 0, np.zeros((3, *meter.shape), np.float32))
    for k, colour in enumerate(frames):
        part = np.empty((3, h, w), np.float32)
        part[:] = np.asarray(colour, float)[:, None, None]
        meter.add(k * seconds / len(frames), x, y, part)
    return meter


def blink(dark, light, flashes, start=0.0):
    """A second that begins at the level `start` and rises and falls as often as asked."""
    return [start, *[light, dark] * flashes]


def test_relative_luminance_of_the_primaries():
    # WCAG 2.2, "relative luminance": L = 0.2126 R + 0.7152 G + 0.0722 B, black 0 and white 1
    one, none = np.ones(1, np.float32), np.zeros(1, np.float32)
    assert relative_luminance(one, none, none)[0] == pytest.approx(0.2126)
    assert relative_luminance(none, one, none)[0] == pytest.approx(0.7152)
    assert relative_luminance(none, none, one)[0] == pytest.approx(0.0722)
    assert relative_luminance(one, one, one)[0] == pytest.approx(1.0)
    # and of #777777 the worked value that follows from the formula: ((0x77/255+0.055)/1.055)^2.4
    v = to_linear(np.array([0x77 / 255]))[0]
    assert v == pytest.approx(((0x77 / 255 + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize(("flashes", "over"), [(3, False), (4, True)])
def test_more_than_three_flashes_a_second(flashes, over):
    meter = meter_of([grey(v) for v in blink(0.0, 0.5, flashes)], 0.95)
    assert meter.worst.flashes == flashes
    assert meter.over is over


def test_four_flashes_over_more_than_a_second_pass():
    # eight changes with 0.15 s between them: never more than seven within a second
    meter = meter_of([grey(v) for v in blink(0.0, 0.5, 4)], 9 * 0.15)
    assert not meter.over
    assert meter.worst.flashes == 3


@pytest.mark.parametrize(("step", "over"), [(0.0999, False), (0.1, True)])
def test_a_change_of_a_tenth_of_the_greatest_luminance(step, over):
    meter = meter_of([grey(v) for v in blink(0.3, 0.3 + step, 6, start=0.3)], 0.9)
    assert meter.over is over


@pytest.mark.parametrize(("dark", "over"), [(0.79, True), (0.80, False), (0.85, False)])
def test_the_darker_picture_is_below_four_fifths(dark, over):
    frames = [grey(v) for v in blink(dark, dark + 0.12, 6, start=dark + 0.12)]
    assert meter_of(frames[1:], 0.9).over is over


def test_small_steps_that_add_up_are_one_change():
    ramp = np.concatenate([np.linspace(0, 0.5, 8), np.linspace(0.5, 0, 8)] * 5)
    assert meter_of([grey(v) for v in ramp], 1.2).over
    wobble = [0.3 + 0.04 * (k % 2) for k in range(60)]
    assert meter_of([grey(v) for v in wobble], 1.0).worst.flashes == 0


@pytest.mark.parametrize(("share", "over"), [(0.24, False), (0.26, True)])
def test_a_quarter_of_a_field(share, over):
    # a box of that share of the field's area, flashing five times
    w = 341
    h = round(256 * share)
    meter = meter_of([grey(v) for v in blink(0, 1, 5)], 0.9, box=(80, 60, w, h))
    assert meter.worst.flashes == 5
    assert meter.worst.share == pytest.approx(w * h / FIELD, rel=1e-3)
    assert meter.over is over


def test_area_is_gathered_within_one_field_only():
    # two boxes of 20 % each: over where one field holds both, within where none does
    for gap, over in ((10, True), (400, False)):
        meter = FlashMeter(1024, 768)
        meter.add(0, 0, 0, np.zeros((3, *meter.shape), np.float32))
        for k, v in enumerate(blink(0, 1, 5)):
            for x in (100, 100 + 100 + gap):
                meter.add(k * 0.08, x, 200, np.full((3, 175, 100), v, np.float32))
        assert meter.over is over


def test_places_that_flash_in_turn_within_a_field_count_together():
    # left and right of one field flash twice each, one after the other: four flashes in a second
    meter = FlashMeter(1024, 768)
    meter.add(0, 0, 0, np.zeros((3, *meter.shape), np.float32))
    t = 0.0
    for x in (200, 400, 200, 400):
        for v in (0.6, 0.0):
            t += 0.1
            meter.add(t, x, 200, np.full((3, 250, 120), v, np.float32))
    assert meter.worst.flashes == 4
    assert meter.over


def test_a_larger_picture_is_measured_as_it_fills_the_screen():
    # the same share of the picture, whatever its size; and cells are under 0.1 degree
    for width, height in ((1024, 768), (1920, 1080), (3840, 2160), (1080, 1920)):
        meter = FlashMeter(width, height)
        assert meter.cell * 10 / 341 / meter.scale < 0.1
        side = (0.26 * FIELD) ** 0.5 * meter.scale / meter.cell
        box = (5, 5, round(side), round(side))
        meter = meter_of([grey(v) for v in blink(0, 1, 5)], 0.9, (height, width), box)
        assert meter.worst.share == pytest.approx(0.26, rel=0.03)
        assert meter.over


def test_a_fine_pattern_does_not_count():
    # a chequer of single pixels that turns over ten times a second, averaged cell by cell
    meter = FlashMeter(3840, 2160)
    cells = np.indices((meter.shape[0] * 2, meter.shape[1] * 2)).sum(axis=0) % 2
    for k in range(20):
        fine = np.abs(cells - k % 2).reshape(meter.shape[0], 2, meter.shape[1], 2)
        mean = fine.mean(axis=(1, 3)).astype(np.float32)
        meter.add(k * 0.05, 0, 0, np.stack([mean] * 3))
    assert meter.worst.flashes == 0


RED, BLACK = (1.0, 0.0, 0.0), (0.0, 0.0, 0.0)


def dim(colour, luminance):
    c = np.array(colour, float)
    return c * luminance / (c @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize(("flashes", "over"), [(3, False), (4, True)])
def test_red_flashes_without_a_change_of_luminance(flashes, over):
    # saturated red against a grey of the same relative luminance: only the red meter sees it
    frames = [grey(0.2126), *[RED, grey(0.2126)] * flashes]
    meter = meter_of(frames[0:1] + frames[1:], 0.9)
    assert meter.worst.kind == "red"
    assert meter.worst.flashes == flashes
    assert meter.over is over


@pytest.mark.parametrize(("share", "over"), [(0.79, False), (0.81, True)])
def test_red_is_saturated_from_four_fifths(share, over):
    # R / (R + G + B) on both sides of 0.8; blue far away in u', v', all at one dim luminance
    red = dim((share, (1 - share) / 2, (1 - share) / 2), 0.05)
    blue = dim((0.0, 0.0, 1.0), 0.05)
    meter = meter_of([blue, *[red, blue] * 5], 0.9)
    assert meter.over is over


@pytest.mark.parametrize(("distance", "over"), [(0.19, False), (0.21, True)])
def test_red_changes_by_a_fifth_in_the_uniform_chromaticity_diagram(distance, over):
    # from pure sRGB red (u' 0.4507, v' 0.5229; CIE 15) along the line to sRGB white
    red_uv, white_uv = np.array([0.4507, 0.5229]), np.array([0.1978, 0.4683])
    way = (white_uv - red_uv) / np.linalg.norm(white_uv - red_uv)
    other = dim(rgb_of_uv(*(red_uv + way * distance)), 0.05)
    red = dim(RED, 0.05)
    meter = meter_of([other, *[red, other] * 5], 0.9)
    assert meter.over is over


def rgb_of_uv(u, v):
    """Linear sRGB of a chromaticity (CIE 15 for u', v'; IEC 61966-2-1 for the matrix)."""
    y = 1.0
    x = 9 * u / (4 * v)
    z = (12 - 3 * u - 20 * v) / (4 * v)
    m = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    return m @ [x, y, z]


def test_red_from_black_counts():
    meter = meter_of([BLACK, *[dim(RED, 0.09), BLACK] * 5], 0.9)
    assert meter.worst.kind == "red"
    assert meter.over


def test_the_time_of_the_worst_second():
    quiet = [grey(0)] * 20
    frames = quiet + [grey(v) for v in blink(0, 1, 6)] + quiet
    meter = meter_of(frames, len(frames) * 0.1)
    assert meter.over
    assert 1.8 <= meter.worst.time_s <= 2.4
    assert "flashes on" in str(meter.worst)


def scroll_of(rng, height, width, speed, bars):
    count = int(rng.integers(10, 80))
    columns = rng.random((height, count)) < rng.choice([0.2, 0.5, 0.9])
    if bars:
        columns[:] = np.arange(count) // bars % 2 == 0
    if not bars and count > width + 20:
        columns[:, 10 : 10 + width + 3] = False  # for some steps nothing changes
    return Scroll(columns, np.zeros(1, np.int64), width, 0.0, 1 / speed, ())


def both_meters(look, matrix, scroll):
    """What the meter for scrolls finds, and what the one for any picture finds."""
    painter, found = Painter(look, matrix), []
    for lamps in (painter.grid, None):
        painter.forget()
        metered = Metered(*painter.size, painter.palette, lamps, scroll.column_s)
        for _ in metered.of(patches(painter, message.states(scroll))):
            pass
        found.append(metered.worst)
    return found


@pytest.mark.parametrize("seed", sampled(range(12), 3))
def test_a_scroll_is_judged_like_any_picture(seed):
    rng = np.random.default_rng(seed)
    look = Look(
        lamp=("#ffb347", "#ff0000", "#ffffff")[seed % 3], glow=float(rng.choice([0, 0.3, 1])),
        pixels=int(rng.integers(5, 20)), module=int(rng.integers(0, 9)),
        module_gap=float(rng.choice([0, 0.1, 0.3, 1.5])), margin=float(rng.choice([0, 0.5, 2])),
    )  # fmt: skip
    height, width = int(rng.integers(1, 12)), int(rng.integers(1, 50))
    scroll = scroll_of(rng, height, width, float(rng.choice([4, 12, 12.5, 30])), seed % 4)
    scrolling, any_picture = both_meters(look, Matrix(width=width, height=height), scroll)
    assert scrolling == any_picture


@pytest.mark.parametrize("lamp", ["#ffffff", "#ff0000"])
def test_bars_that_pass_flash_by_field_and_by_cell(lamp):
    # each step lights half of a field and darkens the other half
    look = Look(lamp=lamp, pixels=16, gap=0.0, glow=0.0, shape="square")
    scroll = scroll_of(np.random.default_rng(1), 14, 40, 12.0, 1)
    scrolling, any_picture = both_meters(look, Matrix(width=40, height=14), scroll)
    assert any_picture.over
    assert scrolling == any_picture


def test_a_scroll_that_is_cut_short():
    scroll = scroll_of(np.random.default_rng(3), 5, 30, 12.0, 0)
    painter, found = Painter(Look(), Matrix(width=30, height=5)), []
    for lamps in (painter.grid, None):
        painter.forget()
        metered = Metered(*painter.size, painter.palette, lamps, scroll.column_s)
        for _ in metered.of(patches(painter, islice(message.states(scroll), 9))):
            pass
        found.append(metered.worst)
    assert found[0] == found[1]


@pytest.mark.parametrize("change", [{"turned": 90}, {"mirrored": True}, {"turned": 180}])
def test_a_turned_scroll_is_measured_as_any_picture(change):
    scroll = scroll_of(np.random.default_rng(2), 8, 20, 12.0, 2)
    scrolling, any_picture = both_meters(Look(**change), Matrix(width=20, height=8), scroll)
    assert scrolling == any_picture
