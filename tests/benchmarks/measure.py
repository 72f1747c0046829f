"""Measuring: the best of several tries, so that what else the machine does counts little."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]

_COMPILED = tempfile.TemporaryDirectory()
ENVIRONMENT = {
    **{k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"},
    "PYTHONPATH": str(ROOT),
    "PYTHONPYCACHEPREFIX": _COMPILED.name,
}
"""For processes to measure: their modules are compiled once, as an installer does it."""


def best(
    work: Callable[[], object], tries: int = 5, clock: Callable[[], float] = time.perf_counter
) -> float:
    """The shortest time in s that some work took."""
    shortest = float("inf")
    for _ in range(tries):
        start = clock()
        work()
        shortest = min(shortest, clock() - start)
    return shortest


def process(*arguments: str, tries: int = 10) -> float:
    """The shortest time in s of a whole process of this Python."""

    def work() -> None:
        subprocess.run(
            [sys.executable, *arguments], check=True, capture_output=True, env=ENVIRONMENT
        )

    return best(work, tries)


def alternating(
    works: Sequence[Callable[[], object]],
    tries: int = 5,
    clock: Callable[[], float] = time.perf_counter,
) -> list[float]:
    """The shortest times of several works that take turns, so that all meet the same weather."""
    out = [float("inf")] * len(works)
    for _ in range(tries):
        for k, work in enumerate(works):
            out[k] = min(out[k], best(work, 1, clock))
    return out
