"""Statistics of `sonify compare`: each fault at each strength, MIDI and log, and clean takes.

    python -m tests.benchmarks.takes [faulty of each] [clean ones] [log] [midi] [fault ...] [-v]

Prints a table: of the wrong bits, how many were found at their place and how many were accused
that were right; how often the right cause came first; the worst error of speed; the worst error of
the usual time from row to row, and the share of single ones within 5 ms. Last, in how many takes
just one bit is wrong: there no pattern tells one cause from another (a flash of light that meets
one hole looks like a blocked one), and the cause named first can only be the commonest.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from sonify.errors import InputError
from tests.recover.diagnosis.faults import FAULTS, judge, make

NEAR = ("threshold", "off centre")
"""Faults whose logs are compared once more with how the machine samples told."""


def run(
    fault: str | None, strength: int, kind: str, count: int, folder: Path, loud: bool, told: bool
) -> list:
    out = []
    for seed in range(count):
        show, recording = make(fault, strength, seed)
        try:
            one, _ = judge(show, recording, kind, folder, told)
        except InputError as e:
            print("   not read:", fault, strength, kind, seed, e)
            continue
        out.append(one)
        cause = FAULTS[fault][0] if fault else ""
        if loud and (
            one.first != cause
            or one.right != one.true
            or one.found != one.right
            or abs(one.rpm_error) > 1e-3
            or one.stage_error_s > 5e-3
        ):
            start = show.setup.player.row_start[:5]
            print(
                f"   {fault} {strength} {kind} {seed} {show.disc.name[6:]} {start}: true {one.true}"
                f" found {one.found} right {one.right} rpm {100 * one.rpm_error:.3f} % stage "
                f"{1000 * one.stage_error_s:.1f} ms: {one.said}"
            )
    return out


def row(name: str, kind: str, outcomes: list, count: int, cause: str) -> str:
    true = sum(o.true for o in outcomes)
    right = sum(o.right for o in outcomes)
    share = f"{100 * right / true:6.2f} %" if true else "       -"
    accused = sum(o.found - o.right for o in outcomes)
    first = sum(o.first == cause for o in outcomes)
    rpm = max((abs(o.rpm_error) for o in outcomes), default=float("nan"))
    stage = np.nanmax([o.usual_error_s for o in outcomes]) if outcomes else float("nan")
    changes = sum(o.changes for o in outcomes)
    single = sum(o.true == 1 for o in outcomes)
    within = 100 * sum(o.changes_right for o in outcomes) / max(1, changes)
    return (
        f"{name:<36} {kind:<5} {len(outcomes):>4}/{count:<4} {true:>6} {share} {accused:>6} "
        f"{first:>5} {100 * rpm:>8.4f} % {1000 * stage:>7.1f} ms {within:>6.1f} % "
        f"{single:>7}"
    )


def main() -> None:
    loud = "-v" in sys.argv
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    words = [a for a in sys.argv[1:] if not a.isdigit() and a not in ("-v", "log", "midi")]
    kinds = [a for a in sys.argv[1:] if a in ("log", "midi")] or ["log", "midi"]
    count = numbers[0] if numbers else 50
    clean = numbers[1] if len(numbers) > 1 else 200
    print(
        f"{'fault':<36} {'recording':<5} {'takes':>9} {'wrong':>6} {'found':>8} {'accused':>6} "
        f"{'cause':>5} {'speed':>10} {'stage':>10} {'< 5 ms':>8} "
        f"{'one bit':>7}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind in kinds:
            if clean:
                outcomes = run(None, 0, kind, clean, folder, loud, False)
                print(row("clean", kind, outcomes, clean, ""), flush=True)
            for fault, (cause, _, strengths) in FAULTS.items():
                if words and fault not in words:
                    continue
                if kind == "log" and fault == "wire":
                    continue
                for k, strength in enumerate(strengths):
                    # how the machine samples matters to what lies near its threshold
                    ways = (False, True) if kind == "log" and fault in NEAR else (False,)
                    for told in ways:
                        outcomes = run(fault, k, kind, count, folder, loud, told)
                        name = f"{fault}, {strength}" + " (told)" * told
                        print(row(name, kind, outcomes, count, cause), flush=True)


if __name__ == "__main__":
    main()
