"""A plugin of pytest: the tests that took the most processor time, child processes included.

`python -m pytest -p tests.processor_time -n 1 PATHS`. On a busy machine, the clock on the wall says
little. A browser or a server that many tests share counts for the test during which it works.
"""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

SHOWN = 25
_before = 0.0


def _spent() -> float:
    """Processor seconds of this process and of all that it started, whether or not they ended."""
    spent = sum(os.times()[:4])
    for one in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):
            spent += sum(one.cpu_times()[:4])
    return spent


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    global _before
    report = yield
    now = _spent()
    # what a browser's own processes took is lost as it ends
    report.processor_s = max(0.0, now - _before)
    _before = now
    return report


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    tests: Counter[str] = Counter()
    for reports in terminalreporter.stats.values():
        for report in reports:
            tests[getattr(report, "nodeid", "")] += getattr(report, "processor_s", 0.0)
    files: Counter[str] = Counter()
    for test, spent in tests.items():
        files[str(Path(test.partition("::")[0]))] += spent
    terminalreporter.section(f"processor time: {sum(tests.values()):.0f} s")
    for table in (files, tests):
        for name, spent in table.most_common(SHOWN):
            terminalreporter.line(f"{spent:8.2f} s  {name}")
        terminalreporter.line("")
