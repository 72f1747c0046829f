"""`encode`, `draw`, and what `inspect` says of codes and sizes, as a user calls them."""

from __future__ import annotations

import csv
import io
import json
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

import sonify
from sonify.disc.disc import grid_to_strings
from tests.shipped import DISCS

TEXT = "WIND SW 6, CLOUD BASE 900 M"


def encode(run, tmp_path, *arguments: str, text: str = TEXT) -> tuple[Path, dict]:
    path = tmp_path / "note.toml"
    result = run("encode", text, "-o", path, "--json", *arguments)
    assert result.status == 0, result.err
    return path, json.loads(result.out)


def test_encode_prints_what_the_disc_is(run, tmp_path):
    path = tmp_path / "note.toml"
    result = run("encode", TEXT, "-o", path, "--title", "Cairn Hut", "-p", "quick")
    assert result.status == 0
    assert result.err == ""
    for part in (
        str(path),
        "characters 27",
        "bits       189 on 6 rows of 32 positions",
        "spare",
        "106 mm diameter",
        "thinnest 1.50 mm between",
        "reading",
        " rpm",
    ):
        assert part in result.out
    disc = sonify.load_disc(path)
    assert (disc.message, disc.title, disc.positions, disc.rows) == (TEXT, "Cairn Hut", 32, 6)
    show = sonify.perform(disc, ["quick"])
    assert f"{show.read_s:.1f} s at {show.setup.player.rpm:g}" in result.out


def test_every_option_lands_in_the_file(run, tmp_path):
    given = {
        "code": {
            "alphabet": "utf-8",
            "bit-order": "low-first",
            "framing": "framed",
            "check": "reed-solomon",
            "redundancy": 0.4,
        },
        "layout": {
            "positions": 50,
            "reading": "inside-out",
            "turning": "anticlockwise",
            "hole-means": 0,
        },
        "geometry": {
            "outer-diameter": 220.0,
            "bore-diameter": 10.0,
            "clock-radius": 100.0,
            "first-row-radius": 42.0,
            "row-pitch": 5.0,
            "hole-diameter": 2.5,
        },
    }
    arguments = [f"--{k}={v}" for section in given.values() for k, v in section.items()]
    path, facts = encode(
        run, tmp_path, *arguments, "--keep-out", "20,90,10", "--keep-out=20,270,10"
    )
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    for name, section in given.items():
        for key, value in section.items():
            assert data[name][key] == value
    assert data["geometry"]["keep-out"] == [
        {"radius": 20.0, "angle": 90.0, "diameter": 10.0},
        {"radius": 20.0, "angle": 270.0, "diameter": 10.0},
    ]
    assert facts["geometry"]["thinnest_web"] >= 1.5 - 1e-4
    disc = sonify.load_disc(path)
    assert disc.message == TEXT
    assert disc.decoding.verdict == "valid"


@pytest.mark.parametrize("way", ["file", "-"])
def test_the_text_may_come_from_a_file_or_standard_input(run, tmp_path, monkeypatch, way):
    source = tmp_path / "text.txt"
    source.write_bytes(b"FOG ON TOP\r\nSUN BELOW\n")
    out = tmp_path / "a.toml"
    if way == "file":
        result = run("encode", "--text-file", source, "-o", out)
    else:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(source.read_bytes())))
        result = run("encode", "-", "-o", out)
    assert result.status == 0, result.err
    assert sonify.load_disc(out).message == "FOG ON TOP\nSUN BELOW"


def test_encode_to_standard_output(run, tmp_path):
    result = run("encode", TEXT, "-o", "-")
    assert tomllib.loads(result.out)["message"] == TEXT
    assert "characters 27" in result.err


def test_json_keys_are_stable(run, tmp_path):
    _, facts = encode(run, tmp_path)
    assert set(facts) == {
        "schema", "message", "characters", "code", "bits", "rows", "positions", "spare_units",
        "spare_units_on_disc", "least_web", "geometry", "rpm", "read_s", "cautions",
    }  # fmt: skip
    assert facts["bits"] == 189


