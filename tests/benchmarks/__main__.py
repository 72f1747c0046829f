"""All benchmarks, as ratios to something measured in the same run.

`python -m tests.benchmarks` runs all; names after it (`midi start gif`) run some.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path


def main() -> None:
    here = Path(__file__).parent
    names = sorted(p.stem.removeprefix("bench_") for p in here.glob("bench_*.py"))
    wanted = sys.argv[1:] or names
    for name in wanted:
        if name not in names:
            raise SystemExit(f"there is no benchmark '{name}'; some of: {', '.join(names)}")
    for name in wanted:
        module = importlib.import_module(f"tests.benchmarks.bench_{name}")
        if not hasattr(module, "run"):
            continue
        for title, ratio, remark in module.run():
            print(f"{name:<10} {title:<64} {ratio:>10.2f}  {remark}", flush=True)


if __name__ == "__main__":
    main()
