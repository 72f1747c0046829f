"""The rows, positions and bits seen in a photograph, drawn over it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import atomic_write
from sonify.recover.sighting import THRESHOLD, Sighting
from sonify.recover.sources.image.image import Picture
from sonify.recover.sources.image.ring import View, project
from sonify.recover.sources.image.sites import plane_points

__all__ = ["write_overlay"]

ONE, ZERO, DOUBT, RING = (30, 200, 60), (60, 120, 255), (255, 40, 40), (255, 190, 0)


def write_overlay(
    picture: Picture,
    view: View,
    radii: NDArray[np.float64],
    sighting: Sighting,
    shift: int,
    path: Path,
) -> None:
    """Write the picture with rows, positions, bits and doubts.

    A hole is ringed in green, none in blue, a doubt in red with a cross; rows are thin yellow
    lines, and a yellow line leads to position 0.
    """
    from PIL import Image, ImageDraw

    image = Image.fromarray(picture.colour)
    draw = ImageDraw.Draw(image)
    turn = np.linspace(0, 2 * np.pi, 361)
    for radius in [1.0, *radii]:
        ring = radius * np.column_stack([np.cos(turn), np.sin(turn)])
        draw.line([tuple(p) for p in project(view.matrix, ring)], fill=RING, width=1)
    places = plane_points(view.positions, radii)
    start = plane_points(view.positions, np.array([1.0 + 4 * view.hole, 0.3]))[:, shift]
    draw.line([tuple(p) for p in project(view.matrix, start)], fill=RING, width=3)
    rim = np.column_stack([np.cos(turn[::15]), np.sin(turn[::15])]) * view.hole * 1.25
    bits = np.roll(sighting.bits(THRESHOLD), shift, axis=1)
    for r in range(len(radii)):
        for p in range(view.positions):
            bit = int(bits[r, p])
            around = project(view.matrix, places[r, p] + rim)
            colour = (DOUBT, ZERO, ONE)[bit + 1]
            draw.line([tuple(q) for q in around], fill=colour, width=2 if bit else 1)
            if bit < 0:
                draw.line([tuple(around[3]), tuple(around[15])], fill=DOUBT, width=2)
                draw.line([tuple(around[9]), tuple(around[21])], fill=DOUBT, width=2)
    with atomic_write(path) as beside, beside.open("wb") as file:
        image.save(file, "PNG")
