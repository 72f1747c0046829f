"""A plugin of pytest: the tests that took the most processor time, child processes included.

`python -m pytest -p tests.processor_time -n 1 PATHS`. On a busy machine, the clock on the wall says
little. A browser, or a server that many tests share, counts for the test that ends it.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

SHOWN = 25
_before = 0.0


def _spent() -> float:
    """Processor seconds of this process and of its children that have ended."""
    return sum(os.times()[:4])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    global _before
    report = yield
    now = _spent()
    report.processor_s = now - _before
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
