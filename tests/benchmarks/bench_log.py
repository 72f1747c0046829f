"""How fast a detector log is read: an hour's rate of samples, two channels."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np

from sonify.recover.sources.log.log import sighting_of_trace
from sonify.recover.sources.log.trace import trace_log
from tests.recover.log_player import Machine, record

REACH = 20e6


def run() -> list[tuple[str, float, str]]:
    """(what, figure, unit) of each measure; the peer is NumPy's mean of the same samples."""
    rng = np.random.default_rng(1)
    grid = rng.integers(0, 2, (30, 56)).astype(np.int8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.npy"
        np.save(path, record(grid, Machine(rate=50_000.0, rpm=12.0, noise=0.3, flutter=0.02)))
        samples = len(np.load(path, mmap_mode="r"))
        start = time.perf_counter()
        np.load(path, mmap_mode="r").mean(axis=0, dtype=np.float64)
        peer = time.perf_counter() - start
        trace_log(path, 50_000.0)
        start = time.perf_counter()
        sighting_of_trace(trace_log(path, 50_000.0), path)
        took = time.perf_counter() - start
    return [
        ("detector log", samples / took / 1e6, "million samples/s on two channels (reach 20)"),
        ("detector log against numpy.mean of it", took / peer, "x"),
    ]


if __name__ == "__main__":
    for what, figure, unit in run():
        print(f"{what:45} {figure:10.2f} {unit}")
