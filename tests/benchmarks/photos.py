"""Photographs by the hundred: how many are read without a wrong bit, and is any wrong silently.

    python -m tests.benchmarks.photos [COUNT] [SEED] [FOLDER]

Each is made by the generator of the tests; those that are not read right are kept in FOLDER.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from sonify.errors import InputError
from sonify.recover.search.find import find_message
from sonify.recover.sources.image.photo import read_photograph
from tests.recover.photographs import random_disc, random_shot, take


def one(seed: int, folder: Path, megapixels: float | None = None) -> tuple[str, str, float]:
    """What became of one photograph: right, doubted, refused or wrong; what was said; seconds."""
    rng = np.random.default_rng(seed)
    disc, geometry, svg, reach = random_disc(rng)
    shot = random_shot(rng, megapixels)
    path = folder / f"photo-{seed}.jpg"
    path.write_bytes(take(svg, reach, geometry.hole_diameter / 2, shot))
    start = time.perf_counter()
    try:
        sighting = read_photograph(path)
        took = time.perf_counter() - start
        found = find_message(sighting)
    except InputError as e:
        return "refused", str(e), time.perf_counter() - start
    grid = found.disc.grid
    said = "; ".join(map(str, (*sighting.cautions, *found.cautions)))
    if grid.shape != disc.grid.shape:
        decoding = found.disc.decoding
        told = found.cautions or (decoding is not None and decoding.verdict == "failed")
        verdict = "doubted" if told else "wrong"
        return verdict, f"rows and positions {grid.shape} for {disc.grid.shape}; {said}", took
    wrong = (grid >= 0) & (grid != disc.grid)
    if not wrong.any():
        path.unlink()
        unknown = int((grid < 0).sum())
        return "right", f"{unknown} unknown; {said}" if unknown else said, took
    told = found.disc.message != disc.message and (
        found.disc.decoding is None or found.disc.decoding.verdict == "failed" or found.cautions
    )
    return "doubted" if told else "wrong", f"{int(wrong.sum())} wrong bits; {said}", took


def main(count: int = 300, seed: int = 1000, folder: str | None = None) -> dict[str, int]:
    """Read `count` photographs and print what became of them."""
    place = Path(folder or tempfile.mkdtemp())
    place.mkdir(parents=True, exist_ok=True)
    sums = {"right": 0, "doubted": 0, "refused": 0, "wrong": 0}
    times = []
    for k in range(count):
        verdict, said, took = one(seed + k, place)
        sums[verdict] += 1
        times.append(took)
        if verdict != "right":
            print(f"  photograph {seed + k}: {verdict}: {said}", flush=True)
    print(f"{count} photographs: " + ", ".join(f"{v} {k}" for k, v in sums.items()))
    print(f"seconds each: median {np.median(times):.2f}, longest {max(times):.2f}")
    return sums


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        int(given[0]) if given else 300,
        int(given[1]) if len(given) > 1 else 1000,
        given[2] if len(given) > 2 else None,
    )