def test_sizes_is_a_table_of_hole_web_and_capacity(run, tmp_path):
    result = run("encode", "--sizes")
    assert result.status == 0
    lines = result.out.splitlines()
    assert lines[1].split() == ["hole", "web", *map(str, (60, 90, 120, 150, 180, 240, 300, 400))]
    assert len(lines) > 8
    rows = json.loads(run("encode", TEXT, "--sizes", "--json").out)["sizes"]
    # each cell is true: so many characters fit, and one more does not
    for row in rows[5:40:11]:
        sizes = [f"--{k.replace('_', '-')}={row[k]}" for k in ("hole_diameter", "outer_diameter")]
        sizes.append(f"--least-web={row['web']}")
        fits = run("encode", "E" * row["characters"], "-o", tmp_path / "a.toml", *sizes)
        assert fits.status == 0
        more = run("encode", "E" * (row["characters"] + 1), "-o", tmp_path / "b.toml", *sizes)
        assert more.status == 2
        assert "1 too many" in more.err
        assert row["holds_text"] == (row["characters"] >= len(TEXT))
    assert "*" in run("encode", TEXT, "--sizes").out


# --- draw ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".svg", ".dxf", ".pdf", ".png", ".csv"])
def test_every_disc_that_ships_is_drawn(run, tmp_path, suffix):
    heads = {
        ".svg": b"<?xml",
        ".dxf": b"  0",
        ".pdf": b"%PDF",
        ".png": b"\x89PNG",
        ".csv": b"x_mm,y_mm,diameter_mm,kind\n",
    }
    for path in DISCS:
        out = tmp_path / f"{path.stem}{suffix}"
        more = ["--size", "300"] if suffix == ".png" else []
        result = run("draw", path.stem, "-o", out, *more)
        assert result.status == 0, result.err
        assert out.read_bytes().startswith(heads[suffix])
        assert result.out.startswith(str(out))
        if "[geometry]" not in path.read_text(encoding="utf-8"):
            assert "caution: the disc has no geometry, so one was derived" in result.err


def test_draw_to_standard_output_is_svg(run):
    assert run("draw", "cairn-small", "-o", "-").out.startswith("<?xml")


def test_draw_and_read_the_table_back(run, tmp_path):
    """The grid follows from the table of holes by angle and radius alone."""
    path, _ = encode(run, tmp_path, "--check", "reed-solomon")
    disc = sonify.load_disc(path)
    out = tmp_path / "holes.csv"
    assert run("draw", path, "-o", out).status == 0
    grid = np.zeros((disc.rows, disc.positions), int)
    g = disc.geometry
    for row in csv.DictReader(out.open()):
        x, y = float(row["x_mm"]), float(row["y_mm"])
        if row["kind"] == "hole":
            r = round((g.first_row_radius - np.hypot(x, y)) / g.row_pitch)
            p = round(-np.arctan2(x, y) / (2 * np.pi) * disc.positions) % disc.positions
            grid[r, p] = 1
    assert np.array_equal(grid, disc.grid)


def test_the_back_is_the_front_mirrored_and_kerf_changes_diameters_only(run, tmp_path):
    def table(*more: str) -> list[tuple[float, float, float, str]]:
        out = tmp_path / "a.csv"
        assert run("draw", "cairn-small", "-o", out, *more).status == 0
        return [
            (float(r["x_mm"]), float(r["y_mm"]), float(r["diameter_mm"]), r["kind"])
            for r in csv.DictReader(out.open())
        ]

    front = table()
    assert table("--side", "back") == [(-x, y, d, k) for x, y, d, k in front]
    for (x, y, d, kind), before in zip(table("--kerf", "0.2"), front, strict=True):
        grown = 0.2 if kind == "outline" else -0.2
        assert (x, y, kind) == (before[0], before[1], before[3])
        assert d == pytest.approx(before[2] + grown, abs=1e-9)


def test_draw_says_its_cautions_and_its_help_the_dangers(run, tmp_path):
    path = tmp_path / "d.toml"
    path.write_text(
        f'message = "{TEXT}"\n[geometry]\nouter-diameter = 100.0\nclock-radius = 48.0\n'
        "first-row-radius = 42.0\nrow-pitch = 4.0\nhole-diameter = 3.0\n"
    )
    result = run("draw", path, "-o", tmp_path / "d.svg", "--least-web", "2")
    assert result.status == 0
    assert "thinner than 2 mm" in result.err
    text = " ".join(run("draw", "--help").out.split())
    for part in ("fumes", "manual", "local rules", "PVC", "spinning disc", "qualified person"):
        assert part in text


# --- inspect ------------------------------------------------------------------------------------

# a show of some seconds, whose flashes are soon measured
QUICK = "--set", "player.rpm=120", "--set", "player.matrix.scroll=60"


