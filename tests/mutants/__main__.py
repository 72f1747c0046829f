"""`python -m tests.mutants [FOLDER ...] [--count N] [--seed N]`: the share of mutants killed.

Each mutant is put into a copy of the tree, and the tests of its folder run until one fails. A
mutant is killed too if they take many times the processor time that they usually do. Folders:
those of `TESTS`.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.mutants import Mutant, sample

ROOT = Path(__file__).parents[2]
TESTS = {
    "disc": ["tests/disc"],
    "disc_player": ["tests/disc_player", "tests/test_agreement.py", "tests/music/test_pace.py"],
    "midi": [
        "tests/midi",
        "tests/export/test_midi.py",
        "tests/music/test_bends.py",
        "tests/music/test_wire.py",
    ],
    # a rule's `follow` is what the firmware asks
    "music": ["tests/music", "tests/export/test_firmware.py"],
}
"""The tests of each folder."""
MOST_S = 900
"""Processor seconds after which a mutant's tests count as hanging."""


def copy(folder: Path) -> None:
    """What the tests need of the tree."""
    for name in ("sonify", "tests", "presets", "examples", "docs"):
        shutil.copytree(
            ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", "world")
        )
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, folder)


def failed(folder: Path, tests: list[str]) -> str:
    """What shows that the tests fail in a copy: a test's name; empty if all of them pass."""
    # byte code is known by the second of its source, and a mutant may follow another in the same
    for kept in list((folder / "sonify").rglob("__pycache__")):
        shutil.rmtree(kept)
    limit = lambda: resource.setrlimit(resource.RLIMIT_CPU, (MOST_S, MOST_S + 5))  # noqa: E731
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", *tests],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(folder)},
        capture_output=True, text=True, errors="replace", preexec_fn=limit,
    )  # fmt: skip
    if not done.returncode:
        return ""
    told = [x for x in done.stdout.splitlines() if x.startswith(("FAILED", "ERROR"))]
    return told[0][:100] if told else f"exit status {done.returncode}"


def nearest(mutant: Mutant, tests: list[str]) -> list[str]:
    """The same tests, those that name the mutant's module first: they are likeliest to fail."""
    files = [f for t in tests for f in ([ROOT / t] if t.endswith(".py") else
                                        sorted((ROOT / t).rglob("test_*.py")))]  # fmt: skip
    stem = mutant.path.stem
    return [
        str(f.relative_to(ROOT))
        for f in sorted(files, key=lambda f: stem not in f.read_text("utf-8"))
    ]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("folders", nargs="*", default=list(TESTS))
    parser.add_argument("--count", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for name in given.folders:
        chosen = sample(ROOT / "sonify" / name, given.count, given.seed)
        survived = 0
        with tempfile.TemporaryDirectory() as temporary:
            folder = Path(temporary)
            copy(folder)
            for mutant in chosen:
                place = folder / mutant.path.relative_to(ROOT)
                usual = place.read_text("utf-8")
                place.write_text(mutant.text, "utf-8")
                why = failed(folder, nearest(mutant, TESTS[name]))
                place.write_text(usual, "utf-8")
                survived += not why
                print(f"{'killed  ' if why else 'SURVIVED'} {mutant}\n         {why}", flush=True)
        print(f"{name}: {len(chosen) - survived} of {len(chosen)} killed", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
