"""How long a photograph of 12 million pixels takes."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

from sonify.recover.sources.image.photo import read_photograph
from tests.recover.photographs import Shot, random_disc, take


def run() -> list[tuple[str, float, str]]:
    """(what, figure, unit) of each measure; the peer is Pillow unpacking the same file."""
    _, geometry, svg, reach = random_disc(np.random.default_rng(3))
    shot = Shot(width=4000, height=3000, tilt=20, roll=70, busy=True, grain=0.1, noise=3)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "photo.jpg"
        path.write_bytes(take(svg, reach, geometry.hole_diameter / 2, shot))
        start = time.perf_counter()
        with Image.open(path) as image:
            image.load()
        peer = time.perf_counter() - start
        read_photograph(path)
        times = []
        for _ in range(3):
            start = time.perf_counter()
            read_photograph(path)
            times.append(time.perf_counter() - start)
    best = min(times)
    return [
        ("photograph of 12 megapixels", best, "s (reach 1.5)"),
        ("photograph against unpacking it whole", best / peer, "x"),
    ]


if __name__ == "__main__":
    for what, figure, unit in run():
        print(f"{what:45} {figure:10.2f} {unit}")