def damaged(tmp_path, code: str, change) -> Path:
    disc = sonify.Disc.from_message(TEXT, code=sonify.Code(check=code))
    grid = disc.grid.copy()
    change(grid)
    path = tmp_path / "bad.toml"
    rows = ",\n".join(f'"{r}"' for r in grid_to_strings(grid))
    path.write_text(f'bits = [{rows}]\n[code]\ncheck = "{code}"\n')
    return path


def test_inspect_shows_code_check_and_sizes(run, tmp_path):
    path, _ = encode(run, tmp_path, "--check", "reed-solomon", "--framing", "framed")
    result = run("inspect", path, *QUICK)
    for part in ("framed, check reed-solomon (2", "valid: the check", "thinnest ", "balance"):
        assert part in result.out
    data = json.loads(run("inspect", path, *QUICK, "--json").out)
    assert data["decoding"]["verdict"] == "valid"
    assert data["code"]["framing"] == "framed"
    assert data["geometry"]["derived"] is False


def test_inspect_names_what_was_repaired(run, tmp_path):
    def lose(grid):
        grid[2] = -1
        grid[0, 4] ^= 1

    path = damaged(tmp_path, "reed-solomon", lose)
    result = run("inspect", path, *QUICK)
    assert f"message    {TEXT}\n" in result.out
    assert "repaired: the check confirms the message after repair" in result.out
    assert "repaired characters: 1, 17" in result.out
    assert "repaired bits: row 1, positions 5\n" in result.out
    assert "repaired bits: row 3, all positions\n" in result.out
    data = json.loads(run("inspect", path, *QUICK, "--json").out)["decoding"]
    assert {"row": 0, "position": 4} in data["repaired_bits"]
    assert len(data["repaired_bits"]) == 57


def test_inspect_marks_what_failed(run, tmp_path):
    def hurt(grid):
        grid[0, 8 + 3] ^= 1

    result = run("inspect", damaged(tmp_path, "parity", hurt), *QUICK)
    assert f"message    W[A]{TEXT[2:]}\n" in result.out
    assert "failed characters: 2\n" in result.out
    assert "failed bits: row 1, positions 9 to 16\n" in result.out
    assert "1 character can't be read" in result.out
    result = run("inspect", damaged(tmp_path, "crc-16", hurt), *QUICK)
    assert "message    [W" in result.out
    assert "crc-16 does not match" in result.out


def test_inspect_says_why_a_disc_can_not_be_cut(run, tmp_path):
    path = tmp_path / "d.toml"
    path.write_text(f'message = "{TEXT * 3}"\n[geometry]\nrow-pitch = 20.0\n')
    result = run("inspect", path, *QUICK)
    assert result.status == 0
    assert "it can't be cut: geometry.row-pitch: row 5 of 11 would be at radius -3 mm" in result.err


# --- bad input ----------------------------------------------------------------------------------


