"""Tests of single modules of the page, by node's test runner."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

TESTS = sorted((Path(__file__).parent / "scripts").glob("*.test.js"))


@pytest.mark.parametrize("script", TESTS, ids=lambda path: path.stem.removesuffix(".test"))
def test_module(script: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("node (20 or newer), which tests the page's modules, is not installed")
    got = subprocess.run([node, "--test", str(script)], capture_output=True, text=True, timeout=120)
    assert got.returncode == 0, got.stdout + got.stderr
