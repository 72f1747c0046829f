"""Generator d of photographs makes what it says."""

from __future__ import annotations

import io

import numpy as np
import pytest

from tests.world.lens_d import Sensor, aim, kernel, own_light
from tests.world.photos_d import conditions, filed, picture
from tests.world.plate_d import MATERIALS, make, openings, sites_of
from tests.world.shine_d import Light, Scene, render

SCANNED = next(s for s in range(1, 400) if s % 3 and "scan" in conditions(s)["names"])
PLAIN = next(
    s for s in range(1, 400)
    if s % 3 and not conditions(s)["names"] and conditions(s)["megapixels"] < 1.5
)  # fmt: skip


@pytest.mark.parametrize("seed", [PLAIN, SCANNED])
def test_same_seed_gives_the_same_readable_picture(seed):
    first, again = picture(seed), picture(seed)
    assert first.jpeg == again.jpeg
    assert first.readable
    assert first.grid.shape == first.disc.grid.shape


@pytest.mark.parametrize("quarters", range(4))
def test_a_viewer_turns_the_file_by_its_orientation(quarters):
    from PIL import Image, ImageOps

    image = np.random.default_rng(4).integers(0, 256, (40, 60, 3), np.uint8)
    taken, jpeg = filed(image, 90, quarters, False)
    shown = ImageOps.exif_transpose(Image.open(io.BytesIO(jpeg)))
    assert np.array_equal(np.asarray(shown), np.rot90(taken, quarters))


def flat(kind, pixels=600, table=0, gap=0.0):
    """A flat straight view of a disc, and its radiance."""
    plate = make(np.random.default_rng([1, 4]), False, (kind,))
    scale = 0.9 * pixels / (2 * plate.radius)
    camera = aim(1e6 * scale, (pixels, pixels), 1e6, 0.0, 0.0, 0.0)
    light = Light("room", np.array([0, 0, 1e7]), np.zeros(3), np.ones(3), 0.01)
    corner = np.array([-1, 1]) * 0.6 * pixels / scale
    canvas = np.full((200, 200), 255, np.uint8)
    under, none = np.full((200, 200, 3), table, np.uint8), np.zeros((200, 200, 3), np.uint8)
    scene = Scene(
        plate, light, gap, under, 200 / (1.2 * pixels / scale), corner, canvas, canvas,
        (none, none[..., 0]),
    )  # fmt: skip
    return plate, scale, render(scene, camera)


def test_holes_of_a_flat_straight_picture_lie_where_the_drawing_has_them():
    plate, scale, (image, _, _) = flat("white card")
    middle = (600 - 1) / 2
    reach = int(plate.geometry.hole_diameter * scale / 2) + 2
    for circle in plate.drawing.circles["clock-row"]:
        x, y = middle + scale * circle["x_mm"], middle - scale * circle["y_mm"]
        left, top = round(x) - reach, round(y) - reach
        part = image[top : top + 2 * reach + 1, left : left + 2 * reach + 1, 1]
        hole = part.max() - part
        down, across = np.mgrid[: len(part), : len(part)]
        hole *= np.hypot(across + left - x, down + top - y) < reach - 1
        at = (hole * across).sum() / hole.sum() + left, (hole * down).sum() / hole.sum() + top
        assert np.hypot(at[0] - x, at[1] - y) < 0.25


def test_holes_have_their_size_and_sites_their_places():
    plate = make(np.random.default_rng([2, 4]), False, ("grey card",))
    half = plate.radius
    ppm = 3000 / (2 * half)
    open_ = (openings(plate, ppm, half) > 0).sum() / ppm**2
    circles = np.concatenate([plate.drawing.circles[k] for k in ("holes", "clock-row", "bore")])
    corners = 4 * half**2 - np.pi * half**2
    assert open_ - corners == pytest.approx(
        (np.pi / 4 * circles["diameter_mm"] ** 2).sum(), rel=0.02
    )
    clock = plate.drawing.circles["clock-row"]
    there = sites_of(plate.disc, plate.geometry, plate.drawing.side)[-1]
    assert np.allclose(there, np.stack((clock["x_mm"], clock["y_mm"]), axis=-1))


def test_a_point_of_light_falls_off_with_the_cosine_and_the_square():
    lamp = Light("lamp", np.array([100.0, 0.0, 300.0]), np.ones(3), np.zeros(3), 0.05)
    near, far = (300 / np.hypot(300, d) / (300**2 + d**2) for d in (100, 250))
    assert lamp.irradiance(-150.0, 0.0) == pytest.approx(far / near)
    window = Light("window", lamp.place, np.ones(3), np.zeros(3), 0.05, window=True)
    ratio = far * 250 / np.hypot(300, 250) / (near * 100 / np.hypot(300, 100))
    assert window.irradiance(-150.0, 0.0) == pytest.approx(ratio)


def test_a_matt_sheet_is_as_bright_as_its_albedo():
    _, _, (_, _, bare) = flat("white card")
    albedo = np.array(next(m for m in MATERIALS if m.name == "white card").albedo)
    middle = tuple(n // 2 for n in bare.shape[:2])
    patch = bare[middle[0] - 60 : middle[0] + 60, middle[1] - 60 : middle[1] + 60]
    assert np.median(patch, axis=(0, 1)) == pytest.approx(albedo + 0.03, rel=0.08)


def test_the_shadow_of_a_raised_disc_is_round():
    _, _, (image, _, _) = flat("white card", table=255, gap=20.0)
    turn = np.arange(16) * np.pi / 8
    # the rim is at 270 pixels; holes, which lie unevenly, let a little light through
    x, y = (np.round(299.5 + 292 * f(turn)).astype(int) for f in (np.cos, np.sin))
    assert np.ptp(image[y, x, 1]) < 0.1
    assert image[y, x, 1].max() < 0.9


def test_a_view_and_its_rays_undo_each_other():
    camera = aim(900, (800, 1000), 150, 0.5, 1.0, 2.0, (30, -20), -0.1)
    points = np.array([[0.0, 0, 0], [30, 10, 0], [-25, 40, 0]])
    pixels = camera.project(points)
    assert pixels[0] == pytest.approx(camera.middle + np.array([30, -20]), abs=0.5)
    assert camera.rays(pixels)[0] == pytest.approx(points[:, :2], abs=1e-6)


def test_noise_is_that_of_the_electrons_and_tones_rise():
    sensor = Sensor(2000, 2.0, (1, 1, 1), 0.0, 0.0, 0.0)
    light = np.full((400, 400, 3), 0.3, np.float32)
    levels = sensor.develop(light, np.random.default_rng(1)).astype(float)
    slope = (sensor.tone(0.301) - sensor.tone(0.299)) / 0.002
    electrons = np.sqrt(0.3 * 2000 + 2.0**2) / 2000
    # the shared part of 0.75, and the colours' own, which doubling the picture averages to 5/8
    share = np.hypot(0.75, 5 / 8)
    assert levels.std() == pytest.approx(float(slope[..., 0]) * electrons * share, rel=0.1)
    assert (np.diff(sensor.tone(np.linspace(0, 1, 50)[:, None].repeat(3, 1)), axis=0) > 0).all()


def test_blur_takes_light_out_of_a_hole():
    sharp, soft = (
        own_light(kernel(0.5, r, 0.0, 0.0, 3), np.eye(2) * 4, 1.5, 3) for r in (0.0, 9.0)
    )
    assert sharp > 0.8
    # the middle of a disc of radius 6 under a blur disc of 9 keeps at most (6 / 9)² of its light
    assert soft < (6 / 9) ** 2
