"""What is built and what installing it gives: pip, pipx, uv and an sdist, on each Python there is.

These need a package index, so they run where `SONIFY_TEST_INSTALL=1` is set, as CI does.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from tests.nightly import nightly

ROOT = Path(__file__).parents[1]
SUPPORTED = ("3.11", "3.12", "3.13", "3.14")
MOST_WHEEL = 1_570_000
"""Bytes of the wheel: `DEVELOPERS.md` says what the least would be."""
MOST_CORE = 90_000_000
"""Bytes of an environment with sonify and no extra, without the byte code that Python adds."""
MOST_EVERYTHING = 450_000_000
"""The same with all extras: `DEVELOPERS.md` says what takes it."""

pytestmark = [
    pytest.mark.install,
    pytest.mark.skipif(
        os.environ.get("SONIFY_TEST_INSTALL") != "1",
        reason="needs a package index: SONIFY_TEST_INSTALL=1 runs it",
    ),
]


def python(version: str) -> str | None:
    """An interpreter of this version: on the path, of pyenv, or of uv."""
    tried = [shutil.which(f"python{version}")]
    tried += map(str, Path.home().glob(f".pyenv/versions/{version}.*/bin/python"))
    tried += map(str, Path.home().glob(f".local/share/uv/python/cpython-{version}.*/bin/python"))
    ask = "import sys; print('%d.%d' % sys.version_info[:2])"
    for one in filter(None, tried):
        # pyenv's names on the path may stand for no interpreter
        done = subprocess.run([one, "-c", ask], capture_output=True, text=True, check=False)
        if done.stdout.strip() == version:
            return one
    return None


PYTHONS = {v: one for v in SUPPORTED if (one := python(v))}
"""The interpreters that this machine has."""


def on_one(which: int) -> pytest.MarkDecorator:
    """Each interpreter, of which one runs always: another for each tool."""
    always = which % max(1, len(PYTHONS))
    cases = [
        version if k == always else pytest.param(version, marks=nightly)
        for k, version in enumerate(PYTHONS)
    ]
    return pytest.mark.parametrize("version", cases)


def run(*words: str | Path, cwd: Path | None = None, **more: str) -> str:
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"} | more
    done = subprocess.run(
        [str(w) for w in words], capture_output=True, text=True, env=env, cwd=cwd, check=False
    )
    assert done.returncode == 0, f"{words}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
    return done.stdout


def size(folder: Path) -> int:
    files = (p for p in folder.rglob("*") if not p.is_dir() and p.suffix != ".pyc")
    return sum(p.lstat().st_size for p in files)


def makes(sonify: Path, folder: Path) -> None:
    """What the README's first command makes, without sound."""
    folder.mkdir()
    run(sonify, "make", "cairn-small", "-o", "out", cwd=folder)
    made = sorted(p.name for p in (folder / "out").iterdir())
    assert made == ["cairn-small-lights.gif", "cairn-small-message.gif", "cairn-small.mid"]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The wheel and the sdist."""
    out = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "hatchling", "build", "-d", out, cwd=ROOT)
    (wheel,), (sdist,) = out.glob("*.whl"), out.glob("*.tar.gz")
    return wheel, sdist


def test_the_wheel_holds_what_runs_and_nothing_else(built: tuple[Path, Path]) -> None:
    wheel, _ = built
    with zipfile.ZipFile(wheel) as z:
        names = z.namelist()
        (metadata,) = (n for n in names if n.endswith("/METADATA"))
        text = z.read(metadata).decode()
    assert wheel.stat().st_size <= MOST_WHEEL
    assert all(re.match(r"sonify(-[^/]*\.dist-info)?/", n) for n in names)
    assert not [n for n in names if re.search(r"\.(pyc|jpg|mp4|wav|sf2|map)$|(^|/)tests?/", n)]
    assert "License-Expression: MIT" in text
    assert "sonify maintainers" in text
    # a package index has no files beside the text
    shown = text.partition("\n\n")[2]
    assert re.findall(r"\]\((?!https?://|#)[^)]*\)", shown) == []


def test_the_sdist_builds_the_same_wheel(built: tuple[Path, Path], tmp_path: Path) -> None:
    wheel, sdist = built
    with tarfile.open(sdist) as t:
        t.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path / "dist",
        cwd=source)  # fmt: skip
    with zipfile.ZipFile(wheel) as a, zipfile.ZipFile(tmp_path / "dist" / wheel.name) as b:
        assert {n: a.getinfo(n).CRC for n in a.namelist()} == {
            n: b.getinfo(n).CRC for n in b.namelist()
        }


@on_one(0)
def test_pip(version: str, built: tuple[Path, Path], tmp_path: Path) -> None:
    run(PYTHONS[version], "-m", "venv", "--without-pip", tmp_path / "env")
    own = tmp_path / "env/bin/python"
    run(sys.executable, "-m", "pip", "--python", own, "install", "-q", built[0])
    assert size(tmp_path / "env") <= MOST_CORE
    makes(tmp_path / "env/bin/sonify", tmp_path / "work")


def test_pip_from_the_sdist(built: tuple[Path, Path], tmp_path: Path) -> None:
    run(sys.executable, "-m", "venv", "--without-pip", tmp_path / "env")
    own = tmp_path / "env/bin/python"
    run(sys.executable, "-m", "pip", "--python", own, "install", "-q", built[1])
    makes(tmp_path / "env/bin/sonify", tmp_path / "work")


def test_all_extras(built: tuple[Path, Path], tmp_path: Path) -> None:
    run(sys.executable, "-m", "venv", "--without-pip", tmp_path / "env")
    own = tmp_path / "env/bin/python"
    run(sys.executable, "-m", "uv", "pip", "install", "-p", own, f"{built[0]}[all]")
    assert size(tmp_path / "env") <= MOST_EVERYTHING


@on_one(1)
def test_pipx(version: str, built: tuple[Path, Path], tmp_path: Path) -> None:
    run(
        sys.executable, "-m", "pipx", "install", "--python", PYTHONS[version], built[0],
        PIPX_HOME=str(tmp_path / "pipx"), PIPX_BIN_DIR=str(tmp_path / "bin"),
        PIPX_MAN_DIR=str(tmp_path / "man"),
    )  # fmt: skip
    makes(tmp_path / "bin/sonify", tmp_path / "work")


@on_one(-1)
def test_uv(version: str, built: tuple[Path, Path], tmp_path: Path) -> None:
    run(
        sys.executable, "-m", "uv", "tool", "install", "--python", PYTHONS[version],
        built[0], UV_TOOL_DIR=str(tmp_path / "tools"), UV_TOOL_BIN_DIR=str(tmp_path / "bin"),
    )  # fmt: skip
    makes(tmp_path / "bin/sonify", tmp_path / "work")
