"""The commands, as a user calls them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import mido
import pytest
from PIL import Image

import sonify
from tests.shipped import DISCS, LOOKS, MUSIC, PLAYERS

ROOT = Path(__file__).parents[2]


def test_the_version_is_the_packages(run):
    result = run("--version")
    assert result.status == 0
    assert result.out == f"sonify {sonify.__version__}\n"


def test_help_names_every_command_and_teaches(run):
    from sonify.cli.app import COMMANDS

    text = run("--help").out
    for name in COMMANDS:
        assert f"  {name} " in text
        assert len(run(name, "--help").out.splitlines()) > 5
    assert "photosensitive" in text
    for name in ("midi", "lights", "message", "inspect", "make", "presets"):
        assert "Examples:" in run(name, "--help").out


def test_make_writes_the_whole_set_and_a_line_for_each(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("make", "cairn-small", "--only", "midi,lights,message")
    assert result.status == 0
    names = ["cairn-small.mid", "cairn-small-lights.gif", "cairn-small-message.gif"]
    lines = result.out.splitlines()
    assert [line.split()[0] for line in lines] == [f"out/{n}" for n in names]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(names)
    show = sonify.perform(sonify.load_disc("cairn-small"))
    for line, kind in zip(lines, ("MIDI", "GIF", "GIF"), strict=True):
        path = Path(line.split()[0])
        said = float(line.split()[1])
        if kind == "MIDI":
            assert abs(mido.MidiFile(path).length - said) < 0.06
        else:
            with Image.open(path) as gif:
                total = 0
                for k in range(gif.n_frames):
                    gif.seek(k)
                    total += gif.info["duration"]
                assert abs(total / 1000 - said) < 0.06
                assert gif.info["loop"] == 0
        assert line.split()[2] == "s"
    assert abs(float(lines[1].split()[1]) - show.message_s) < 0.06


def test_a_message_made_beside_the_rest_is_the_same(run, tmp_path, monkeypatch):
    made = []
    for longest in (0, 1 << 60):
        monkeypatch.setattr("sonify.cli.make._LONG", longest)
        monkeypatch.setattr("sonify.cli.make.most", lambda: 2)
        folder = tmp_path / str(longest)
        only = "midi,message"
        result = run("make", "cairn-small", "-p", "glacier", "-o", folder, "--only", only)
        assert result.status == 0
        told = result.out.replace(str(folder), ""), result.err
        made.append((told, {p.name: p.read_bytes() for p in folder.iterdir()}))
    assert made[0] == made[1]
    assert len(made[0][1]) == 2


def test_only_makes_only_that(run, tmp_path):
    assert run("make", "cairn-small", "-o", tmp_path, "--only", "midi").status == 0
    assert [p.name for p in tmp_path.iterdir()] == ["cairn-small.mid"]


def test_bare_bits_make_no_message_and_say_so(run, tmp_path):
    result = run("make", "cairn-quilt", "-o", tmp_path, "--only", "midi,lights")
    assert result.status == 0
    result = run("make", "cairn-quilt", "-o", tmp_path)
    assert result.status == 0
    assert "no message" in result.err
    assert not (tmp_path / "cairn-quilt-message.gif").exists()


def test_presets_are_one_a_line_name_first(run):
    result = run("presets")
    assert result.status == 0
    names = [line.split()[0] for line in result.out.splitlines()]
    assert sorted(names) == sorted(p.stem for p in MUSIC + PLAYERS + LOOKS)
    assert len(MUSIC) >= 8
    assert len(PLAYERS) >= 3
    assert len(LOOKS) >= 4
    assert all(len(line.split()) > 4 for line in result.out.splitlines())
    discs = run("presets", "--discs").out.splitlines()
    assert [line.split()[0] for line in discs] == [p.stem for p in DISCS]


def test_presets_say_what_a_machine_can_play(run):
    lines = run("presets", "--machine", "cairn-small").out.splitlines()
    assert [line.split()[0] for line in lines] == [p.stem for p in MUSIC]
    assert sum(line.split()[1] == "yes" for line in lines) >= 18
    bad = run("presets", "--machine", "no-such-disc")
    assert bad.status == 2
    assert run("presets", "music-box", "--machine", "cairn-small").status == 2


def test_presets_are_listed_without_the_libraries_that_make_music():
    command = (
        "import sys; from sonify.cli.app import sonify; sonify(['presets'], standalone_mode=False)"
    )
    done = subprocess.run(
        [sys.executable, "-c", f"{command}; print(*sys.modules, file=sys.stderr)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "music-box" in done.stdout
    assert not {"numpy", "scipy", "mido"} & set(done.stderr.split())


@pytest.mark.parametrize("path", MUSIC + PLAYERS + LOOKS, ids=lambda p: p.stem)
def test_a_preset_in_full_is_its_file_and_works(run, path):
    result = run("presets", path.stem)
    assert tomllib.loads(result.out) == tomllib.loads(path.read_text(encoding="utf-8"))
    assert tomllib.loads(result.out)["about"]
    show = sonify.perform(sonify.load_disc("cairn-small"), [path.stem])
    assert len(show.notes) > 0


def test_inspect_shows_the_message_and_the_bits(run):
    result = run("inspect", "cairn-small")
    assert "FOG LIFTS AT 9" in result.out
    disc = sonify.load_disc("cairn-small")
    for row in disc.grid:
        assert "".join("?.#"[b + 1] for b in row) in result.out
    assert "140.0 quarter notes per minute" in result.out
    result = run("inspect", "cairn-quilt")
    assert "2 bits are unknown" in result.err


def test_inspect_says_that_rows_begin_inside_bars(run):
    inside = "rows begin inside bars"
    assert inside not in run("inspect", "cairn-quilt", "-p", "hut-band").err
    odd = run("inspect", "cairn-quilt", "-p", "hut-band", "--set", "music.timing=player",
              "--set", "music.metre=13/16")  # fmt: skip
    assert inside in odd.err


def test_inspect_json_is_one_object_with_stable_keys(run):
    data = json.loads(run("inspect", "cairn-middle", "--json", "-p", "quick").out)
    assert data["message"] == sonify.load_disc("cairn-middle").message
    assert data["rows"] == 12
    assert data["rpm"] == 24.0
    assert data["notes"] == data["ones"] == 271
    keys = {
        "name", "title", "message", "characters", "alphabet", "rows", "positions", "bits", "ones",
        "unknown", "rpm", "position_s", "row_start_s", "read_s", "duration_s", "tempo_bpm",
        "metre", "notes", "voices", "cautions",
    }  # fmt: skip
    assert keys <= data.keys()


def test_presets_are_laid_over_each_other_and_settings_over_all(tmp_path):
    own = tmp_path / "own.toml"
    own.write_text("[player]\nrpm = 11.0\n[player.matrix]\nwidth = 16\n")
    disc = sonify.load_disc("cairn-small")
    show = sonify.perform(disc, ["slow", own], {"player.matrix.height": 16, "music.root": "E3"})
    player = show.setup.player
    assert player.rpm == 11.0
    assert player.stage == 1.5
    assert (player.matrix.width, player.matrix.height) == (16, 16)
    assert show.setup.music.root == "E3"
    assert int(show.notes["pitch"].min()) == 52


def test_standard_output_takes_a_file(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "sonify", "midi", "cairn-small", "-o", "-"],
        capture_output=True, check=True, cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.stdout.startswith(b"MThd")
    assert done.stderr == b""
    assert not list(tmp_path.iterdir())


def test_a_character_without_a_letter_is_a_box_and_a_caution(run, tmp_path):
    disc = sonify.Disc.from_message("SNOW \u2744", code=sonify.Code(alphabet="utf-8"))
    path = sonify.save_disc(disc, tmp_path / "d.toml")
    result = run("message", path, "-o", tmp_path / "m.gif")
    assert result.status == 0
    assert "\u2744" in result.err
    assert "box" in result.err


def test_the_same_call_gives_the_same_bytes(run, tmp_path):
    for name in ("a", "b"):
        only = "midi,lights,message"
        assert run("make", "cairn-small", "-o", tmp_path / name, "--only", only).status == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
