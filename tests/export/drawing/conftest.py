"""Drawings of both sides, both ways of turning, with and without kerf."""

from __future__ import annotations

import pytest

from sonify.export.drawing.drawing import drawing_of
from tests.export.drawing.expected import WAYS, disc_of, expected


@pytest.fixture(params=WAYS, ids=lambda w: "-".join(map(str, w)))
def way(request):
    side, kerf, turning = request.param
    disc = disc_of(turning)
    drawing = drawing_of(disc, disc.geometry, side=side, kerf=kerf)
    return drawing, expected(disc, side, kerf)
