"""Every kind of output has the same bytes on any machine, whatever its settings.

This holds in every run; that one process makes the same twice is tested nightly, kind by kind.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import golden
from tests.nightly import nightly

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="limits the processors as Linux does"
)

LOCALES = {"tr_TR": "ISO-8859-9", "de_DE": "ISO-8859-1"}


@pytest.fixture(scope="module")
def locales(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the locales: Turkish, where I is not the capital of i, and German."""
    folder = tmp_path_factory.mktemp("locales")
    try:
        for name, letters in LOCALES.items():
            command = ["localedef", "-i", name, "-f", letters, str(folder / f"{name}.{letters}")]
            subprocess.run(command, check=True, capture_output=True)
    except FileNotFoundError:
        pytest.skip("Debian's locales is not installed")
    return folder


PLACES = {
    "tr_TR": {"PYTHONHASHSEED": "random", "TZ": "Pacific/Chatham"},
    "de_DE": {"PYTHONHASHSEED": "1", "TZ": "America/St_Johns"},
}


@pytest.mark.parametrize(
    ("locale", "workers", "cores"),
    [
        pytest.param("tr_TR", 4, 0, id="tr"),
        pytest.param("de_DE", 1, 1, id="de", marks=nightly),
    ],
)
def test_outputs_are_those_of_the_manifest(
    tmp_path: Path, locales: Path, locale: str, workers: int, cores: int
) -> None:
    """The manifest was made in the locale C, in UTC, with the seed 0 and two workers."""
    name = f"{locale}.{LOCALES[locale]}"
    env = PLACES[locale] | {"LOCPATH": str(locales), "LC_ALL": name, "LANG": name}
    check = [sys.executable, "-c", "import locale; print(locale.setlocale(0, ''))"]
    asked = subprocess.run(check, env=os.environ | env, capture_output=True, text=True, check=True)
    assert asked.stdout.strip() == name
    golden.make(tmp_path / "all", "--workers", str(workers), env=env, cores=cores)
    assert golden.differences(tmp_path / "all")[0] == []


def test_a_difference_is_seen(tmp_path: Path) -> None:
    """An output that is missing, and one whose bytes differ though no library does."""
    lines = golden.MANIFEST.read_text("utf-8").splitlines(keepends=True)
    digest = golden.digests(golden.MANIFEST)["bell-tower.mid"]
    text = "".join(lines[1:]).replace(digest, "0" * 64)
    (tmp_path / "manifest.jsonl").write_text(text, "utf-8")
    wrong, alike = golden.differences(tmp_path)
    assert set(wrong) == {"bell-tower.mid", "discs/plain.toml"}
    assert alike == []
