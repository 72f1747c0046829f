"""What drawings refuse."""

from __future__ import annotations

import pytest

from sonify.disc.disc import Disc
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.drawing_formats import DRAWINGS, draw, kind_of
from tests.export.drawing.expected import DISC, TEXT


def test_a_suffix_that_is_not_offered():
    for name in ("a.stl", "a", "a.svg.gz"):
        with pytest.raises(InputError) as error:
            kind_of(name)
        assert all(s in str(error.value) for s in DRAWINGS)
    assert kind_of("A.SVG").module == "svg"


@pytest.mark.parametrize("kerf", [3.0, -0.1, 50.0])
def test_a_kerf_that_leaves_nothing(kerf):
    with pytest.raises(InputError, match="kerf"):
        drawing_of(DISC, DISC.geometry, kerf=kerf)


def test_options_out_of_range():
    drawing = drawing_of(DISC, DISC.geometry)
    with pytest.raises(InputError, match="brass"):
        draw(drawing, ".png", material="bras")
    with pytest.raises(InputError, match="out of range"):
        draw(drawing, ".png", size=100_000)
    with pytest.raises(InputError, match="not a known paper"):
        draw(drawing, ".pdf", paper="a9")
    g = Geometry(outer_diameter=9000.0, clock_radius=4400.0, first_row_radius=4300.0)
    huge = drawing_of(Disc.from_message(TEXT, geometry=g), g)
    with pytest.raises(InputError, match="pages of a5"):
        draw(huge, ".pdf", paper="a5")
