"""The core works without the extras; what needs one names the command that installs it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import mido
import pytest
from PIL import Image

from sonify.extras import EXTRAS

ROOT = Path(__file__).parents[1]
OPTIONAL = sorted({m for names in EXTRAS.values() for m in names} | {"midirenderer", "miniaudio"})

BARE = f"""
import sys
sys.modules.update(dict.fromkeys({OPTIONAL!r}))
"""
"""What Python runs at its start, as if no extra were installed: also in processes of a command."""

DISTRIBUTION_OF = {
    "cv2": "opencv-python-headless", "fpdf": "fpdf2", "pretty_midi": "pretty_midi",
    "resvg_py": "resvg-py", "fontTools": None,
}  # fmt: skip
"""The name on the package index, where it is another; fontTools comes with fpdf2 and ezdxf."""


def run(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    start = folder / "start"
    start.mkdir(exist_ok=True)
    (start / "sitecustomize.py").write_text(BARE)
    paths = os.pathsep.join([str(start), str(ROOT)])
    return subprocess.run(
        [sys.executable, "-m", "sonify", *words], env=os.environ | {"PYTHONPATH": paths},
        cwd=folder, capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("bare")
    done = run(out, "encode", "HAIL BY NOON", "-o", "hail.toml")
    assert done.returncode == 0, done.stderr
    return out


def test_make_without_extras_leaves_out_only_the_sound(folder: Path) -> None:
    done = run(folder, "make", "hail.toml", "-o", "made")
    assert done.returncode == 0, done.stderr
    assert "no sound: this needs packages that are not installed (av, pretty_midi)" in done.stderr
    assert sorted(p.name for p in (folder / "made").iterdir()) == [
        "hail-lights.gif", "hail-message.gif", "hail.mid",
    ]  # fmt: skip
    assert len(mido.MidiFile(folder / "made/hail.mid").tracks) > 1
    with Image.open(folder / "made/hail-lights.gif") as picture:
        assert picture.n_frames > 1


@pytest.mark.parametrize(
    "words",
    [
        "message hail.toml -o m.webp",
        "lights hail.toml -o l.png",
        "draw hail.toml -o hail.svg",
        "draw hail.toml -o hail.csv",
        "inspect hail.toml",
        "firmware cairn-middle -o player",
        "edit hail.toml 'flip 1:3' -o other.toml",
        "presets",
        "presets --discs",
    ],
)
def test_the_core_needs_no_extra(folder: Path, words: str) -> None:
    done = run(folder, *(w.strip("'") for w in re.findall(r"'[^']*'|\S+", words)))
    assert done.returncode == 0, done.stderr


def test_drawings_and_music_are_read_without_extras(folder: Path) -> None:
    assert run(folder, "draw", "hail.toml", "-o", "again.svg").returncode == 0
    done = run(folder, "read", "again.svg")
    assert done.returncode == 0, done.stderr
    assert "HAIL BY NOON" in done.stdout
    assert run(folder, "midi", "hail.toml", "-p", "usual", "-o", "hail.mid").returncode == 0
    done = run(folder, "compare", "hail.toml", "hail.mid", "-p", "usual", "-o", "report.png")
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("words", "extra"),
    [
        ("sound hail.toml", "sound"),
        ("make hail.toml --only sound", "sound"),
        ("clip hail.toml", "video"),
        ("score hail.toml", "score"),
        ("explain hail.toml", "score"),
        ("draw hail.toml -o hail.dxf", "drawing"),
        ("draw hail.toml -o hail.pdf", "drawing"),
        ("draw hail.toml -o hail.png", "photo"),
        ("read photo.jpg", "photo"),
        ("compare hail.toml photo.jpg", "photo"),
        ("studio hail.toml", "studio"),
    ],
)
def test_what_is_missing_is_named_with_the_command_that_adds_it(
    folder: Path, words: str, extra: str
) -> None:
    Image.new("RGB", (640, 480)).save(folder / "photo.jpg")
    done = run(folder, *words.split())
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert f"run: pip install 'sonify[{extra}]'" in done.stderr


def test_the_table_has_what_the_extras_install() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras: dict[str, list[str]] = project["optional-dependencies"]

    def names(extra: str) -> set[str]:
        out: set[str] = set()
        for line in extras[extra]:
            name = re.split(r"[\s>;]", line, maxsplit=1)[0]
            own = re.fullmatch(r"sonify\[(.*)\]", name)
            out |= set().union(*map(names, own[1].split(","))) if own else {name}
        return out

    for extra, modules in EXTRAS.items():
        wanted = {DISTRIBUTION_OF.get(m, m) for m in modules} - {None}
        assert wanted <= names(extra), extra
    assert set(EXTRAS) | {"all", "test"} <= set(extras)
