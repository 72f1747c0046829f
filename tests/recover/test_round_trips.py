"""Every shipped disc, drawn and read back."""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.recover.search.find import find_message
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source
from tests.nightly import sampled_product
from tests.recover.log_player import Machine, record
from tests.shipped import DISCS

NAMES = [p.stem for p in DISCS]


@pytest.mark.parametrize(
    ("name", "suffix"), sampled_product(NAMES, [".svg", ".dxf", ".csv", ".png"])
)
def test_drawn_and_read_back(name, suffix, run, tmp_path):
    """The same grid; bits that nobody could read are drawn without a hole, as zeros are."""
    disc = sonify.load_disc(name)
    path = tmp_path / f"disc{suffix}"
    result = run("draw", name, "-o", path)
    assert result.status == 0, result.err
    found = find_message(read_source(path))
    np.testing.assert_array_equal(found.disc.grid, np.maximum(disc.grid, 0))
    assert found.disc.message == disc.message


def test_the_largest_disc_from_a_log(tmp_path):
    disc = sonify.load_disc("cairn-large")
    np.save(tmp_path / "l.npy", record(disc.grid, Machine(rate=3000.0, rpm=15.0, noise=0.2)))
    found = find_message(read_source(tmp_path / "l.npy", ReadOptions(sample_rate=3000.0)))
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    assert found.disc.message == disc.message
