"""What all commands have: -q, -v, --json, and the user's own defaults."""

from __future__ import annotations

import json
import logging
import subprocess
import sys
from pathlib import Path

import av
import mido
import pytest
from PIL import Image

from sonify.cli.app import COMMANDS

WRITES = {
    "midi": "a.mid", "lights": "a.gif", "message": "a.webp", "sound": "a.wav", "page": "a.html",
    "score": "a.musicxml", "draw": "a.svg", "explain": "a.svg", "tuning": "a.scl",
    "firmware": "player", "stills": "a.png",
}  # fmt: skip


def test_every_command_has_them(run):
    for name in COMMANDS:
        text = run(name, "--help").out
        assert "--quiet" in text, name
        assert "--verbose" in text, name
        assert ("--json" in text) == (name not in {"play", "watch", "studio"}), name
        assert text.count("  --json ") < 2, name


@pytest.mark.parametrize("command", WRITES)
def test_files_are_told_as_json(run, tmp_path, command):
    file = tmp_path / WRITES[command]
    result = run(command, "cairn-small", "-o", file, "--json")
    assert result.status == 0
    told = json.loads(result.out)
    assert told["schema"] == 1
    (made,) = told["files"]
    files = file.iterdir() if file.is_dir() else [file]
    assert made["path"] == str(file)
    assert made["bytes"] == sum(f.stat().st_size for f in files)
    for line in told["cautions"]:
        assert f"caution: {line}" in result.err


def test_facts_are_those_of_the_files(run, tmp_path):
    result = run("make", "cairn-small", "-o", tmp_path, "--json", "--only", "midi,lights,sound")
    midi, lights, sound = json.loads(result.out)["files"]
    assert mido.MidiFile(midi["path"]).length == pytest.approx(midi["seconds"], abs=0.06)
    with Image.open(lights["path"]) as gif:
        shown = sum(_delay(gif, k) for k in range(gif.n_frames))
    assert shown / 1000 == pytest.approx(lights["seconds"], abs=0.06)
    assert lights["flashing"]["over"] is False
    with av.open(sound["path"]) as wav:
        length = wav.duration / av.time_base
    assert length == pytest.approx(sound["seconds"], abs=0.001)
    assert sound["lufs"] == pytest.approx(-14, abs=0.1)


def _delay(gif: Image.Image, number: int) -> int:
    gif.seek(number)
    return int(gif.info["duration"])


def test_json_stays_apart_from_a_file_on_standard_output(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "sonify", "midi", "cairn-small", "-o", "-", "--json"],
        capture_output=True, check=True,
    )  # fmt: skip
    assert done.stdout.startswith(b"MThd")
    assert json.loads(done.stderr)["files"][0]["path"] is None


def test_quiet_prints_only_cautions(run, tmp_path):
    result = run("message", "cairn-small", "-o", tmp_path / "a.gif", "-q")
    assert (result.status, result.out, result.err) == (0, "", "")
    result = run("draw", "cairn-small", "-o", tmp_path / "a.svg", "--quiet")
    assert result.out == ""
    assert result.err.startswith("caution: ")


def test_verbose_says_what_is_done(run, tmp_path):
    file = tmp_path / "a.mid"
    result = run("midi", "cairn-small", "-p", "music-box", "-o", file, "-v")
    assert f"sonify.atomic: {file}: written" in result.err
    assert "music-box.toml: applied as a preset" in result.err
    assert "candidate" not in result.err
    run("draw", "cairn-small", "-o", tmp_path / "a.svg")
    result = run("read", tmp_path / "a.svg", "-vv")
    assert "read as a drawing" in result.err
    assert "candidate: " in result.err
    assert logging.getLogger("sonify").handlers == []


def test_own_defaults_come_before_presets(run, tmp_path, monkeypatch):
    own = tmp_path / "sonify" / "config.toml"
    own.parent.mkdir()
    own.write_text('[music]\nroot = "E3"\n[player]\nrpm = 12\n')

    def first_pitch(*args: str) -> tuple[int, float]:
        file = tmp_path / "a.mid"
        assert run("midi", "cairn-small", "-o", file, *args).status == 0
        song = mido.MidiFile(file)
        pitch = next(m.note for m in song if m.type == "note_on" and m.velocity)
        return pitch, song.length

    before = first_pitch()
    monkeypatch.setenv("SONIFY_CONFIG", str(own))
    after = first_pitch()
    assert after != before
    assert after[1] < before[1]
    # what is given wins
    assert first_pitch("--set", "player.rpm=10", "--set", "music.root=D4") == before
    monkeypatch.setenv("SONIFY_CONFIG", str(tmp_path / "none.toml"))
    result = run("midi", "cairn-small")
    assert result.status == 2
    assert "none.toml: there is no such file" in result.err
    monkeypatch.delenv("SONIFY_CONFIG")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    if sys.platform == "linux":
        assert first_pitch() == after


def test_the_library_logs_where_a_program_listens(caplog, tmp_path):
    import sonify

    with caplog.at_level(logging.INFO, "sonify"):
        sonify.perform("cairn-small").save(tmp_path / "a.mid")
    assert any(Path(tmp_path, "a.mid") in r.args for r in caplog.records if r.args)
