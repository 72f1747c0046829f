"""Reed-Solomon in the generated C, against the package's decoder."""

from __future__ import annotations

import shutil
import subprocess
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import sonify
from sonify.disc.code.code import Code
from sonify.disc.layout import Layout
from sonify.export.firmware import plan_of
from tests.export import firmware_host as host
from tests.nightly import sampled_product

pytestmark = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")

TEXT = "WIND 7 FROM THE COL, LEAVE BY NOON; WATER IN THE TROUGH BEHIND THE HUT. " * 3
DISCS = {
    "short": ("FOG LIFTS 9", 40, {}),
    "framed": (TEXT[:90], 56, {"framing": "framed"}),
    "ita2": (TEXT[:60].replace(";", ""), 45, {"alphabet": "ita2", "bit_order": "low-first"}),
    "several codewords": (TEXT + TEXT, 128, {"alphabet": "utf-8", "redundancy": 0.4}),
}


@cache
def disc(name: str) -> sonify.Disc:
    text, positions, code = DISCS[name]
    code = Code(check="reed-solomon", **code)
    return sonify.Disc.from_message(text, code=code, layout=Layout(positions=positions))


def perform(read: sonify.Disc) -> sonify.Performance:
    settings = {"music.timing": "player", "player.message-pause": 6.0}
    return sonify.perform(read, ["quick"], settings)


@cache
def program(name: str, folder: Path) -> Path:
    show = perform(disc(name))
    return host.build(show, folder, *host.SANITIZE, text=plan_of(show).needed)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("repair")


def read(name: str, grid: np.ndarray, folder: Path, tail: float = 0.0):
    """What the machine says of a disc, and what the package does."""
    show = perform(sonify.Disc.from_bits(grid, code=disc(name).code))
    events, when = host.schedule(show, tail=tail)
    records = host.run(program(name, folder / name.replace(" ", "-")), events)
    return show, records, when


@pytest.mark.parametrize("name", DISCS)
def test_a_clean_disc_scrolls_on_time(name, folder):
    show, records, when = read(name, disc(name).grid, folder)
    assert host.said(records) == (disc(name).message.encode(), 0)
    assert host.compare_lights(show, records, when) <= 1.0 + 1e-6
    assert records[-1]["a"] == 0


@pytest.mark.parametrize(("name", "seed"), sampled_product(DISCS, [1, 2, 3]))
def test_errors_and_erasures_within_the_bound_are_repaired(name, seed, folder):
    """Whole symbols, as many as each codeword stands: 2 e + v up to its check symbols."""
    rng = np.random.default_rng(seed)
    plan = plan_of(perform(disc(name))).repair
    flat = disc(name).grid.reshape(-1).copy()
    pad = plan.codewords * plan.length - plan.symbols
    for word in range(plan.codewords):
        own = [k for k in range(plan.symbols) if (k + pad) % plan.codewords == word]
        errors = int(rng.integers(0, plan.checks // 2 + 1))
        lost = int(rng.integers(0, plan.checks - 2 * errors + 1))
        some = rng.permutation(own)[: errors + lost]
        for n, k in enumerate(some.tolist()):
            cell = flat[8 * k : 8 * k + 8]
            cell[:] = -1 if n >= errors else cell ^ (rng.integers(1, 256) >> np.arange(8) & 1)
    grid = flat.reshape(disc(name).grid.shape)
    show, records, _ = read(name, grid, folder)
    assert show.disc.message == disc(name).message
    assert host.said(records) == (disc(name).message.encode(), 0)


@pytest.mark.parametrize(("name", "wrong"), sampled_product(DISCS, [False, True]))
def test_a_lost_row_is_repaired(name, wrong, folder):
    """Unknown, or read as something else by a stage beside its row."""
    grid = disc(name).grid.copy()
    row = len(grid) // 2
    grid[row] = np.random.default_rng(5).integers(0, 2, grid.shape[1]) if wrong else -1
    show, records, _ = read(name, grid, folder, tail=30_000.0)
    assert show.disc.message == disc(name).message
    assert host.said(records) == (disc(name).message.encode(), 0)
    assert records[-1]["a"] == 0


@pytest.mark.parametrize("name", ["framed", "several codewords"])
def test_beyond_repair_is_said_and_nothing_is_invented(name, folder):
    grid = disc(name).grid.copy()
    rng = np.random.default_rng(8)
    grid[rng.random(grid.shape) < 0.2] ^= 1
    show, records, _ = read(name, grid, folder, tail=60_000.0)
    assert "\ufffd" in show.disc.message
    text, state = host.said(records)
    assert state == 1
    lost = 255 if DISCS[name][2].get("alphabet") == "utf-8" else 0
    assert set(text) == {lost}


def test_the_machine_stays_quick_while_it_repairs(folder):
    """Notes go on while it works: no millisecond does all of it."""
    name = "several codewords"
    clean = read(name, disc(name).grid, folder)[2]
    plan = plan_of(perform(disc(name))).repair
    assert plan.codewords > 1
    show, records, when = read(name, disc(name).grid, folder)
    (at,) = records["event"][records["kind"] == host.MESSAGE]
    took = when[at] - 1000 * show.read_s
    work = plan.codewords * plan.length * plan.checks / 128
    assert 0.5 * work < took < 2 * work + plan.data_symbols / 16 + 60
    assert len(clean) == len(when)


def test_the_example_repairs_a_disc_that_is_read_from_anywhere(tmp_path):
    show = perform(disc("framed"))
    assert show.setup.player.row_start == "next-position"
    folder = host.put(show, tmp_path)
    words = ["gcc", *host.STRICT, "player.c", "player_tables.c", "example.c", "-o", "example"]
    subprocess.run(words, cwd=folder, check=True, capture_output=True)
    rows = "\n".join("".join(map(str, row)) for row in show.disc.grid.tolist())
    said = subprocess.run(
        [str(folder / "example")], input=rows, capture_output=True, text=True, check=True
    ).stdout
    assert f"message GOOD {show.disc.message}\n" in said
