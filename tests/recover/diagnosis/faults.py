"""Faults at several strengths, and recordings with them: what the statistics are made of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import sonify
from sonify.recover.diagnosis import Comparison, compare
from tests.recover.diagnosis.machine import Machine, Recording

DISCS = ("cairn-middle", "cairn-wire")
PLAYERS = {
    "index": {"rpm": 10.0, "stage": 0.8, "settle": 0.2},
    "next-position": {"rpm": 24.0, "stage": 0.25, "settle": 0.05},
}

Settings = dict[str, Any]
Maker = Callable[[np.random.Generator, np.ndarray, str, int], Settings]


def _holes(rng: np.random.Generator, grid: np.ndarray, start: str, strength: int) -> Settings:
    out: Settings = {"blocked": set(), "torn": set()}
    for row in rng.choice(len(grid), strength + 1, replace=False).tolist():
        p = int(rng.integers(0, grid.shape[1]))
        out["blocked" if grid[row, p] else "torn"].add((row, p))
    return out


def _place(rng: np.random.Generator, grid: np.ndarray, strength: int) -> int:
    third = grid.shape[1] // 3
    return int(rng.integers(0, third)) + third * (2 - strength)


def _rows(rng: np.random.Generator, grid: np.ndarray, start: str, strength: int) -> Settings:
    many = (1, 2, 3)[strength]
    first = int(rng.integers(2, len(grid) - many - 1))
    way = int(rng.choice([-1, 1]))
    return {"stage_error": {first + k: float(way) for k in range(many)}}


def _beside(rng: np.random.Generator, grid: np.ndarray, start: str, strength: int) -> Settings:
    row = int(rng.integers(1, len(grid)))
    return {"stage_error": {row: (0.29, 0.31, 0.34)[strength] * float(rng.choice([-1, 1]))}}


SWING = 2.5  # volts between holes and material


def _light(rng: np.random.Generator, grid: np.ndarray, start: str, strength: int) -> Settings:
    """A lamp that shines on the detector for part of a row, or for several rows."""
    turn = 60 / PLAYERS[start]["rpm"]
    reading = turn * len(grid) * (2.0 if start == "index" else 1.1)
    long = (0.2 * turn, 0.5 * turn, 1.2 * turn, reading * rng.uniform(0.25, 0.4))[strength]
    volts = (2.0, 1.5, 1.9, 2.4)[strength]
    out: Settings = {"ambient": volts, "ambient_for": long}
    if strength == 3:
        return out | {"ambient_from": rng.uniform(0.15, 0.5) * reading}
    # light that falls while nothing is read does no harm
    latest = (0.8, 0.5, 0.9)[strength]
    row = int(rng.integers(1, len(grid) - 1))
    return out | {"ambient_row": row, "ambient_share": float(rng.uniform(0, latest))}


def _threshold(rng: np.random.Generator, grid: np.ndarray, start: str, strength: int) -> Settings:
    low = rng.random() < 0.5
    level = (0.95, 0.85, 0.75)[strength % 3] if low else (2.55, 2.65, 2.75)[strength % 3]
    share = 0.03 if strength < 3 else 0.05
    return {"spread": 0.35, "noise": share * SWING, "threshold": level}


FAULTS: dict[str, tuple[str, Maker, tuple[str, ...]]] = {
    "hole": ("hole", _holes, ("1 place", "2 places", "3 places")),
    "clock missing": (
        "clock-missing",
        lambda rng, g, s, k: {"clock_missing": {_place(rng, g, k)}},
        ("late in the row", "in its middle", "early"),
    ),
    "clock doubled": (
        "clock-doubled",
        lambda rng, g, s, k: {"clock_doubled": {_place(rng, g, k)}},
        ("late in the row", "in its middle", "early"),
    ),
    "stage, a row off": ("stage", _rows, ("1 row", "2 rows", "3 rows")),
    "stage, beside its row": ("stage", _beside, ("0.29 pitch", "0.31 pitch", "0.34 pitch")),
    "threshold": (
        "threshold",
        _threshold,
        (
            "weak, 3 % noise",
            "middle, 3 %",
            "strong, 3 %",
            "weak, 5 %",
            "middle, 5 %",
            "strong, 5 %",
        ),
    ),
    "ambient light": (
        "ambient-light",
        _light,
        ("a fifth of a row", "half a row", "a row and more", "several rows"),
    ),
    "off centre": (
        "off-centre",
        lambda rng, g, s, k: {"off_centre": (0.3, 0.33, 0.36)[k]},
        ("0.30 pitch", "0.33 pitch", "0.36 pitch"),
    ),
    "slow start": (
        "slow-start",
        lambda rng, g, s, k: {"slow_start": (0.3, 0.45, 0.6)[k], "slow_for": 2.0},
        ("70 % speed", "55 % speed", "40 % speed"),
    ),
    "sense reversed": (
        "inverted",
        lambda rng, g, s, k: {"inverted": True, "noise": (0.05, 0.15, 0.3)[k]},
        ("0.05 V noise", "0.15 V", "0.3 V"),
    ),
    "turning the other way": (
        "turned",
        lambda rng, g, s, k: {"turned": True, "noise": (0.05, 0.15, 0.3)[k]},
        ("0.05 V noise", "0.15 V", "0.3 V"),
    ),
    "bit order": (
        "bit-order",
        lambda rng, g, s, k: {"bits_turned": True, "noise": (0.05, 0.15, 0.3)[k]},
        ("0.05 V noise", "0.15 V", "0.3 V"),
    ),
    "wire": (
        "wire",
        lambda rng, g, s, k: {"lost": (0.1, 0.2, 0.35)[k]},
        ("10 % lost", "20 % lost", "35 % lost"),
    ),
}
"""Name of a fault: the cause that should come first, how to make it, its strengths."""


@dataclass
class Outcome:
    """One recording, judged."""

    true: int
    found: int
    right: int
    first: str
    rpm_error: float
    stage_error_s: float
    said: str = ""
    usual_error_s: float = 0.0
    changes: int = 0
    changes_right: int = 0


def make(
    fault: str | None, strength: int, seed: int, natural: bool = True
) -> tuple[sonify.Performance, Recording]:
    """A recording with a fault (None for a clean one), and the performance it should have been."""
    rng = np.random.default_rng([seed, strength, sorted(FAULTS).index(fault) if fault else 99])
    name = DISCS[int(rng.integers(0, len(DISCS)))]
    start = str(rng.choice(list(PLAYERS)))
    disc = sonify.load_disc(name)
    grid = np.array(disc.grid)
    profile = dict(PLAYERS[start])
    settings: Settings = dict(profile)
    if natural:
        # no machine is its profile
        settings["rpm"] = profile["rpm"] * (1 + rng.uniform(-0.03, 0.03))
        settings["drift"] = rng.uniform(-0.04, 0.04)
        settings["flutter"] = rng.uniform(0, 0.005)
        settings["delay"] = rng.uniform(-0.006, 0.006)
        settings["stage"] = profile["stage"] * (1 + rng.uniform(-0.1, 0.1))
    if fault is not None:
        settings |= FAULTS[fault][1](rng, grid, start, strength)
    machine = Machine(
        grid=grid.tolist(),
        unit_bits=disc.code.unit_bits,
        row_start=start,
        seed=int(rng.integers(0, 2**31)),
        **settings,
    )
    show = sonify.perform(
        disc,
        settings={
            "player.rpm": profile["rpm"],
            "player.row-start": start,
            "player.stage": profile["stage"],
            "player.settle": profile["settle"],
        },
    )
    return show, machine.run()


def judge(
    show: sonify.Performance, recording: Recording, kind: str, folder: Path, told: bool = False
) -> tuple[Outcome, Comparison]:
    """Compare a recording, and check the result; `told` also says how the machine samples."""
    if kind == "midi":
        path = recording.write_midi(folder / "recording.mid")
        seen = compare(show, path)
    else:
        path = recording.write_log(folder / "recording.npy")
        m = recording.machine
        how = {"sample_at": m.delay, "sample_width": 2 * m.sample_half} if told else {}
        seen = compare(show, path, threshold=m.threshold, **how)
    true = recording.errors() | (recording.lost_notes if kind == "midi" else set())
    found = {(int(e["row"]), int(e["position"])) for e in seen.errors}
    begin, end = np.nanmin(recording.times, axis=1), np.nanmax(recording.times, axis=1)
    change = begin[1:] - end[:-1]
    off = np.abs(seen.motion.change_s - change)
    off = off[np.isfinite(off)]
    return (
        Outcome(
            true=len(true),
            found=len(found),
            right=len(true & found),
            first=seen.causes[0].name if seen.causes else "",
            rpm_error=seen.motion.rpm / recording.rpm - 1,
            stage_error_s=float(off.max()) if len(off) else float("nan"),
            said=", ".join(f"{c.name} {c.probability:.2f}" for c in seen.causes[:3]),
            usual_error_s=float(np.median(off)) if len(off) else float("nan"),
            changes=len(off),
            changes_right=int((off < 5e-3).sum()),
        ),
        seen,
    )


__all__ = ["FAULTS", "Outcome", "judge", "make"]
