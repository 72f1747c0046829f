"""Detector logs by the hundred: bit errors against theory, and each fault of a real machine.

    python -m tests.benchmarks.logs [COUNT] [POSITIONS]

Theory: the matched detector of on-off signals in white Gaussian noise errs with the chance
Q(sqrt(Eb / N0)), where Eb is the mean energy a bit and N0 twice the variance of a sample
(J. G. Proakis, Digital Communications, binary orthogonal and on-off signalling; the formula is
from memory). Both channels carry the same noise, so the clock row is found in it too.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import numpy as np

import sonify
from sonify.disc_player.profile import Player
from sonify.errors import InputError
from sonify.recover.search.find import find_message
from sonify.recover.sources.log.log import sighting_of_trace
from sonify.recover.sources.log.trace import trace_log
from tests.recover.log_player import Machine, record

TEXT = "WIND SW 6, CLOUD BASE 900 M. FOG UNTIL TEN, THEN SUN. HUT OPEN, SOUP ON."


def theory(decibels: float) -> float:
    """Q(sqrt(Eb / N0))."""
    return 0.5 * math.erfc(math.sqrt(10 ** (decibels / 10)) / math.sqrt(2))


def measured(decibels: float, positions: int, seed: int, folder: Path) -> float:
    """The share of wrong bits in a log of one long row at Eb / N0."""
    rng = np.random.default_rng(seed)
    bits = rng.integers(0, 2, positions)
    period, width = 60, 24
    place = np.arange(positions * period)
    inside = np.abs(place % period - period / 2 + 0.5) < width / 2
    clean = np.stack([inside, inside & (bits[place // period] == 1)], axis=1).astype(float)
    # Eb = width * step^2 / 2, N0 = 2 sigma^2, step 1
    sigma = math.sqrt(width / 4 / 10 ** (decibels / 10))
    path = folder / "ber.npy"
    np.save(path, (3 - clean + sigma * rng.standard_normal(clean.shape)).astype(np.float32))
    trace = trace_log(path, 6000.0)
    seen = trace.passed["odds"] > 0
    # the first and last position may be cut off
    best = 1.0
    for shift in range(-4, 5):
        a, b = max(0, shift), max(0, -shift)
        n = min(len(seen) - b, positions - a)
        best = min(best, float((seen[b : b + n] != (bits[a : a + n] == 1)).mean()))
    return best


def shortfall(rate: float, decibels: float) -> float:
    """How many decibels worse the signal would have to be for theory to err as often."""
    low, high = -10.0, decibels + 5
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if theory(middle) > rate else (low, middle)
    return decibels - low


FAULTS: dict[str, dict[str, object]] = {
    "none": {},
    "drift of 20 %": {"drift": 0.20},
    "flutter of 5 %": {"flutter": 0.05},
    "missing clock pulses": {"missing": 0.04},
    "doubled clock pulses": {"doubled": 0.05},
    "delay between detectors": {"delay": 0.3},
    "begins in mid-row": {"before": 25.0, "cut": 9.0},
    "several passes": {"passes": 3},
    "ambient light": {"ambient": 0.5},
    "reads on at the next position": {"row_start": "next-position"},
    "all of them": {
        "drift": 0.15, "flutter": 0.04, "missing": 0.03, "doubled": 0.03, "delay": -0.2,
        "before": 11.0, "ambient": 0.3,
    },
}  # fmt: skip


def one(fault: str, seed: int, folder: Path) -> tuple[str, str]:
    """What became of one log: right, doubted, refused or wrong; and what was said."""
    rng = np.random.default_rng(seed)
    positions = int(rng.integers(24, 90))
    made = sonify.Disc.from_message(
        TEXT, code=sonify.Code(framing="framed", check="crc-16") if seed % 2 else sonify.Code(),
        layout=sonify.Layout(positions=positions),
    )  # fmt: skip
    given = dict(FAULTS[fault])
    machine = Machine(
        rate=2500.0, rpm=float(rng.uniform(8, 20)), noise=float(rng.uniform(0.02, 0.6)),
        seed=seed, **given,
    )  # fmt: skip
    path = folder / "log.npy"
    np.save(path, record(made.grid, machine))
    hint = None
    if machine.row_start == "next-position":
        hint = Player(row_start="next-position", stage=machine.stage, settle=machine.settle)
    try:
        trace = trace_log(path, 2500.0)
        sighting = sighting_of_trace(trace, path, positions if hint else None, hint)
        found = find_message(sighting)
    except InputError as e:
        return "refused", str(e)
    said = "; ".join(map(str, (*sighting.cautions, *found.cautions)))
    grid = found.disc.grid
    if grid.shape == made.grid.shape:
        wrong = int(((grid >= 0) & (grid != made.grid)).sum())
        unknown = int((grid < 0).sum())
        if wrong == 0:
            return ("right" if unknown == 0 else "doubted"), f"{unknown} unknown; {said}"
    decoding = found.disc.decoding
    told = (
        decoding is None or decoding.verdict == "failed" or "\ufffd" in (found.disc.message or "")
    )
    return ("doubted" if told else "wrong"), f"{grid.shape}, {found.disc.message!r}; {said}"


def faults(count: int = 200, first: int = 0) -> dict[str, dict[str, int]]:
    """Each fault so many times; prints what became of the logs."""
    table = {}
    with tempfile.TemporaryDirectory() as folder:
        for fault in FAULTS:
            sums = {"right": 0, "doubted": 0, "refused": 0, "wrong": 0}
            for k in range(count):
                verdict, said = one(fault, first + k, Path(folder))
                sums[verdict] += 1
                if verdict == "wrong":
                    print(f"  {fault}, log {first + k}: {said[:300]}", flush=True)
            table[fault] = sums
            print(f"{fault:32}" + ", ".join(f"{v} {k}" for k, v in sums.items()), flush=True)
    return table


def noise(positions: int = 20_000) -> list[tuple[float, float, float, float]]:
    """(dB, theory, measured, shortfall in dB) from 0 to 20 dB; prints them."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for decibels in range(0, 21, 2):
            rate = measured(decibels, positions, decibels, Path(folder))
            expected = theory(decibels)
            short = shortfall(rate, decibels) if rate * positions >= 10 else 0.0
            rows.append((decibels, expected, rate, short))
            print(
                f"{decibels:3d} dB  theory {expected:.3e}  measured {rate:.3e}"
                + (
                    f"  short by {short:+.2f} dB"
                    if rate * positions >= 10
                    else "  (too few to say)"
                ),
                flush=True,
            )
    return rows


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]]
    noise(given[1] if len(given) > 1 else 20_000)
    faults(given[0] if given else 200)
