"""`sonify compose` from a stranger's folder."""

from __future__ import annotations

import json
import subprocess
import sys

import mido
import pytest
from click.testing import CliRunner

from sonify.cli.app import sonify
from sonify.load import load_disc
from sonify.performance import perform


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def go(*args):
        return CliRunner().invoke(sonify, ["compose", *args], catch_exceptions=False)

    return go


@pytest.fixture
def tune(tmp_path):
    file, track = mido.MidiFile(ticks_per_beat=480), mido.MidiTrack()
    file.tracks.append(track)
    for note in (62, 64, 65, 67, 69, 67, 65, 64):
        track.append(mido.Message("note_on", note=note, velocity=80, time=0))
        track.append(mido.Message("note_off", note=note, velocity=0, time=240))
    file.save(tmp_path / "tune.mid")
    return "tune.mid"


def test_a_message_becomes_a_disc_and_the_reasons_are_printed(run, tmp_path):
    out = run("SNOW BY NOON", "--effort", "400", "-o", "note.toml", "--positions", "40").output
    assert out.startswith("note.toml\n")
    for word in ("message    SNOW BY NOON", "score", "objective", "searched", "40 positions"):
        assert word in out
    assert load_disc(tmp_path / "note.toml").message == "SNOW BY NOON"


def test_json_has_stable_keys(run):
    facts = json.loads(
        run("FOG", "--effort", "200", "--positions", "30", "--json", "-o", "fog.toml").output
    )
    assert set(facts) == {
        "before", "after", "weights", "changes", "filling_bits", "scored", "all_ways", "stopped",
        "seed", "schema",
    }  # fmt: skip
    assert facts["after"]["score"] >= facts["before"]["score"]


def test_wordings_weights_and_a_tune_to_be_like(run, tmp_path, tune):
    (tmp_path / "w.toml").write_text('parts = [["SNOW", "SLEET"], " BY NOON"]')
    run("--wording", "w.toml", "--like", tune, "--like-rhythm", tune, "--weight", "key=0",
        "--effort", "200", "--positions", "30", "-o", "w-disc.toml")  # fmt: skip
    assert load_disc(tmp_path / "w-disc.toml").message in ("SNOW BY NOON", "SLEET BY NOON")


def test_a_tune_alone_and_after_a_message(run, tmp_path, tune):
    own = ("--set", 'music.voice.0.pitch="sweep"', "--set", "music.timing=bars")
    out = run("--tune", tune, "-o", "t.toml", *own).output
    assert "8 notes on row" in out
    facts = json.loads(run("SLEET", "--tune", tune, "-o", "b.toml", "--json", *own).output)
    disc = load_disc(tmp_path / "b.toml")
    assert disc.message == facts["message"] == "SLEET"
    assert facts["first_tune_row"] < disc.rows


def test_a_mapping_is_written_as_a_preset(run, tmp_path, tune):
    out = run("cairn-small", "--fit-mapping", tune, "-o", "p.toml").output
    assert "likeness" in out
    show = perform(load_disc("cairn-small"), [tmp_path / "p.toml"])
    assert len(show.notes)


def test_the_lists_name_every_objective_and_choice(run):
    out = run("--list").output
    assert "syncopation" in out
    assert "bit-order" in out


@pytest.mark.parametrize(("args", "what"), [
    ((), "TEXT"), (("A", "--weight", "key"), "--weight"), (("A", "--weight", "keys=1"), "key"),
    (("A", "--free", "size"), "--free"), (("A", "-o", "a.txt"), ".toml"),
    (("A", "--weight", "tune=1"), "--like"), (("--fit-mapping", "x.mid"), "--fit-mapping"),
])  # fmt: skip
def test_wrong_calls_say_what_would_be_right(args, what, tmp_path):
    done = subprocess.run([sys.executable, "-m", "sonify", "compose", *args], check=False,
                          cwd=tmp_path, capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert what in done.stderr
