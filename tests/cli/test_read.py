"""`sonify read`, and other commands on any source."""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner

import sonify
from sonify.cli.app import sonify as cli
from tests.nightly import late, sampled_product
from tests.recover.log_player import Machine, record


def run(*args):
    done = CliRunner().invoke(cli, [str(a) for a in args], catch_exceptions=False)
    return done


@pytest.mark.parametrize(
    ("suffix", "name"),
    [
        *sampled_product([".svg", ".dxf", ".csv"], ["cairn-small", "cairn-middle", "cairn-wire"]),
        late(".csv", "cairn-large"),
    ],
)
def test_a_drawing_to_a_disc_file(suffix, name, tmp_path):
    drawing = tmp_path / f"d{suffix}"
    assert run("draw", name, "-o", drawing).exit_code == 0
    out = tmp_path / "d.toml"
    done = run("read", drawing, "-o", out)
    assert done.exit_code == 0
    want, got = sonify.load_disc(name), sonify.load_disc(out)
    np.testing.assert_array_equal(got.grid, want.grid)
    assert got.message == want.message
    assert got.message.split("\n")[0] in done.output


def test_json_is_one_object(tmp_path):
    assert run("draw", "cairn-small", "-o", tmp_path / "d.svg").exit_code == 0
    done = run("read", tmp_path / "d.svg", "--json")
    facts = json.loads(done.stdout)
    assert facts["kind"] == "drawing"
    assert facts["message"] == "FOG LIFTS AT 9"
    assert facts["confidence"]["least"] == 1.0
    assert {"rows", "positions", "unknown", "candidates", "cautions", "start"} <= set(facts)
    assert facts["candidates"][0]["why"]


def test_other_commands_take_any_source(tmp_path):
    disc = sonify.load_disc("cairn-small")
    volts = record(disc.grid, Machine(rate=1500.0))
    time = np.arange(len(volts)) / 1500.0
    np.save(tmp_path / "log.npy", np.column_stack([time, volts]))
    done = run("inspect", tmp_path / "log.npy", "--json")
    assert json.loads(done.stdout)["message"] == "FOG LIFTS AT 9"
    assert "caution: the first pulse of the log" in done.stderr
    (tmp_path / "g.txt").write_text("1011\n0110\n")
    done = run("make", tmp_path / "g.txt", "-o", tmp_path, "--only", "midi")
    assert done.exit_code == 0
    assert (tmp_path / "g.mid").stat().st_size > 100


def test_standard_output(tmp_path):
    (tmp_path / "g.txt").write_text("1011\n0110\n")
    done = run("read", tmp_path / "g.txt", "-o", "-")
    assert "bits = [" in done.stdout
    assert "1011" in done.stdout


def test_the_report_for_people_counts_rows_from_one_and_stands_in_columns(tmp_path):
    assert run("draw", "cairn-small", "-o", tmp_path / "d.png").exit_code == 0
    lines = run("read", tmp_path / "d.png").stdout.split("\n")
    assert [line[:8] for line in lines if line.startswith("row ")] == ["row   1 ", "row   2 "]
    first = lines.index("measured") + 1
    facts = lines[first : lines.index("", first)]
    assert len(facts) > 2
    # each name ends before the column in which all the numbers begin
    column = max(len(line) - len(line.split()[-1]) for line in facts)
    assert all(line[:column].endswith("  ") and line[column] != " " for line in facts)


def test_one_of_a_thing_is_called_so(tmp_path):
    (tmp_path / "g.txt").write_text("10?1001\n0101011\n")
    assert "; 1 bit unknown" in run("read", tmp_path / "g.txt").stdout
    (tmp_path / "two.txt").write_text("10?1001\n0101?11\n")
    assert "; 2 bits unknown" in run("read", tmp_path / "two.txt").stdout
