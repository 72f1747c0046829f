"""The example of a package that extends sonify, installed as its users would install it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "examples" / "plugin"


@pytest.fixture(scope="module")
def sonify_with(tmp_path_factory):
    """Runs the command line beside the installed example."""
    place = tmp_path_factory.mktemp("site")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation"]
    subprocess.run([*pip, "--target", str(place), str(EXAMPLE)], check=True)
    env = {**os.environ, "PYTHONPATH": f"{place}{os.pathsep}{ROOT}"}

    def run(*words, cwd):
        command = [sys.executable, "-m", "sonify", *map(str, words)]
        done = subprocess.run(command, capture_output=True, text=True, env=env, cwd=cwd)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return run


def test_scheme_rule_and_export(sonify_with, tmp_path):
    preset = EXAMPLE / "stairs.toml"
    made = sonify_with("make", "cairn-small", "-p", preset, "--only", "midi,notes", cwd=tmp_path)
    assert "cairn-small-notes.tsv" in made
    lines = (tmp_path / "out" / "cairn-small-notes.tsv").read_text().splitlines()
    head, *notes = (line.split("\t") for line in lines)
    assert head == ["onset_s", "pitch", "velocity"]
    facts = json.loads(sonify_with("inspect", "cairn-small", "-p", preset, "--json", cwd=tmp_path))
    assert len(notes) == facts["notes"] > 10
    # five degrees, and two ways to strike
    assert len({pitch for _, pitch, _ in notes}) <= 5
    assert len({velocity for _, _, velocity in notes}) == 2


def test_what_is_installed_is_listed(sonify_with, tmp_path):
    for what, name in (("schemes", "stairs"), ("rules", "stamp")):
        assert f"{name} " in sonify_with("presets", "--list", what, cwd=tmp_path)


def test_a_source_is_read_by_its_suffix(sonify_with, tmp_path):
    import sonify

    disc = sonify.encode("RIDGE CLEAR", check="parity")
    lines = [" ".join(str(p + 1) for p, bit in enumerate(row) if bit) for row in disc.grid.tolist()]
    (tmp_path / "a.holes").write_text("\n".join([str(disc.positions), *lines]))
    options = ["--alphabet", "ascii", "--check", "parity"]
    found = json.loads(sonify_with("read", "a.holes", "--json", *options, cwd=tmp_path))
    assert (found["kind"], found["message"]) == ("hole list", "RIDGE CLEAR")
    assert "RIDGE CLEAR" in sonify_with("read", "a.holes", *options, cwd=tmp_path)


def test_a_package_that_is_broken_is_named(monkeypatch):
    import importlib.metadata as metadata

    from sonify import plugins
    from sonify.errors import InputError

    point = metadata.EntryPoint("fog", "no_such_module:Fog", "sonify.rules")
    monkeypatch.setattr(metadata, "entry_points", lambda group: [point])
    plugins.plugged.cache_clear()
    with pytest.raises(InputError, match=r"offers 'fog' in sonify.rules, which can't be loaded"):
        plugins.plugged("rules")
    plugins.plugged.cache_clear()
