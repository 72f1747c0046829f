"""Tests of single modules of the page, by node's test runner."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

TESTS = sorted((Path(__file__).parent / "scripts").glob("*.test.js"))


def told(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, capture_output=True, text=True, timeout=300)


@pytest.fixture(scope="module")
def node() -> str:
    found = shutil.which("node")
    if found is None or int(told(found, "--version").stdout[1:].split(".")[0]) < 20:
        pytest.skip("node, 20 or newer, which tests the page's modules, is not installed")
    return found


@pytest.mark.parametrize("script", TESTS, ids=lambda path: path.stem.removesuffix(".test"))
def test_module(node: str, script: Path) -> None:
    got = told(node, str(script))
    assert got.returncode == 0, got.stdout + got.stderr
    assert re.search(r"^# pass [1-9]", got.stdout, re.M), got.stdout
