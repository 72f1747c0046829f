"""Finding the message: framed discs exactly, plain ones by plausibility, and what settles them."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

import sonify
from sonify.recover.search.find import Wanted, find_message
from sonify.recover.search.plain import confirming
from sonify.recover.sighting import Sighting
from tests.nightly import nightly, sampled, sampled_product

TEXT = "Summit 2,341 m. Wind NW 3, snow by noon."


def seen_from(grid, start=0, mirrored=False, upside=False, inverted=False, unknown=0, seed=0):
    """A grid as a photograph may show it."""
    holes = np.roll(grid, start, axis=1)
    if mirrored:
        holes = holes[:, ::-1]
    if upside:
        holes = holes[::-1]
    if inverted:
        holes = 1 - holes
    sure = np.ones(holes.shape, np.float32)
    rng = np.random.default_rng(seed)
    sure.reshape(-1)[rng.choice(holes.size, unknown, replace=False)] = 0.1
    return Sighting("photograph", np.ascontiguousarray(holes, np.int8), sure)


WAYS = list(itertools.product((False, True), repeat=3))


@pytest.mark.parametrize(
    ("check", "alphabet", "bit_order"),
    sampled_product(
        ["none", "parity", "crc-16", "reed-solomon"],
        ["ascii", "utf-8"],
        ["high-first", "low-first"],
    ),
)
def test_framed_discs_say_how_they_run(check, alphabet, bit_order):
    code = sonify.Code(alphabet=alphabet, bit_order=bit_order, framing="framed", check=check)
    disc = sonify.Disc.from_message("OPEN AT 9", code=code, layout=sonify.Layout(positions=47))
    for n, (mirrored, upside, inverted) in enumerate(WAYS):
        found = find_message(seen_from(disc.grid, 5 * n, mirrored, upside, inverted))
        np.testing.assert_array_equal(found.disc.grid, disc.grid)
        assert found.disc.message == "OPEN AT 9"
        assert (found.disc.code.alphabet, found.disc.code.check) == (alphabet, check)
        assert found.disc.code.bit_order == bit_order


@pytest.mark.parametrize("check", ["crc-16", "reed-solomon"])
def test_a_check_shows_where_a_short_message_begins(check):
    """Five letters alone don't: a disc of 20 positions can be read in thousands of ways."""
    code = sonify.Code(alphabet="ita2", bit_order="low-first", check=check)
    disc = sonify.Disc.from_message("FROST", code=code, layout=sonify.Layout(positions=20))
    found = find_message(seen_from(disc.grid, 17, True, True))
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    assert (found.disc.message, found.disc.code.check) == ("FROST", check)


def test_rows_in_the_wrong_order_are_no_words():
    """Each row has two characters, so in any order the rows have letters and spaces alike."""
    disc = sonify.Disc.from_message("TURN BACK BY", layout=sonify.Layout(positions=14))
    found = find_message(seen_from(disc.grid, 4, upside=True))
    assert found.disc.message == "TURN BACK BY"
    assert not [c for c in found.cautions if "another way" in str(c)]


def test_evidence_of_the_start_settles_a_message_that_does_not_tell_it():
    disc = sonify.Disc.from_message("FOG", layout=sonify.Layout(positions=28))
    seen = seen_from(disc.grid, 9)
    assert find_message(seen).disc.message != "FOG"
    evidence = np.zeros(28)
    evidence[[8, 9]] = 8.0, 7.5
    marked = replace(seen, start_known=True, start_evidence=evidence)
    assert find_message(marked).disc.message == "FOG"


@pytest.mark.parametrize(
    "ways", [WAYS[5::2], pytest.param(WAYS, marks=nightly)], ids=["two", "all"]
)
@pytest.mark.parametrize("alphabet", ["ascii", "utf-8", "ita2"])
def test_plain_discs_by_plausibility(alphabet, ways):
    text = TEXT.upper() + " TAKE CRAMPONS AND TURN BACK AT THE SADDLE IF CLOUD COMES"
    code = sonify.Code(alphabet=alphabet)
    disc = sonify.Disc.from_message(text, code=code, layout=sonify.Layout(positions=53))
    for n, (mirrored, upside, inverted) in enumerate(ways):
        found = find_message(seen_from(disc.grid, 6 * n, mirrored, upside, inverted))
        assert found.disc.message == text
        assert "letters, digits" in found.candidates[0].why
        assert found.candidates[0].score > 12


