"""Threads that ask for settings at once, in a process that has asked for none before."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.nightly import late

PROGRAM = """
import sys
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

from sonify.settings import convert
from sonify.performance_settings import Setup

sys.setswitchinterval(1e-6)
together = Barrier(8)

def work(n):
    together.wait()
    return convert({"player": {"rpm": n + 1.0}}, Setup).player.rpm

with ThreadPoolExecutor(8) as pool:
    assert list(pool.map(work, range(8))) == [n + 1.0 for n in range(8)]
"""


@pytest.mark.parametrize("processes", [3, late(10)])
def test_settings_are_safe_to_convert_in_many_threads_of_a_fresh_process(processes: int) -> None:
    for _ in range(processes):
        subprocess.run([sys.executable, "-c", PROGRAM], check=True)
