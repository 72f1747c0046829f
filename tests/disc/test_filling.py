"""Free filling: what follows the end of a framed message is played, but belongs to no message."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

import sonify
from sonify.disc.code.code import Code
from sonify.disc.code.encoding import message_units
from sonify.disc.file import disc_from_table, disc_to_toml
from sonify.disc.geometry.fit import derive_geometry
from sonify.disc.layout import Layout
from sonify.errors import InputError
from sonify.export.drawing.drawing import drawing_of
from sonify.export.drawing.drawing_formats import draw
from sonify.load import load_disc

TEXT = "SNOW AT 1900 M, NO WIND"
CHECKS = ("none", "parity", "crc-16")


def filled(check, seed=1, free="free"):
    """A framed disc with random bits after its end, and where that is."""
    code = Code(framing="framed", check=check)
    own = sonify.Disc.from_message(TEXT, code=code, layout=Layout(positions=40))
    bits = np.pad(own.grid, ((0, 2), (0, 0))).reshape(-1)
    end = len(message_units(TEXT, code)) * code.unit_bits
    bits[end:] = np.random.default_rng(seed).integers(0, 2, bits.size - end)
    code = msgspec.structs.replace(code, filling=free)
    return sonify.Disc.from_bits(bits.reshape(-1, 40), code=code), end


@pytest.mark.parametrize("check", CHECKS)
def test_filling_is_no_part_of_the_message_and_not_damage(check):
    for seed in range(40):
        disc, _ = filled(check, seed)
        assert disc.message == TEXT
        assert disc.decoding.verdict == ("unchecked" if check == "none" else "valid")
        assert not len(disc.decoding.repaired_bits)
        assert not len(disc.decoding.failed_bits)


@pytest.mark.parametrize("check", CHECKS)
def test_without_the_setting_it_is_damage(check):
    disc, _ = filled(check, free=None)
    assert disc.decoding.verdict in ("failed", "repaired")


@pytest.mark.parametrize("check", ["parity", "crc-16"])
def test_damage_to_the_text_is_still_found(check):
    disc, end = filled(check)
    head = 3 * disc.code.unit_bits
    for at in range(head, end, 7):
        grid = disc.grid.copy().reshape(-1)
        grid[at] ^= 1
        hit = sonify.Disc.from_bits(grid.reshape(disc.grid.shape), code=disc.code)
        assert hit.message != TEXT or hit.decoding.verdict in ("failed", "repaired")


def test_only_a_framed_message_has_an_end_to_fill_after():
    with pytest.raises(InputError, match="framed"):
        sonify.Disc.from_message(TEXT, code=Code(filling="free"))


def test_the_disc_file_keeps_it(tmp_path):
    import tomllib

    disc, _ = filled("crc-16")
    again = disc_from_table(tomllib.loads(disc_to_toml(disc)))
    assert again.code == disc.code
    np.testing.assert_array_equal(again.grid, disc.grid)
    plain = sonify.Disc.from_message(TEXT, code=Code(framing="framed"))
    assert "filling" not in disc_to_toml(plain)


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drawing_shows_that_it_is_filled(check, seed, tmp_path):
    disc, _ = filled(check, seed)
    path = tmp_path / "filled.svg"
    geometry = derive_geometry(disc.rows, disc.positions, disc.layout)
    path.write_bytes(draw(drawing_of(disc, geometry), ".svg"))
    read = load_disc(path)
    assert read.message == TEXT
    assert read.code == disc.code


def test_one_wrong_hole_after_the_end_is_not_taken_for_filling(tmp_path):
    code = Code(framing="framed", check="crc-16")
    disc = sonify.Disc.from_message(TEXT, code=code, layout=Layout(positions=50))
    grid = disc.grid.copy()
    assert not grid[-1, -8:].any()
    grid[-1, -1] = 1
    path = tmp_path / "wrong.svg"
    geometry = derive_geometry(disc.rows, disc.positions, disc.layout)
    path.write_bytes(draw(drawing_of(sonify.Disc.from_bits(grid, code=code), geometry), ".svg"))
    assert load_disc(path).message == TEXT
