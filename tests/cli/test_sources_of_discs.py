"""A disc file, a project, a name and standard input, wherever a disc is given."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

import sonify
from tests.nightly import sampled_product

TEXT = "RIDGE CLEAR, WIND 4"


@pytest.fixture
def folder(tmp_path, monkeypatch, run):
    """A disc file, a drawing and a project of the same disc."""
    from sonify.cli.outputs import save_project

    monkeypatch.chdir(tmp_path)
    assert run("encode", TEXT, "-o", "h.toml").status == 0
    assert run("draw", "h.toml", "-o", "h.svg").status == 0
    save_project(sonify.load_disc("h.toml"), {"music": {"root": "E3"}}, Path("h-project.toml"))
    return tmp_path


@pytest.mark.parametrize("file", ["h.toml", "h-project.toml", "h.svg"])
def test_every_command_takes_each(file, folder, run):
    same = run("read", file, "--json")
    assert (same.status, json.loads(same.out)["message"]) == (0, TEXT)
    assert json.loads(run("inspect", file, "--json").out)["message"] == TEXT
    assert run("presets", "--machine", file).status == 0
    compared = run("compare", "h.toml", file, "--json")
    assert compared.status == 0, compared.err
    assert sonify.load_disc(file).message == TEXT


@pytest.mark.parametrize(
    ("file", "command"),
    sampled_product(
        ["h.toml", "h-project.toml", "h.svg"],
        [("inspect", "-", "--json"), ("read", "-", "--json"), ("compare", "h.toml", "-")],
    ),
)
def test_a_disc_from_standard_input(file, command, folder, run, monkeypatch):
    class Input:
        buffer = io.BytesIO(Path(file).read_bytes())

    monkeypatch.setattr(sys, "stdin", Input)
    result = run(*command)
    assert result.status == 0, result.err
    assert TEXT in result.out


def test_an_empty_input_and_options_that_a_disc_file_answers(folder, run, monkeypatch):
    class Input:
        buffer = io.BytesIO(b"\n")

    monkeypatch.setattr(sys, "stdin", Input)
    result = run("inspect", "-")
    assert (result.status, "standard input is empty" in result.err) == (2, True)
    result = run("read", "h.toml", "--hole-means", "0")
    assert (result.status, "leave --hole-means out" in result.err) == (2, True)


def test_a_grid_and_a_drawing_of_lines_from_standard_input(folder, run, monkeypatch):
    disc = sonify.load_disc("h.toml")
    rows = ["".join(map(str, row)) for row in disc.grid.tolist()]
    run("draw", "h.toml", "-o", "h.dxf")
    for data in ("\n".join(rows).encode(), Path("h.dxf").read_bytes()):

        class Input:
            buffer = io.BytesIO(data)

        monkeypatch.setattr(sys, "stdin", Input)
        result = run("read", "-", "--json")
        assert result.status == 0, result.err
        assert json.loads(result.out)["message"] == TEXT


def test_json_of_the_presets(run):
    from sonify.presets import shipped

    listed = json.loads(run("presets", "--json").out)
    assert listed["schema"] == 1
    assert {p["name"] for p in listed["presets"]} == {s.name for s in shipped() if s.kind != "disc"}
    one = json.loads(run("presets", "music-box", "--json").out)
    assert one["table"]["music"]["voice"]
    scales = json.loads(run("presets", "--list", "scales", "--json").out)
    assert "dorian" in {row["name"] for row in scales["names"]}
