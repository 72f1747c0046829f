"""`python -m tests.fuzz [CASES] [--kinds LIST] [--first N] [--case KIND:SEED]`: a long run.

Prints each case that ends wrongly, and at the end or after Ctrl-C how many of each kind did.
`--case` runs one and shows its command. `--serve` answers lines of JSON on standard input: a case
as a text, or the words of a command as a list.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import json
import sys
import tempfile
from pathlib import Path

from tests.fuzz.corpus import COMMANDS
from tests.fuzz.runner import Case, Fuzzer, warm


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("cases", nargs="?", type=int, default=10_000)
    parser.add_argument("--kinds", default=",".join(COMMANDS))
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--case")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--serve", action="store_true")
    given = parser.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="fuzz-"))
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
        print(fuzzer.fault(case) or "well ended")
        print((folder / ".err").read_text(errors="replace")[-3000:])
        return 0
    kinds = given.kinds.split(",")
    found: collections.Counter[str] = collections.Counter()
    done = 0
    with contextlib.suppress(KeyboardInterrupt):
        for k in range(given.first, given.first + given.cases):
            case = Case(kinds[k % len(kinds)], k // len(kinds))
            fault = fuzzer.fault(case)
            done += 1
            if fault:
                found[fault.split(":")[0]] += 1
                print(f"{case}  {fault}", flush=True)
    print(f"{done:,} cases, {sum(found.values())} ended wrongly: {dict(found)}")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
