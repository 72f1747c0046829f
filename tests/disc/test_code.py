"""Codes: alphabets, framings and checks, there and back, and what damage does to them.

Sources outside the project: ISO 1745 (framing), the catalogue of parametrised CRC algorithms by
G. Cook (CRC check values, from memory), and the libraries galois and reedsolo for Reed-Solomon
codes. The alphabets have a file of their own.
"""

from __future__ import annotations

import itertools
import zlib
from math import factorial

import numpy as np
import pytest

from sonify.disc.code import gf256, reed_solomon
from sonify.disc.code.checks import crc16, crc_units
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import FAILED, GOOD, REPAIRED, decode_grid
from sonify.disc.code.encoding import encode_grid, message_units, room
from sonify.disc.code.framing import ETX, STX, SYN
from sonify.disc.disc import Disc
from sonify.disc.layout import Layout
from sonify.errors import InputError
from tests.benchmarks.bench_codes import DAMAGES, Count, miscorrected, swanson, trial
from tests.nightly import nightly, sampled_product


def encode(text: str, code: Code) -> np.ndarray:
    """A message as bits in reading order."""
    return encode_grid(text, code, 1).reshape(-1)


TEXTS = {
    "ascii": "WIND SW 6, CLOUD BASE 900 M",
    "ita2": "WIND SW 6, CLOUD BASE 900 M",
    "utf-8": "Bö 7 aus SW, −3 °C, Hütte 900 m 🏔",
}
FRAMINGS = ("plain", "framed")
CHECKS = ("none", "parity", "crc-16", "reed-solomon")
CODES = [
    Code(alphabet=a, framing=f, check=c, bit_order=o)
    for a, f, c, o in itertools.product(TEXTS, FRAMINGS, CHECKS, ("high-first", "low-first"))
    if not (a == "ita2" and f == "framed")
]
NAMES = ["-".join((c.alphabet, c.framing, c.check, c.bit_order)) for c in CODES]


@pytest.mark.parametrize(
    ("code", "positions"),
    sampled_product(CODES, [1, 3, 8, 56, 1000]),
    ids=lambda c: (
        "-".join((c.alphabet, c.framing, c.check, c.bit_order)) if isinstance(c, Code) else c
    ),
)
def test_there_and_back(code: Code, positions: int) -> None:
    text = TEXTS[code.alphabet]
    grid = encode_grid(text, code, positions)
    found = decode_grid(grid, code)
    assert found.text == found.as_read == text
    assert found.verdict == ("unchecked" if code.check == "none" else "valid")
    assert not len(found.repaired_bits)
    assert not len(found.failed_bits)
    assert np.all(found.characters["state"] == GOOD)
    assert len(message_units(text, code)) <= room(*grid.shape, code)
    if grid.shape[0] > 1 and code.check != "reed-solomon":
        assert len(message_units(text, code)) > room(grid.shape[0] - 1, positions, code)


@pytest.mark.parametrize("code", CODES, ids=NAMES)
def test_characters_say_which_bits_are_theirs(code: Code) -> None:
    """Encoding the text with one character changed changes bits of that character, of the
    check, and no others."""
    text = TEXTS[code.alphabet]
    grid = encode_grid(text, code, 24).reshape(-1)
    characters = decode_grid(grid.reshape(-1, 24), code).characters
    for at in (0, 6, len(text) - 1):
        other = "K" if text[at].isalpha() else "8"
        if code.alphabet == "utf-8" and len(text[at].encode()) > 1:
            continue
        new = encode_grid(text[:at] + other + text[at + 1 :], code, 24).reshape(-1)
        changed = np.flatnonzero(new != grid)
        inside = (changed >= characters["first_bit"][at]) & (changed <= characters["last_bit"][at])
        assert inside.any()
        last = characters["last_bit"][-1]
        assert np.all(inside | (changed > last))


