"""The parts of the simulators whose names end in c, against formulas that they do not use."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.world.camera_c import Camera, develop, look
from tests.world.detector_c import compared, covered, filtered, spot
from tests.world.motor_c import Drive, turning


@pytest.mark.parametrize(("radius", "hole"), [(0.4, 3.0), (1.5, 3.0), (0.9, 1.2)])
def test_a_flat_spot_over_a_hole_is_a_circular_lens(radius: float, hole: float) -> None:
    made, big = spot(radius, False, hole), hole / 2
    for d in np.linspace(0.01, made.reach - 0.01, 23):
        if d <= abs(big - radius):
            area = math.pi * min(big, radius) ** 2
        else:
            a = math.acos((d * d + radius**2 - big**2) / (2 * d * radius))
            b = math.acos((d * d + big**2 - radius**2) / (2 * d * big))
            area = radius**2 * (a - math.sin(2 * a) / 2) + big**2 * (b - math.sin(2 * b) / 2)
        share = float(made.share(np.array([d]))[0])
        assert share == pytest.approx(area / (math.pi * radius**2), abs=0.01)


def test_a_detector_sees_only_the_holes_that_are_there() -> None:
    cut = np.array([[True, False, True, True], [False, True, False, False]])
    rows = np.array([40.0, 34.0])
    q = np.arange(-4.0, 8.0)
    for row in (0, 1):
        seen = covered(spot(0.5, False, 3.0), q, np.full(len(q), rows[row]), rows, cut)
        assert np.array_equal(seen > 0.99, cut[row][np.arange(-4, 8) % 4])
    between = covered(spot(0.5, False, 3.0), q, np.full(len(q), 37.0), rows, cut)
    assert not between.any()


def test_a_pole_delays_a_ramp_by_its_time_constant() -> None:
    rate, t = 1000.0, np.arange(4000) / 1000.0
    out = filtered(t, rate, 2.0)
    assert (t - out)[2000] == pytest.approx(1 / (2 * math.pi * 2.0), rel=0.02)
    assert (t - filtered(t, rate, 1e4, delay_s=0.05))[2000] == pytest.approx(0.05, rel=0.02)


def test_a_comparator_stays_between_its_thresholds() -> None:
    v = np.array([0.0, 1.4, 1.6, 2.1, 1.6, 1.4, 0.9, 1.5, 2.5])
    assert compared(v, 1.0, 2.0).tolist() == [0, 0, 0, 1, 1, 1, 0, 0, 1]


def test_a_motor_keeps_its_speed_drifts_and_flutters_as_set() -> None:
    rng = np.random.default_rng(1)
    still = turning(rng, Drive(speed=1.1), 6.0, 0.01, 6.0, 36.0)
    assert still.turns[-1] / ((len(still.turns) - 1) * 0.01) == pytest.approx(1.1 / 6.0, rel=1e-6)
    drifting = turning(rng, Drive(drift=-0.2), 6.0, 0.01, 9.0, 60.0)
    speed = np.diff(drifting.turns) / 0.01 * 6.0
    at_end = speed[int(min(60.0, len(speed) * 0.01 - 1) / 0.01)]
    assert at_end == pytest.approx(1 - 0.2 * min(1.0, (len(speed) * 0.01 - 1) / 60), abs=0.01)
    fluttering = turning(rng, Drive(flutter=0.03), 6.0, 0.01, 9.0, 60.0)
    late = np.diff(fluttering.turns)[1200:] / 0.01 * 6.0
    assert (late.max() - late.min()) / 2 == pytest.approx(0.03, rel=0.1)


def test_a_held_disc_stands_still_and_comes_back_to_speed() -> None:
    made = turning(np.random.default_rng(1), Drive(holds=[(5.0, 0.3)]), 6.0, 0.005, 3.0, 18.0)
    speed = np.diff(made.turns) / 0.005 * 6.0
    assert speed[1040] < 0.2
    assert speed[-100:] == pytest.approx(1.0, abs=0.02)


def test_a_camera_over_a_disc_shows_it_from_the_front() -> None:
    view = look(800, 600, 50.0, 0.5, 0.0, 0.0, 0.0, 3.0, (0.0, 0.0), 0.0, 0.0)
    middle, up, right = view.pixels(np.array([[0.0, 0.0], [0.0, 50.0], [50.0, 0.0]]))
    assert middle == pytest.approx([399.5, 299.5])
    assert up - middle == pytest.approx([0.0, -150.0], abs=1e-9)
    assert right - middle == pytest.approx([150.0, 0.0], abs=1e-9)
    # what stands up is nearer, so larger
    assert view.pixels(np.array([50.0, 0.0]), 10.0)[0] > right[0]


def test_rays_go_back_the_way_that_light_came() -> None:
    view = look(640, 480, 50.0, 0.8, 0.5, 1.0, 2.0, 2.0, (20.0, -10.0), -0.1, 0.01)
    x, y = view.rays(-3.0, (32, 16, 600, 460), np.array([[1.0, 0, 0], [0, 1.0, 0]]))
    for row, column in ((5, 7), (200, 300), (440, 560)):
        point = np.array([x[row, column], y[row, column]], np.float64)
        assert view.pixels(point, -3.0) == pytest.approx([32 + column, 16 + row], abs=0.1)


def test_noise_of_a_picture_is_that_of_its_electrons() -> None:
    plain = Camera(
        defocus=0.0, motion=0.0, motion_towards=0.0, veil=0.0, exposure=0.5, electrons=1000.0,
        read_noise=3.0, denoise=0.0, sharpen=0.0, contrast=0.0, tint=(1.0, 1.0, 1.0), vignette=0.0,
        quality=90, full_colour=True, orientation=1,
    )  # fmt: skip
    out = develop(np.random.default_rng(1), np.full((3, 320, 320), 0.4, np.float32), plain)
    # green has 500 electrons; sRGB at 0.5 rises by 0.5 * 1.055 / 2.4 * 0.5 ** (1 / 2.4 - 1) / 0.5
    slope = 255 * 1.055 / 2.4 * 0.5 ** (1 / 2.4 - 1)
    exact = slope * math.sqrt(500 + 9) / 1000
    # at the sites of green themselves nothing is averaged
    assert out[::2, 1::2, 1].std() == pytest.approx(exact, rel=0.05)
    assert out[..., 1].mean() == pytest.approx(255 * (1.055 * 0.5 ** (1 / 2.4) - 0.055), abs=1)