def test_unknown_bits_are_erasures():
    code = sonify.Code(framing="framed", check="reed-solomon")
    disc = sonify.Disc.from_message(TEXT, code=code, layout=sonify.Layout(positions=50))
    found = find_message(seen_from(disc.grid, 9, unknown=6))
    assert found.disc.message == TEXT
    assert (found.disc.grid < 0).sum() == 6


def test_noise_is_no_message():
    rng = np.random.default_rng(5)
    claimed = 0
    for _ in range(3):
        grid = rng.integers(0, 2, (5, 60)).astype(np.int8)
        found = find_message(seen_from(grid))
        claimed += found.disc.message is not None
        if found.disc.message is None:
            assert any("no message stands out" in str(n) for n in found.cautions)
    assert claimed == 0


def test_options_settle_it():
    disc = sonify.Disc.from_message("FOG", layout=sonify.Layout(positions=21))
    seen = seen_from(disc.grid, 4, mirrored=True)
    # too short to stand out by itself
    assert find_message(seen).disc.message != "FOG"
    # position k of the disc lies at 20 - (k + 4)
    wanted = Wanted(start=16, turning="anticlockwise", alphabet="ascii", bit_order="high-first",
                    hole_means=1, framing="plain", check="none")  # fmt: skip
    found = find_message(seen, wanted)
    assert found.disc.message == "FOG"
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    with pytest.raises(sonify.InputError, match="start: "):
        find_message(seen, Wanted(start=21))


def test_a_last_row_without_holes_is_added():
    code = sonify.Code(framing="framed", check="crc-16")
    for positions in range(20, 80):
        disc = sonify.Disc.from_message(TEXT, code=code, layout=sonify.Layout(positions=positions))
        if not disc.grid[-1].any():
            break
    found = find_message(seen_from(disc.grid[:-1], 7))
    np.testing.assert_array_equal(found.disc.grid, disc.grid)
    assert found.disc.message == TEXT
    assert any("without holes was added" in str(n) for n in found.cautions)


def test_zeros_that_fill_up_the_last_row_count():
    """A short text is told from the same bits read from elsewhere by where its filling ends."""
    code = sonify.Code(alphabet="ita2")
    layout = sonify.Layout(positions=71)
    disc = sonify.Disc.from_message("FOG 12, 980 M", code=code, layout=layout)
    found = find_message(seen_from(disc.grid, 14))
    assert found.disc.message == "FOG 12, 980 M"


@pytest.mark.parametrize("share", sampled([0.1, 0.25, 0.37, 0.6], 2))
def test_any_share_of_check_symbols_is_seen_and_chance_is_not(share):
    code = sonify.Code(framing="framed", check="reed-solomon", redundancy=share)
    disc = sonify.Disc.from_message(
        "STOVE LIT, SOUP ON", code=code, layout=sonify.Layout(positions=40)
    )
    rng = np.random.default_rng(3)
    grids = np.repeat(disc.grid.reshape(1, -1), 3, axis=0)
    grids[1, 5] ^= 1
    grids[2] = 1 - grids[2]
    assert confirming(grids, *disc.grid.shape).all()
    chance = rng.integers(0, 2, (20_000, disc.grid.size), dtype=np.int8)
    # three symbols are right by chance in one of 2^24
    assert confirming(chance, *disc.grid.shape).sum() <= 1


@pytest.mark.parametrize("share", sampled([0.13, 0.37, 0.52], 1))
def test_a_damaged_text_with_an_unusual_share_is_repaired(share):
    code = sonify.Code(framing="framed", check="reed-solomon", redundancy=share)
    text = "KEEP LEFT AT THE CAIRN, TAKE WATER, MEET AT THE DOOR BY NOON OR SIX."
    disc = sonify.Disc.from_message(text, code=code, layout=sonify.Layout(positions=44))
    bits = disc.grid.copy()
    bits[2, [4, 30]] ^= 1
    sure = np.ones(bits.shape, np.float32)
    found = find_message(Sighting("grid", bits, sure, start_known=True, order_known=True))
    assert found.disc.message == text
    assert found.disc.decoding.verdict == "repaired"