def test_a_place_in_a_unit_holds_for_every_code() -> None:
    for code in CODES:
        if code.check == "reed-solomon":
            continue
        units = message_units(TEXTS[code.alphabet], code)
        bits = encode(TEXTS[code.alphabet], code)
        index = np.arange(len(bits))
        place = code.place(index)
        if code.bit_order == "high-first":
            power = code.data_bits - 1 - place
        else:
            power = place
        data = place < code.data_bits
        value = np.zeros(len(units), np.int64)
        np.add.at(value, (index // code.unit_bits)[data], bits[data] * 2 ** power[data])
        assert np.array_equal(value, units)


# --- published tables -------------------------------------------------------------------------


def test_a_frame_is_that_of_iso_1745() -> None:
    units = message_units("FOG", Code(framing="framed")).tolist()
    assert units == [0x16, 0x16, 0x02, *b"FOG", 0x03] == [SYN, SYN, STX, *b"FOG", ETX]


def test_the_frame_is_told_from_itself_turned_round_and_inverted() -> None:
    for alphabet, parity in itertools.product(("ascii", "utf-8"), ("none", "parity")):
        code = Code(alphabet=alphabet, framing="framed", check=parity)
        head = encode("A", code)[: 3 * code.unit_bits]
        low = encode("A", Code(alphabet=alphabet, framing="framed", check=parity,
                               bit_order="low-first"))[: 3 * code.unit_bits]  # fmt: skip
        ways = [w for h in (head, low) for w in (h, h[::-1], 1 - h, 1 - h[::-1])]
        for one, other in itertools.combinations(ways, 2):
            assert np.count_nonzero(one != other) >= 4


@pytest.mark.parametrize("check", ["none", "parity"])
def test_a_frame_read_from_a_wrong_place_is_not_taken_for_one(check: str) -> None:
    code = Code(framing="framed", check=check)
    for text in ("BROOK", "FOG"):
        bits = encode(text, code)
        row = np.concatenate((bits, np.zeros(40, np.int8)))
        for turn in range(1, len(row)):
            found = decode_grid(np.roll(row, turn)[None], code)
            assert found.verdict == "failed", turn


def test_crc_check_values_are_those_of_the_catalogue() -> None:
    digits = np.frombuffer(b"123456789", np.uint8)
    assert crc16(digits) == 0x29B1  # CRC-16/IBM-3740
    assert zlib.crc32(digits) == 0xCBF43926  # CRC-32/ISO-HDLC
    # in units of 7 bits: 29B1 as 000010 100110 110001, each marked by a one before it
    assert crc_units(digits, 7).tolist() == [0x42, 0x66, 0x71]
    units = message_units("123456789", Code(check="crc-16"))
    assert units.tolist() == [*b"123456789", 0x42, 0x66, 0x71]


def test_a_framed_crc_covers_text_and_etx() -> None:
    # ISO 1745: the check begins after STX and ends with ETX
    units = message_units("123456789", Code(framing="framed", check="crc-16"))
    assert units[-3:].tolist() == crc_units(np.frombuffer(b"123456789\x03", np.uint8), 7).tolist()


def test_parity_is_even_and_last() -> None:
    for order in ("high-first", "low-first"):
        code = Code(check="parity", bit_order=order)
        cells = encode("\x7fABCaz", code).reshape(-1, 8)
        assert np.all(cells.sum(axis=1) % 2 == 0)
        assert cells[0].tolist() == [1] * 8
        plain = encode("\x7fABCaz", Code(bit_order=order)).reshape(-1, 7)
        assert np.array_equal(cells[:, :7], plain)


# --- Reed-Solomon against galois ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("sizes", "trials"),
    [(((20, 5), (255, 4)), 2), pytest.param(((60, 10), (33, 7), (255, 32)), 10, marks=nightly)],
    ids=["some", "many"],
)
def test_every_count_of_errors_and_erasures_up_to_the_bound_and_one_past_it(sizes, trials) -> None:
    """Codewords are those of galois; what it corrects and refuses, we do too. galois takes no
    erasures: those are held against its codewords, and against what reedsolo makes of them.
    """
    galois = pytest.importorskip("galois")
    reedsolo = pytest.importorskip("reedsolo")
    # galois compiles itself for a while, which few words are not worth
    field = galois.GF(2**8, compile="python-calculate" if trials < 10 else "auto")
    for n, checks in sizes:
        rng = np.random.default_rng(checks)
        other = galois.ReedSolomon(255, 255 - checks, field=field, c=0)
        pure = reedsolo.RSCodec(checks)
        few = n == 255
        for erasures in range(0, checks + 1, 16 if few else 1):
            for errors in range((checks - erasures) // 2 + 2):
                data = rng.integers(0, 256, (trials, n - checks), dtype=np.uint8)
                words = np.hstack((data, gf256.checks(data, checks)))
                assert np.array_equal(np.asarray(other.encode(data)), words)
                damaged = words.copy()
                erased = np.zeros(words.shape, bool)
                for k in range(trials):
                    places = rng.permutation(n)[: errors + erasures]
                    damaged[k, places] ^= rng.integers(1, 256, len(places), dtype=np.uint8)
                    erased[k, places[errors:]] = True
                found = gf256.correct(damaged, checks, erased)
                ok = found.ok
                if 2 * errors + erasures <= checks:
                    assert ok.all(), (errors, erasures)
                    assert np.array_equal(found.words, words)
                    assert np.all(found.spare == checks - erasures - 2 * errors)
                    if errors + erasures:
                        lost = np.flatnonzero(erased[0]).tolist()
                        whole = pure.decode(bytes(damaged[0]), erase_pos=lost)[1]
                        assert bytes(whole) == bytes(found.words[0])
                else:
                    # past the bound: refused, or another true codeword within the bound
                    assert not np.any(gf256.syndromes(found.words[ok], checks))
                    moved = (found.words[ok] != damaged[ok]) & ~erased[ok]
                    assert np.all(2 * moved.sum(axis=1) + erasures <= checks)
                    assert np.array_equal(found.words[~ok], damaged[~ok])
                if erasures == 0:
                    theirs, count = other.decode(damaged, errors=True)
                    assert np.array_equal(np.asarray(count) >= 0, ok)
                    assert np.array_equal(np.asarray(theirs)[ok], found.words[ok][:, : n - checks])


def test_erasures_past_the_bound_are_refused() -> None:
    words = np.zeros((1, 20), np.uint8)
    erased = np.zeros((1, 20), bool)
    erased[0, :5] = True
    assert not gf256.correct(words, 4, erased).ok[0]


# --- the plan of reed-solomon ------------------------------------------------------------------


def test_no_codeword_loses_more_with_a_row_than_it_has_checks() -> None:
    for positions in (1, 2, 3, 7, 8, 9, 24, 56, 57, 100, 999, 4096):
        for rows in (2, 3, 4, 5, 8, 9, 17, 40):
            p = reed_solomon.plan(rows, positions, 0.05)
            if not p.fits:
                continue
            at = np.arange(p.symbols)
            word = (at + p.codewords * p.length - p.symbols) % p.codewords
            for row in range(rows):
                hit = (8 * at < (row + 1) * positions) & (8 * at + 8 > row * positions)
                assert np.bincount(word[hit], minlength=p.codewords).max() <= p.checks
            assert p.length <= 255
            assert p.redundancy >= 0.05


@pytest.mark.parametrize("redundancy", [0.05, 0.25, 0.5, 0.8])
@pytest.mark.parametrize("positions", [1, 4, 7, 24, 56, 100])
def test_the_rows_are_the_fewest(redundancy: float, positions: int) -> None:
    for bits in (7, 100, 1001):
        rows = reed_solomon.rows_for(bits, positions, redundancy)
        assert reed_solomon.plan(rows, positions, redundancy).data_bits >= bits
        fewer = [r for r in range(1, rows)
                 if reed_solomon.plan(r, positions, redundancy).data_bits >= bits]  # fmt: skip
        assert not fewer


@pytest.mark.parametrize("alphabet", TEXTS)
@pytest.mark.parametrize("positions", [8, 13, 56])
def test_any_one_lost_row_is_repaired(alphabet: str, positions: int) -> None:
    """Unknown, all dark, all light, or random: the row comes back, and is named."""
    rng = np.random.default_rng(positions)
    code = Code(alphabet=alphabet, check="reed-solomon")
    grid = encode_grid(TEXTS[alphabet], code, positions)
    for row in range(len(grid)):
        for fill in (-1, 0, 1, rng.integers(0, 2, positions)):
            damaged = grid.copy()
            damaged[row] = fill
            found = decode_grid(damaged, code)
            assert found.text == TEXTS[alphabet], (row, fill)
            wrong = np.flatnonzero(damaged != grid)
            assert np.array_equal(found.repaired_bits, wrong)
            assert found.verdict == ("repaired" if len(wrong) else "valid")
            assert not len(found.failed_bits)


def test_a_lost_row_of_a_large_disc() -> None:
    text = "VISIBILITY 40 KM. " * 400
    code = Code(check="reed-solomon", redundancy=0.1)
    grid = encode_grid(text, code, 1500)
    damaged = grid.copy()
    damaged[7] = -1
    damaged[20, 3] ^= 1
    found = decode_grid(damaged, code)
    assert found.text == text
    assert np.array_equal(found.repaired_bits, np.flatnonzero(damaged != grid))


def test_reed_solomon_says_what_it_could_not_repair() -> None:
    code = Code(check="reed-solomon")
    text = TEXTS["ascii"]
    grid = encode_grid(text, code, 56)
    damaged = grid.copy()
    damaged[:3] = -1
    found = decode_grid(damaged, code)
    assert found.verdict == "failed"
    assert "beyond repair" in found.reasons[0]
    assert found.text != text
    assert np.all(found.characters["state"] == FAILED)


def test_what_is_not_marked_as_failed_is_right_even_where_others_failed() -> None:
    rng = np.random.default_rng(8)
    code = Code(check="reed-solomon", redundancy=0.1)
    text = "".join(rng.choice(list("ABCDEFGHIJ KLMNOP"), 1500))
    grid = encode_grid(text, code, 400)
    plan = reed_solomon.plan(*grid.shape, 0.1)
    assert plan.codewords > 5
    some = 0
    for k in range(12):
        damaged = grid.reshape(-1).copy()
        # beyond the bound in one codeword, within it in others
        word = np.arange(plan.symbols) % plan.codewords
        own = np.flatnonzero(word == k % plan.codewords)
        damaged[rng.choice(own, plan.checks // 2 + 2, replace=False) * 8 + 3] ^= 1
        damaged[rng.integers(0, 8 * plan.symbols, 6)] = -1
        found = decode_grid(damaged.reshape(grid.shape), code)
        assert found.verdict == "failed"
        assert "codeword is beyond repair" in found.reasons[0]
        # what follows the text may be doubtful filling
        assert set(found.text[len(text) :]) <= {"\ufffd"}
        told = [(a, b) for a, b in zip(found.text, text, strict=False) if a != "\ufffd"]
        assert all(a == b for a, b in told)
        some += len(told)
    assert some > 12 * 0.6 * len(text)


# --- damage ------------------------------------------------------------------------------------


def test_parity_mends_one_unknown_bit_of_a_unit_and_sees_one_wrong() -> None:
    code = Code(check="parity")
    grid = encode_grid("FOG ON TOP", code, 16)
    flat = grid.reshape(-1)
    for at in range(10 * 8):
        damaged = flat.copy()
        damaged[at] = -1
        found = decode_grid(damaged.reshape(grid.shape), code)
        assert (found.text, found.verdict) == ("FOG ON TOP", "repaired")
        assert found.repaired_bits.tolist() == [at]
        assert np.flatnonzero(found.characters["state"] == REPAIRED).tolist() == [at // 8]
        damaged[at] = 1 - flat[at]
        found = decode_grid(damaged.reshape(grid.shape), code)
        assert found.verdict == "failed"
        assert np.flatnonzero(found.characters["state"] == FAILED).tolist() == [at // 8]
        assert found.failed_bits.tolist() == list(range(at // 8 * 8, at // 8 * 8 + 8))
        assert found.text[at // 8] == "\ufffd"


def test_two_unknown_bits_of_a_unit_are_too_many_for_parity() -> None:
    code = Code(check="parity")
    grid = encode_grid("FOG", code, 8).copy()
    grid[1, :2] = -1
    found = decode_grid(grid, code)
    assert (found.text, found.verdict) == ("F\ufffdG", "failed")


@pytest.mark.parametrize(
    ("framing", "alphabet"),
    [("plain", "ascii"), ("plain", "ita2"), ("plain", "utf-8"), ("framed", "ascii"),
     ("framed", "utf-8")],
)  # fmt: skip
def test_crc_mends_up_to_three_unknown_bits(framing: str, alphabet: str) -> None:
    code = Code(check="crc-16", framing=framing, alphabet=alphabet)
    grid = encode_grid(TEXTS[alphabet], code, 40)
    used = len(message_units(TEXTS[alphabet], code)) * code.unit_bits
    rng = np.random.default_rng(3)
    for _ in range(60):
        at = np.sort(rng.choice(used, int(rng.integers(1, 4)), replace=False))
        damaged = grid.reshape(-1).copy()
        damaged[at] = -1
        found = decode_grid(damaged.reshape(grid.shape), code)
        assert (found.text, found.verdict) == (TEXTS[alphabet], "repaired")
        assert np.array_equal(found.repaired_bits, at)


def test_a_failed_crc_confirms_no_character() -> None:
    code = Code(check="crc-16")
    grid = encode_grid("FOG ON TOP", code, 16).copy()
    grid[0, 3] ^= 1
    found = decode_grid(grid, code)
    assert found.verdict == "failed"
    assert found.text == "\ufffd" * 10
    assert found.as_read[1:] == "OG ON TOP"
    assert any("crc-16" in r for r in found.reasons)


@pytest.mark.parametrize("check", CHECKS)
def test_a_frame_with_damage(check: str) -> None:
    code = Code(framing="framed", check=check)
    text = "FOG ON TOP"
    grid = encode_grid(text, code, 40)
    shape, flat = grid.shape, grid.reshape(-1)
    damaged = flat.copy()
    damaged[2] = -1  # in SYN
    found = decode_grid(damaged.reshape(shape), code)
    assert found.text == text
    assert found.repaired_bits.tolist() == [2]
    assert found.verdict == ("unchecked" if check == "none" else "repaired")
    damaged = flat.copy()
    damaged[13 * code.unit_bits + 1] = -1  # in ETX
    found = decode_grid(damaged.reshape(shape), code)
    assert found.text == text
    damaged = np.zeros_like(flat)
    found = decode_grid(damaged.reshape(shape), code)
    assert found.verdict == "failed"
    assert found.reasons


def test_unknown_filling_does_no_harm_to_a_frame() -> None:
    for check in CHECKS:
        code = Code(framing="framed", check=check)
        grid = encode_grid("FOG ON TOP", code, 64).copy()
        used = len(message_units("FOG ON TOP", code)) * code.unit_bits
        flat = grid.reshape(-1)
        flat[used : used + 12] = -1
        found = decode_grid(flat.reshape(grid.shape), code)
        assert found.text == "FOG ON TOP"
        assert not found.reasons


def test_a_text_cut_short_by_a_false_etx_is_not_passed() -> None:
    code = Code(framing="framed")
    grid = encode_grid("FOGC", code, 64)
    flat = grid.reshape(-1).copy()
    at = 6 * 7  # the C, 0x43, loses its highest bit and is an ETX
    flat[at] ^= 1
    found = decode_grid(flat.reshape(grid.shape), code)
    assert (found.text, found.verdict) == ("FOG\ufffd", "failed")


def test_a_lost_shift_makes_what_follows_doubtful() -> None:
    code = Code(alphabet="ita2")
    grid = encode_grid("AT 12 M", code, 5).copy()
    assert Disc.from_bits(grid, code=code, layout=Layout(positions=5)).message == "AT 12 M"
    grid[3] = -1  # the shift to figures
    found = decode_grid(grid, code)
    assert found.text == "AT \ufffd\ufffd\ufffd M"
    grid = encode_grid("AT 12 M", code, 5).copy()
    grid[0, 4] = -1  # A, 00011 from its highest bit: with its lowest unknown, it can't be a shift
    assert decode_grid(grid, code).text == "\ufffdT 12 M"


@pytest.mark.parametrize("check", ["crc-16", "reed-solomon"])
@pytest.mark.parametrize("framing", FRAMINGS)
def test_no_wrong_message_is_passed(check: str, framing: str) -> None:
    """The wide run, with figures, is tests/benchmarks/bench_codes.py."""
    rng = np.random.default_rng(11)
    code = Code(check=check, framing=framing)
    text = TEXTS["ascii"]
    grid = encode_grid(text, code, 40)
    flat = grid.reshape(-1)
    for k in range(300):
        damaged = flat.copy()
        at = rng.choice(len(flat), 1 + k % 20, replace=False)
        damaged[at] = np.where(rng.random(len(at)) < 0.3, -1, 1 - damaged[at])
        found = decode_grid(damaged.reshape(grid.shape), code)
        if found.verdict in ("valid", "repaired"):
            assert found.text == text
            assert np.array_equal(found.bits, flat) or found.bits is None
        else:
            assert "\ufffd" in found.text or found.reasons


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("check", ["parity", "crc-16", "reed-solomon"])
def test_silent_errors_are_no_more_than_theory_allows(check: str, damage: str) -> None:
    """A sample of the table of tests/benchmarks/bench_codes.py."""
    count, rng = Count(), np.random.default_rng(3)
    for _ in range(100):
        trial(rng, check, damage, count)
    assert count.discs == 100
    assert count.silent <= count.theory + 5 * count.theory**0.5
    assert count.bound_right == count.bound


@pytest.mark.parametrize("most", [1, 2])
def test_codewords_beyond_repair_become_others_as_seldom_as_theory_says(most: int) -> None:
    """McEliece & Swanson 1986: the bound is nearly reached by random errors."""
    words = 10_000
    found, bound = miscorrected(np.random.default_rng(4), words, 60, most), swanson(60, most)
    assert bound <= 1 / factorial(most)
    assert abs(found - words * bound) < 5 * (words * bound) ** 0.5


# --- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("", Code(), "empty"),
        ("grün", Code(), "character 3 is 'ü': the alphabet ascii lacks it; utf-8 has it"),
        ("fog", Code(alphabet="ita2"), "or write it as a capital"),
        (
            "A\x03B",
            Code(framing="framed"),
            "character 2 is U+0003: ETX is reserved for the framing",
        ),
        ("A\0B", Code(), "character code 0"),
        ("A", Code(alphabet="ita2", framing="framed"), "which ita2 lacks"),
        ("A", Code(redundancy=0.5), "redundancy goes with the check reed-solomon"),
    ],
)
def test_refusals(text: str, code: Code, says: str) -> None:
    with pytest.raises(InputError) as error:
        Disc.from_message(text, code=code)
    assert says in str(error.value)
    assert "\n" not in str(error.value)


def test_too_many_bits_are_refused_before_memory_is_taken() -> None:
    with pytest.raises(InputError, match="positions are too many"):
        encode_grid("A", Code(), 100_000_001)


def test_a_grid_too_small_for_reed_solomon_is_not_confirmed() -> None:
    found = decode_grid(np.ones((1, 14), np.int8), Code(check="reed-solomon"))
    assert found.verdict == "failed"
    assert "too small" in found.reasons[0]


def test_importing_the_code_imports_no_other_library() -> None:
    import subprocess
    import sys

    out = subprocess.run(
        [sys.executable, "-c", "import sys, sonify.disc.disc; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert not {"reedsolo", "galois", "PIL", "scipy"} & set(out.split())
