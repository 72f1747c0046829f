"""Editing a disc by hand."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib

import numpy as np
import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

import sonify
from sonify.disc import edit
from sonify.disc.code.code import Code
from sonify.disc.disc import Disc
from sonify.disc.edit import Area, effect_of
from sonify.disc.file import disc_from_table, disc_to_toml
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.studio.project import project_at
from tests.shipped import DISCS

TEXT = "SNOW BRIDGE 7 CLOSED"
CHECKS = ["parity", "crc-16", "reed-solomon"]


def disc_of(check="none", text=TEXT, **code):
    return Disc.from_message(
        text, code=Code(check=check, **code), layout=Layout(positions=24), name="bridge"
    )


def area(rows, positions):
    return Area(np.array(rows), np.array(positions))


def strings(disc):
    return ["".join("?01"[b + 1] for b in row) for row in disc.grid.tolist()]


SMALL = Disc.from_bits(["110010", "0?1100"])


@pytest.mark.parametrize(
    ("edited", "wanted"),
    [
        (lambda d: edit.flip(d, area([0, 1], [0, 1])), ["000010", "1?1100"]),
        (lambda d: edit.clear(d, area([0, 1], [0, 1])), ["000010", "001100"]),
        (lambda d: edit.punch(d, area([1], [0, 1, 5])), ["110010", "111101"]),
        (lambda d: edit.shift(d, area([0], range(6)), 2), ["101100", "0?1100"]),
        (lambda d: edit.shift(d, area([0], [0, 1, 2]), -1), ["101010", "0?1100"]),
        (lambda d: edit.shift(d, area([0, 1], [1, 4]), 0, 1), ["1?0000", "011110"]),
        (lambda d: edit.mirror(d, area([0], range(6))), ["010011", "0?1100"]),
        (lambda d: edit.mirror(d, area([0, 1], [0, 1]), "rows"), ["0?0010", "111100"]),
        (lambda d: edit.copy(d, area([0], [0, 1]), 1, 2), ["110010", "0?1100"]),
        (lambda d: edit.copy(d, area([0], [3, 4]), 1, 5), ["110010", "1?1100"]),
    ],
)
def test_an_operation_changes_its_area_only(edited, wanted):
    before = SMALL.grid.copy()
    assert strings(edited(SMALL)) == wanted
    assert np.array_equal(SMALL.grid, before)


def test_on_a_disc_whose_holes_are_zeros_punching_makes_zeros():
    disc = Disc.from_bits(["1100"], layout=Layout(positions=4, hole_means=0))
    assert strings(edit.punch(disc, area([0], [0]))) == ["0100"]
    assert strings(edit.clear(disc, area([0], [2]))) == ["1110"]


@given(
    st.lists(st.integers(0, 5), min_size=1, unique=True).map(sorted),
    st.integers(-20, 20),
    st.integers(-3, 3),
)
def test_what_is_undone_is_as_it_was(positions, by, rows):
    spot = area([0, 1], positions)
    for there, back in (
        (edit.flip, edit.flip),
        (edit.mirror, edit.mirror),
        (lambda d, a: edit.shift(d, a, by, rows), lambda d, a: edit.shift(d, a, -by, -rows)),
    ):
        assert strings(back(there(SMALL, spot), spot)) == strings(SMALL)


@pytest.mark.parametrize(("row", "position"), [(2, 0), (-1, 0), (0, 6), (0, -1)])
def test_a_copy_stays_on_the_disc(row, position):
    with pytest.raises(InputError, match="2 rows of 6 positions"):
        edit.copy(SMALL, area([0], [0]), row, position)


def test_the_effect_names_the_character_and_the_verdict():
    before = disc_of()
    effect = effect_of(before, edit.flip(before, area([0], [6])))  # S is 1010011
    assert effect.bits.tolist() == [6]
    assert effect.characters == ((0, "S", "R"),)
    assert (effect.before, effect.after) == ("unchecked", "unchecked")
    shorter = effect_of(before, edit.clear(before, area(range(before.rows), range(24))))
    assert [c.after for c in shorter.characters] == [None] * len(TEXT)
    assert "".join(c.before for c in shorter.characters) == TEXT


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("framing", ["plain", "framed"])
def test_a_repaired_check_confirms_the_edited_text(check, framing):
    before = disc_of(check, framing=framing)
    lead = 0 if framing == "plain" else 3
    # the lowest bit of the second character: N becomes O
    width = before.code.unit_bits
    at = (lead + 1) * width + before.code.data_bits - 1
    edited = edit.flip(before, area([at // 24], [at % 24]))
    damage = effect_of(before, edited)
    assert damage.before == "valid"
    assert damage.after == ("repaired" if check == "reed-solomon" else "failed")
    fitting = edit.repair_check(edited)
    assert fitting.message == "SO" + TEXT[2:]
    effect = effect_of(before, fitting)
    assert effect.after == "valid"
    assert effect.characters == ((1, "N", "O"),)
    assert fitting.given_message == fitting.message
    wanted = disc_of(check, fitting.message, framing=framing)
    assert strings(fitting) == strings(wanted)


@pytest.mark.parametrize("check", CHECKS)
def test_a_check_that_fits_is_left_alone(check):
    disc = disc_of(check)
    assert strings(edit.repair_check(disc)) == strings(disc)


@pytest.mark.parametrize("check", CHECKS)
def test_no_check_fits_unknown_bits(check):
    grid = disc_of(check).grid.copy()
    grid[0, 3] = -1
    with pytest.raises(InputError, match="row 1, position 4 is unknown"):
        edit.repair_check(edit.with_grid(disc_of(check), grid))


def test_a_disc_without_a_check_has_none_to_repair():
    for disc in (disc_of(), SMALL):
        with pytest.raises(InputError, match="no check"):
            edit.repair_check(disc)


@pytest.mark.parametrize("name", DISCS)
def test_holes_that_follow_from_a_message_are_stored_as_one(name):
    disc = sonify.load_disc(name)
    spot = area([0], [0, 2])
    there = edit.flip(disc, spot)
    back = edit.flip(there, spot)
    assert back.given_message == disc.given_message
    for one in (there, back):
        again = disc_from_table(tomllib.loads(disc_to_toml(one)))
        assert strings(again) == strings(one)
        assert again.code == one.code


def test_a_bit_in_the_filling_can_be_set_freely():
    disc = disc_of(text="FOG")  # 21 of 24 bits
    edited = edit.punch(disc, area([0], [22]))
    assert edited.message == "FOG"
    assert edited.given_message is None
    assert 'bits = ["' in disc_to_toml(edited).replace("\n    ", "")


def test_the_command_tells_and_writes(run, tmp_path):
    path = tmp_path / "new.toml"
    got = run("edit", "cairn-small", "flip 1:3", "copy 1:1-7 1:8", "-o", path)
    assert got.status == 0, got.err
    assert got.out.splitlines()[:2] == [
        "flip 1:3: 1 bit changed; character 1 'F' becomes 'V'; no check",
        "copy 1:1-7 1:8: 3 bits changed; character 2 'O' becomes 'V'; no check",
    ]
    assert sonify.load_disc(path).message == "VVG LIFTS AT 9"


def test_counts_from_0_in_json(run, tmp_path):
    got = run("edit", "cairn-small", "flip 1:3", "--json", "-o", tmp_path / "new.toml")
    facts = json.loads(got.out)
    assert facts["changed_bits"] == [{"row": 0, "position": 2}]
    assert facts["changed_characters"] == [{"character": 0, "before": "F", "after": "V"}]
    assert facts["operations"][0]["operation"] == "flip 1:3"
    assert (facts["verdict"], facts["stored_as"]) == ("unchecked", "message")


def test_every_command_takes_an_edited_disc(run, tmp_path):
    path = tmp_path / "holes.toml"
    got = run("encode", TEXT, "--check", "crc-16", "-o", tmp_path / "note.toml")
    assert got.status == 0, got.err
    got = run("edit", tmp_path / "note.toml", "clear 1:10-20", "-o", path)
    assert "the check fails" in got.err
    assert "stores its bits" in got.out
    for command, end in (
        ("midi", "mid"),
        ("draw", "svg"),
        ("score", "musicxml"),
        ("lights", "gif"),
    ):
        got = run(command, path, "-o", tmp_path / f"it.{end}")
        assert got.status == 0, got.err
    assert json.loads(run("inspect", path, "--json").out)["decoding"]["verdict"] == "failed"
    fixed = run("edit", path, "--repair-check", "-o", tmp_path / "fixed.toml")
    assert "check valid" in fixed.out
    assert not fixed.err


def test_standard_output_holds_the_disc_file_only(run, tmp_path):
    got = run("edit", "cairn-small", "flip 1:3", "-o", tmp_path / "same.toml")
    assert got.status == 0
    text = (tmp_path / "same.toml").read_text(encoding="utf-8")
    made = subprocess.run(
        [sys.executable, "-m", "sonify", "edit", "cairn-small", "flip 1:3", "-o", "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert made.stdout == text
    assert "becomes" in made.stderr


@pytest.mark.parametrize(
    ("operation", "told"),
    [
        ("flop 1", "did you mean flip"),
        ("flip", "write it as flip AREA"),
        ("shift 1", "write it as shift AREA N"),
        ("copy 1 2", "write it as copy AREA ROW:POSITION"),
        ("mirror 1 sideways", r"write it as mirror AREA \[rows\]"),
        ("flip 9", "2 rows of 56 positions"),
        ("flip 1:0", "count from 1"),
        ("flip 1:2:3", "ROWS:POSITIONS"),
        ("copy 1 0:1", "row 0, position 1"),
        ("", "there is no operation"),
    ],
)
def test_wrong_operations_are_told(run, operation, told):
    got = run("edit", "cairn-small", operation)
    assert got.status == 2
    assert re.search(told, got.err)
    assert got.err.count("\n") == 1


def test_a_disc_without_a_check_gets_no_advice_on_one(run, tmp_path):
    got = run("encode", TEXT, "-o", tmp_path / "note.toml")
    got = run("edit", tmp_path / "note.toml", "clear 1", "-o", tmp_path / "new.toml")
    assert "becomes unreadable" in got.out
    assert "can't be read" in got.err
    assert "check" not in got.err


def test_a_project_keeps_its_settings(run, tmp_path):
    table = {"a": {"disc": {"message": "FOG"}, "setup": {"music": {"root": "G3"}}}}
    (tmp_path / "p.toml").write_text(tomli_w.dumps(table))
    assert run("edit", tmp_path / "p.toml", "flip 1:3", "-o", tmp_path / "q.toml").status == 0
    disc, setup = project_at(tmp_path / "q.toml").played()
    assert disc.message == "VOG"
    assert setup == {"music": {"root": "G3"}}