@pytest.fixture
def refused(run, tmp_path):
    def check(*arguments: object, says: tuple[str, ...], status: int = 2) -> None:
        out = tmp_path / "out"
        out.mkdir(exist_ok=True)
        suffix = ".toml" if arguments[0] == "encode" else ".svg"
        if "-o" not in arguments:
            arguments = (*arguments, "-o", out / f"a{suffix}")
        result = run(*arguments)
        lines = [line for line in result.err.splitlines() if line]
        assert result.status == status, result.err
        assert len(lines) == 1, result.err
        assert lines[0].startswith("sonify: ")
        for part in says:
            assert part in lines[0]
        assert result.out == ""
        assert list(out.iterdir()) == []

    return check


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([""], ("message", "empty")),
        ([], ("there is no text",)),
        (["A", "--text-file", "x.txt"], ("both",)),
        (["--text-file", "none.txt"], ("none.txt", "no such file")),
        (["grün"], ("character 3 is 'ü'", "utf-8 has it")),
        (["fog", "--alphabet", "ita2"], ("capital",)),
        (["A\x03", "--framing", "framed"], ("ETX",)),
        (["A", "--alphabet", "ita2", "--framing", "framed"], ("ita2 lacks",)),
        (["A", "--alphabet", "asci"], ("--alphabet", "did you mean ascii")),
        (["A", "--check", "crc"], ("--check", "one of: none, parity, crc-16, reed-solomon")),
        (["A", "--redundancy", "0.5"], ("redundancy goes with the check reed-solomon",)),
        (["A", "--check", "reed-solomon", "--redundancy", "1.5"], ("--redundancy", "at most 0.9")),
        (["E" * 100, "--outer-diameter", "60"], ("93 too many", "what would help: a disc of")),
        (["A", "--hole-diameter", "5", "--row-pitch", "4"], ("row pitch of 4 mm is less",)),
        (["A", "--bore-diameter", "90", "--outer-diameter", "80"], ("leaves nothing",)),
        (["A", "--hole-diameter", "0"], ("--hole-diameter", "more than 0")),
        (["A", "--hole-diameter", "-3"], ("--hole-diameter", "more than 0")),
        (["A", "--outer-diameter", "inf"], ("--outer-diameter", "not a finite number")),
        (["A", "--least-web", "nan"], ("--least-web", "not a finite number")),
        (["A", "--outer-diameter", "1e9"], ("--outer-diameter", "at most 10000")),
        (["A", "--positions", "0"], ("--positions", "at least 1")),
        (["A", "--positions", "90000000"], ("no disc holds 1 character with the positions given",)),
        (["A", "--clock-radius", "100", "--outer-diameter", "150"], ("clock-radius", "rim")),
        (["A", "--first-row-radius", "3"], ("first-row-radius", "from the bore at 4 mm")),
        (
            ["A", "--keep-out", "70,0,20", "--outer-diameter", "150"],
            ("keep-out[0]", "reaches to 80 mm and the disc only to 75 mm"),
        ),
        (["A", "--keep-out", "70,0,20", "--clock-radius", "75"], ("on the clock row",)),
        (["A", "--keep-out", "here"], ("--keep-out", "radius,angle,diameter")),
        (["A", "--keep-out", "20,nan,4"], ("--keep-out", "not a finite number")),
        (["E" * 300_000, "--hole-diameter", "9"], ("more than 10 m",)),
    ],
    ids=lambda v: " ".join(v)[:50] if isinstance(v, list) else "",
)
def test_encode_refuses(refused, arguments, says):
    refused("encode", *arguments, says=says)


def test_encode_refuses_a_suffix_that_is_not_offered(refused, tmp_path):
    refused("encode", "A", "-o", tmp_path / "out" / "a.svg", says=("ends in .toml",))


@pytest.mark.parametrize(
    ("geometry", "says"),
    [
        ("hole-diameter = 7.0", ("hole-diameter", "larger than the row pitch")),
        ("bore-diameter = 300.0", ("bore-diameter", "leaves nothing")),
        ("outer-diameter = -1.0", ("outer-diameter", "more than 0")),
        ("outer-diameter = 0.0", ("outer-diameter", "more than 0")),
        ("outer-diameter = inf", ("outer-diameter", "not a finite number")),
        ("outer-diameter = 1e30", ("outer-diameter", "at most 10000")),
        ("keep-out = [{radius = 88.0, angle = 0.0, diameter = 9.0}]", ("keep-out[0]", "reaches")),
        ("keep-out = [{radius = 82.0, angle = 0.0, diameter = 9.0}]", ("on the clock row",)),
        ("row-pitch = 50.0", ("row-pitch", "in the bore", "2 rows fit")),
        ("clock-radius = 70.0", ("clock-radius", "overlaps the clock row")),
    ],
    ids=lambda v: v[:40] if isinstance(v, str) else "",
)
def test_draw_refuses_sizes(refused, tmp_path, geometry, says):
    path = tmp_path / "d.toml"
    path.write_text(f'message = "{TEXT}"\n[geometry]\n{geometry}\n')
    refused("draw", path, says=("d.toml", *says))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["-o", "a.stl"], ("a.stl", ".svg, .dxf, .pdf, .png, .csv")),
        (["--kerf", "9"], ("kerf", "less than the smallest hole")),
        (["--kerf", "nan"], ("--kerf", "out of range")),
        (["--paper", "a4"], ("--paper", "for .pdf and not for .svg")),
        (["--size", "500"], ("--size", "for .png")),
        (["--least-web", "-1"], ("--least-web", "out of range")),
    ],
    ids=str,
)
def test_draw_refuses_options(refused, arguments, says):
    refused("draw", "cairn-small", *arguments, says=says)


def test_draw_refuses_a_disc_that_no_machine_holds(refused, tmp_path):
    path = tmp_path / "d.toml"
    path.write_text('bits = ["' + "01" * 60_000 + '"]\n')
    refused("draw", path, says=("d.toml", "more than 10 m"))


