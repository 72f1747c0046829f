"""`python -m tests.fuzz [CASES] [--kinds LIST] [--first N] [--case KIND:SEED]`: a long run.

Prints each case that ends wrongly, and at the end or when it is stopped how many of each kind ran,
how long they took, and the slowest ones. Kinds take part by their `SHARES`. `--case` runs one and
shows its command. `--serve` answers lines of JSON on standard input: a case as a text, or the
words of a command as a list.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import heapq
import json
import os
import signal
import sys
import tempfile
from pathlib import Path

from tests.fuzz.corpus import COMMANDS, SHARES
from tests.fuzz.runner import Case, Fuzzer, warm

SLOWEST = 10
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
"""Not ext4, which writes a file that was emptied to the disk as it is closed, which takes 5 ms."""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("cases", nargs="?", type=int, default=10_000)
    parser.add_argument("--kinds", default=",".join(COMMANDS))
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--case")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--serve", action="store_true")
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="fuzz-", dir=MEMORY))
    warm()
    fuzzer = Fuzzer(folder)
    if given.serve:
        for line in sys.stdin:
            asked = json.loads(line)
            fault = (
                fuzzer.fault(Case.of(asked)) if isinstance(asked, str) else fuzzer.fault_of(asked)
            )
            print(json.dumps(fault), flush=True)
        return 0
    if given.case:
        case = Case.of(given.case)
        print(folder, fuzzer.words(case))
        print(fuzzer.fault_of(fuzzer.words(case)) or "well ended")
        print((folder / ".err").read_text(errors="replace")[-3000:])
        return 0
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    turn = [kind for kind in given.kinds.split(",") for _ in range(SHARES[kind])]
    found: collections.Counter[str] = collections.Counter()
    times = {kind: list[float]() for kind in turn}
    slowest = list[tuple[float, str]]()
    with contextlib.suppress(KeyboardInterrupt):
        for k in range(given.first, given.first + given.cases):
            kind = turn[k % len(turn)]
            nth = k % len(turn) - turn.index(kind)
            case = Case(kind, k // len(turn) * SHARES[kind] + nth)
            fault = fuzzer.fault(case)
            times[kind].append(fuzzer.used)
            slowest = heapq.nlargest(SLOWEST, [*slowest, (fuzzer.used, str(case))])
            if fault:
                found[fault.split(":")[0]] += 1
                print(f"{case}  {fault}", flush=True)
    for kind, each in times.items():
        print(
            f"{kind:10} {len(each):9,} cases, {1000 * sum(each) / max(1, len(each)):6.1f} ms each"
        )
    print("slowest:", ", ".join(f"{name} {used:.1f} s" for used, name in slowest))
    done = sum(map(len, times.values()))
    print(f"{done:,} cases, {sum(found.values())} ended wrongly: {dict(found)}")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
