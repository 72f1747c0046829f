"""How quickly the program starts."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

import sonify
from tests.benchmarks.measure import process


def run() -> list[tuple[str, float, str]]:
    version = process("-m", "sonify", "--version") / process("-c", "import click")
    with tempfile.TemporaryDirectory() as folder:
        grid = np.random.default_rng(1).integers(0, 2, (20, 50)).astype(np.int8)
        disc = sonify.Disc.from_bits(grid, layout=sonify.Layout(positions=50))
        path = sonify.save_disc(disc, Path(folder) / "d.toml")
        ours = process("-m", "sonify", "midi", str(path), "-o", str(Path(folder) / "a.mid"))
        midi = ours / process("-c", "import numpy, mido")
    return [
        ("sonify --version / import click", version, "at most 1.5"),
        ("1,000 bits to MIDI, whole process / import numpy, mido", midi, "at most 2"),
    ]