def test_a_full_disk_leaves_the_old_drawing(run, tmp_path, monkeypatch):
    out = tmp_path / "a.svg"
    out.write_text("old")

    def full(self, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    result = run("draw", "cairn-small", "-o", out)
    assert result.status == 1
    assert "the disk is full" in result.err
    assert out.read_text() == "old"
    assert list(tmp_path.iterdir()) == [out]


def test_a_wiring_plan_has_every_lamp(run, tmp_path):
    words = ("draw", "cairn-small", "--wiring", "--set", "player.matrix.wiring=serpentine-rows")
    result = run(*words, "-o", tmp_path / "w.svg", "--set", "player.matrix.supply=1.5")
    assert result.status == 0, result.err
    assert "256 lamps" in result.out
    assert "the supply gives 1.5 A" in result.err
    import xml.etree.ElementTree as Tree

    texts = [e.text for e in Tree.parse(tmp_path / "w.svg").iter() if e.tag.endswith("text")]
    assert set(map(str, range(1, 257))) <= set(texts)
    told = " ".join(texts)
    for part in ("data in", "Colour order GRB", "serpentine-rows", "A at the brightest", "fuse"):
        assert part in told
    import pypdf

    assert run(*words, "-o", tmp_path / "w.pdf", "--paper", "letter").status == 0
    assert "data in" in pypdf.PdfReader(tmp_path / "w.pdf").pages[0].extract_text()
    assert run(*words, "-o", tmp_path / "w.dxf").status == 2


def test_the_test_pattern_lights_lamp_after_lamp(run, tmp_path):
    from PIL import Image, ImageSequence

    matrix = ("player.matrix.width=8", "player.matrix.wiring=serpentine-rows")
    words = ("lights", "cairn-small", *(w for m in matrix for w in ("--set", m)))
    result = run(*words, "--test-pattern", "-o", tmp_path / "t.png")
    assert result.status == 0, result.err
    frames, seconds = [], 0.0
    with Image.open(tmp_path / "t.png") as film:
        for frame in ImageSequence.Iterator(film):
            frames.append(np.asarray(frame.convert("L"), float))
            seconds += frame.info["duration"] / 1000
    assert seconds == pytest.approx(1.5 + 64 * 0.2)
    middles = []
    for frame in frames[2:]:
        y, x = np.nonzero(frame > frame.max() * 0.9)
        height, width = frame.shape
        middles.append((int(x.mean() / width * 8), int(y.mean() / height * 8)))
    assert middles == [(x if y % 2 == 0 else 7 - x, y) for y in range(8) for x in range(8)]
    seen = tmp_path / "seen.csv"
    lines = [f"{x + 1},{y + 1},{n + 1}" for n, (x, y) in enumerate(middles)]
    seen.write_text("column,row,lamp\n" + "\n".join(lines))
    assert run(*words, "--check-strip", seen).out == "the strip is wired as the settings say\n"
    other = run("lights", "cairn-small", "--set", matrix[0], "--check-strip", seen)
    assert other.status == 1
    assert 'wiring = "serpentine-rows"' in other.out


def test_a_row_for_one_bit_names_the_character_to_cut(run, tmp_path):
    # 28 characters of 7 bits are 196: three rows of 65, and one bit
    text = "WIND SW 6, CLOUD BASE 900 M."
    args = ("encode", text, "-o", tmp_path / "a.toml", "--positions")
    found = run(*args, 65)
    assert "row 4 is there for 1 bit only" in found.err
    assert "'.' at the end" in found.err
    assert "at the end" not in run(*args, 66).err
    assert "rows of 65" in run("encode", text[:-1], "-o", tmp_path / "a.toml", *args[-1:], 65).out


@pytest.mark.parametrize("diameter", [None, 200, 240])
def test_rows_are_whole_bars_where_that_costs_little(run, tmp_path, diameter):
    """A row of sixteenths, or of doubles of them, is whole bars of 4/4, 3/4 or 2/4."""
    text = "SNOW BRIDGE GONE, TAKE THE NORTH PATH BY THE LAKE"
    more = () if diameter is None else ("--outer-diameter", diameter)
    found = json.loads(run("encode", text, "-o", tmp_path / "a.toml", "--json", *more).out)
    assert found["positions"] % 4 == 0
