"""Whatever is wrong with the input is said in one line, with the right exit status, and nothing is
written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sonify
from tests.nightly import nightly

GOOD = 'message = "FOG LIFTS AT 9"\n'


@pytest.fixture
def disc(tmp_path):
    def make(text: str = GOOD) -> Path:
        path = tmp_path / "d.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return make


def check(result, status, *parts):
    assert result.status == status, result.err
    lines = [line for line in result.err.splitlines() if line]
    assert len(lines) == 1, result.err
    assert lines[0].startswith("sonify: ")
    for part in parts:
        assert str(part) in lines[0]
    assert "Traceback" not in result.err
    assert result.out == ""


def test_a_missing_file(run, tmp_path):
    check(run("make", tmp_path / "none.toml", "-o", tmp_path / "o"), 2, "none.toml", "no such file")
    assert not (tmp_path / "o").exists()


def test_a_folder(run, tmp_path):
    check(run("make", tmp_path, "-o", tmp_path / "o"), 2, tmp_path, "folder")


def test_a_file_that_may_not_be_read(run, open_folder, nobody):
    path = open_folder / "d.toml"
    path.write_text(GOOD)
    # load all that it imports, which others may not read, before the rights are given up
    assert run("midi", path, "-o", open_folder / "a.mid").status == 0
    path.chmod(0)
    with nobody():
        result = run("midi", path, "-o", open_folder / "a.mid")
    check(result, 2, path, "permission denied")


def test_toml_that_does_not_parse(run, disc, tmp_path):
    result = run("midi", disc("message = \n"), "-o", tmp_path / "a.mid")
    check(result, 2, "d.toml", "line 1, column 11", "not TOML")


def test_a_file_that_is_not_text(run, tmp_path):
    path = tmp_path / "d.toml"
    path.write_bytes(b'message = "\xff"')
    check(run("midi", path), 2, "byte 11 is not UTF-8")


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ('mesage = "A"', ["unknown key 'mesage'", "did you mean message?"]),
        ("message = 3", ["message", "wrong type", "a text in quotes"]),
        (GOOD + "[layout]\npositions = 0", ["layout.positions", "0 is out of range", "at least 1"]),
        (GOOD + "[layout]\npositions = 'x'", ["layout.positions", "a whole number"]),
        ('message = "caf\u00e9"', ["character 4", "ascii lacks it", "utf-8"]),
        ('message = ""', ["empty"]),
        ('message = "A"\nbits = ["1"]', ["both"]),
        ('title = "A"', ["neither"]),
        ('about = "A"\n[music]\nroot = "C5"', ["this is a preset", "--preset"]),
        ('bits = ["10", "1"]', ["bits, row 2", "make them the same"]),
    ],
)
def test_a_wrong_disc(run, disc, tmp_path, text, parts):
    target = tmp_path / "o"
    check(run("make", disc(text), "-o", target), 2, "d.toml", *parts)
    assert not target.exists()


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (["--set", "music.scale=dorain"], ["music.scale", "'dorain'", "dorian"]),
        (["--set", "music.voice.0.program=tubular bell"], ["tubular bells"]),
        (["--set", "music.voice.0.program=200"], ["1 to 128"]),
        (["--set", "music.voice.0.pitch=row-lader"], ["row-ladder"]),
        (["--set", "music.voice.0.rhythm=['joint']"], ["rhythm[0]", "joined"]),
        (["--set", "music.voice.0.source=one"], ["ones"]),
        (["--set", "music.voice.7.velocity=3"], ["there are 1"]),
        (["--set", "music.root=H4"], ["music.root", "not a note"]),
        (["--set", "music.step=1/0"], ["music.step", "note value"]),
        (["--set", "music.metre=4/5"], ["music.metre"]),
        (["--set", "player.rpm=0"], ["player.rpm", "more than 0"]),
        (["--set", "player.rmp=3"], ["'rmp'", "rpm"]),
        (["--set", "player.matrix.fill=rowz"], ["player.matrix.fill", "rows"]),
        (["--set", "light.lamp=red"], ["light.lamp"]),
        (["--set", "music"], ["--set", "section.key=value"]),
        (["--preset", "usuall"], ["no preset 'usuall'", "usual"]),
        (["--preset", "nowhere.toml"], ["nowhere.toml", "no such file"]),
    ],
)
def test_a_wrong_setting(run, disc, tmp_path, arguments, parts):
    target = tmp_path / "o"
    check(run("make", disc(), "-o", target, *arguments), 2, *parts)
    assert not target.exists() or not list(target.iterdir())


def test_a_preset_that_names_a_disc(run, disc):
    path = disc()
    check(run("midi", path, "--preset", path), 2, "give it as the disc")


def test_an_unknown_disc_and_command_have_close_matches(run):
    check(run("midi", "cairn-smal"), 2, "cairn-small")
    result = run("mdi", "cairn-small")
    assert result.status == 2
    assert "midi" in result.err


def test_only_of_something_that_is_not_made(run, disc, tmp_path):
    check(run("make", disc(), "--only", "midi,lihgts", "-o", tmp_path / "o"), 2, "lights")


@pytest.mark.parametrize("name", ["a.xyz", "a"])
@pytest.mark.parametrize("command", ["midi", "lights", "message"])
def test_a_suffix_that_is_not_offered(run, disc, tmp_path, command, name):
    check(run(command, disc(), "-o", tmp_path / name), 2, name, "one of: .")
    assert not (tmp_path / name).exists()


def test_a_message_of_a_disc_that_has_none(run, disc, tmp_path):
    check(run("message", disc('bits = ["101"]'), "-o", tmp_path / "m.gif"), 2, "no message")


def test_a_range_that_is_not_there(run, disc, tmp_path):
    out = tmp_path / "a.gif"
    check(run("lights", disc(), "-o", out, "--rows", "3-4"), 2, "rows 1 to 2")
    check(run("lights", disc(), "-o", out, "--rows", "x"), 2, "not a range of rows")
    check(run("lights", disc(), "-o", out, "--from", "900"), 2, "is not a range of this piece")
    assert not out.exists()


@pytest.mark.parametrize(
    ("rows", "lasts"), [(800, "2.7 h"), pytest.param(10_000, "33.3 h", marks=nightly)]
)
def test_a_huge_disc_is_music_but_asks_for_a_range_of_light(run, tmp_path, rows, lasts):
    rng = np.random.default_rng(3)
    grid = rng.integers(0, 2, (rows, 1000)).astype(np.int8)
    disc = sonify.Disc.from_bits(grid, layout=sonify.Layout(positions=1000))
    path = sonify.save_disc(disc, tmp_path / "big.toml")
    result = run("midi", path, "-o", tmp_path / "big.mid")
    assert result.status == 0
    assert (tmp_path / "big.mid").stat().st_size > 2000 * rows
    done = run("lights", path, "-o", tmp_path / "big.gif")
    check(done, 2, f"would last {lasts}", "--rows", "--from")
    assert not (tmp_path / "big.gif").exists()
    result = run("lights", path, "-o", tmp_path / "part.gif", "--rows", "7")
    assert result.status == 0
    assert (tmp_path / "part.gif").exists()


def test_a_folder_that_cannot_be_written(run, open_folder, nobody):
    path = open_folder / "d.toml"
    path.write_text(GOOD)
    shut = open_folder / "shut"
    shut.mkdir()
    shut.chmod(0o555)
    with nobody():
        check(run("midi", path, "-o", shut / "a.mid"), 1, shut, "permission denied")
        check(run("make", path, "-o", shut / "deeper"), 1, shut, "permission denied")
    assert not list(shut.iterdir())


def test_a_folder_in_the_place_of_a_file(run, disc, tmp_path):
    (tmp_path / "a.mid").write_text("a file, not a folder")
    check(run("make", disc(), "-o", tmp_path / "a.mid"), 1, "a.mid", "folder")


@pytest.mark.parametrize(("command", "name"), [("midi", "a.mid"), ("lights", "a.gif")])
def test_a_full_disk_leaves_the_old_file(run, disc, tmp_path, full_disk, command, name):
    target = tmp_path / "o" / name
    target.parent.mkdir()
    target.write_text("the old one")
    full_disk(target)
    check(run(command, disc(), "-o", target), 1, name, "the disk is full")
    assert target.read_text() == "the old one"
    assert [p.name for p in target.parent.iterdir()] == [name]


def test_an_interrupt_leaves_the_old_file(tmp_path):
    from sonify.atomic import atomic_write

    target = tmp_path / "a.bin"
    target.write_text("the old one")

    def stopped_half_way():
        with atomic_write(target) as beside:
            beside.write_text("half of the ne")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped_half_way()
    assert target.read_text() == "the old one"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("others", [["music-box"], ["--discs"]])
def test_a_kind_of_presets_where_none_are_listed(run, others):
    check(run("presets", *others, "--kind", "look"), 2, "--kind", "give it alone")
