"""Fixtures that many tests use."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)
"""How the tests start Debian's Chromium."""


# the user's own defaults are none of the tests' business
os.environ["SONIFY_CONFIG"] = ""
# compiling takes most of the time of a short process: byte code is kept, as it usually is
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# a shell's background job ignores Ctrl-C, and so would all that it starts
signal.signal(signal.SIGINT, signal.default_int_handler)


def _no_skips() -> bool:
    return os.environ.get("SONIFY_TEST_ALL") == "1"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    """Where everything is installed, a test that skips itself has failed."""
    report = yield
    if _no_skips() and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, and here it must run: {report.longrepr}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Iterator[None]:
    """The same for whole files."""
    report = yield
    if _no_skips() and report.skipped:
        report.outcome = "failed"
        report.longrepr = f"{collector.nodeid} was skipped, and here it must run"
    return report


@pytest.fixture(scope="session")
def playwright() -> Iterator[Any]:
    """One for all tests of a process, as it can't be begun twice."""
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as p:
        yield p


def _launched(playwright: Any, name: str) -> Any:
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"Debian's {name} is not installed")
    return playwright.chromium.launch(executable_path=path, args=list(CHROMIUM))


@pytest.fixture(scope="session")
def browser(playwright: Any) -> Iterator[Any]:
    """Chromium's engine without its own windows, forms and passwords, which take 0.5 s of a visit's
    1.4 s of processor time; where there is none, Chromium."""
    shell = "chromium-headless-shell"
    one = _launched(playwright, shell if shutil.which(shell) else "chromium")
    yield one
    one.close()


@pytest.fixture(scope="session")
def whole_browser(playwright: Any) -> Iterator[Any]:
    """Debian's Chromium, as people use it."""
    one = _launched(playwright, "chromium")
    yield one
    one.close()


@dataclass
class Result:
    """What a command did."""

    status: int
    out: str
    err: str


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Result]:
    """Run the command line in this process: `run("midi", "cairn-small")`."""

    def call(*args: object) -> Result:
        from sonify.cli.app import main

        monkeypatch.setattr(sys, "argv", ["sonify", *map(str, args)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as e:
            main()
        text = capsys.readouterr()
        return Result(int(e.value.code or 0), text.out, text.err)

    return call


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that any user may enter (pytest's own are for one user only)."""
    path = Path(tempfile.mkdtemp())
    path.chmod(0o755)
    yield path
    shutil.rmtree(path, ignore_errors=True)


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Without the rights of root, for whom every file is open."""
    if os.geteuid():
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def nobody() -> Callable[[], contextlib.AbstractContextManager[None]]:
    """`with nobody(): ...` runs without the rights of root."""
    return as_nobody


@pytest.fixture
def full_disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], None]:
    """Make the next file written beside a path land on a full device."""
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full to stand in for a full disk")

    def fill(path: Path) -> None:
        monkeypatch.setattr("sonify.atomic._unnamed", lambda folder: None)
        monkeypatch.setattr("sonify.atomic._mark", lambda: "full")
        path.with_name(f".{path.stem[:40]}-full{path.suffix}").symlink_to("/dev/full")

    return fill
