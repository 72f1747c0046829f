"""The picture, read back by Pillow."""

from __future__ import annotations

import io
import math
from itertools import product

import numpy as np
import pytest
from PIL import Image

from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.drawing_formats import draw
from sonify.export.drawing.png import MATERIALS
from tests.export.drawing.expected import DISC
from tests.nightly import sampled_rows


@pytest.mark.parametrize(
    ("material", "side"), sampled_rows(product(MATERIALS, ["front", "back"]), 4)
)
def test_png_shows_every_hole_and_no_other(material, side):
    """At each position, the middle of a hole is unlike the material beside it, and where there is
    no hole it is like it."""
    size = 700
    drawing = drawing_of(DISC, DISC.geometry, side=side)
    image = Image.open(io.BytesIO(draw(drawing, ".png", size=size, material=material)))
    assert (image.format, image.size, image.mode) == ("PNG", (size, size), "RGB")
    pixels = np.asarray(image).astype(float)
    scale = size * 0.88 / 180
    g, mirror = DISC.geometry, -1 if side == "back" else 1

    def look(radius: float, turn: float) -> np.ndarray:
        a = -2 * math.pi * turn * mirror
        x = size / 2 + radius * scale * math.sin(a)
        y = size / 2 - radius * scale * math.cos(a)
        return pixels[int(y) - 1 : int(y) + 2, int(x) - 1 : int(x) + 2].reshape(-1, 3).mean(axis=0)

    apart = {0: [], 1: []}
    for r in range(DISC.rows):
        radius = g.first_row_radius - r * g.row_pitch
        for p in range(DISC.positions):
            between = look(radius, (p + 0.5) / DISC.positions)
            here = look(radius, p / DISC.positions)
            apart[int(DISC.grid[r, p])].append(np.abs(here - between).max())
    assert min(apart[1]) > 40
    assert max(apart[0]) < 40


def test_png_is_the_same_each_time_and_its_size_is_asked_for():
    drawing = drawing_of(DISC, DISC.geometry)
    one = draw(drawing, ".png", size=200)
    assert one == draw(drawing, ".png", size=200)
    assert Image.open(io.BytesIO(one)).size == (200, 200)
