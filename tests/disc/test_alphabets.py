"""Alphabets against the published tables.

ISO/IEC 646 (IRV): the table's columns and rows are the bits b7 b6 b5 and b4 b3 b2 b1, as Python's
own `ascii` codec has them. ITU-T S.1 (International Telegraph Alphabet No. 2): combinations 1 to 32
with their code elements 1 to 5, A for start polarity (0) and Z for stop polarity (1).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonify.disc.code.alphabets import ALPHABETS, ITA2_FIGURES, ITA2_LETTERS
from sonify.disc.code.code import Code
from sonify.disc.code.decoding import Decoding, decode_grid
from sonify.disc.code.encoding import encode_grid
from sonify.errors import InputError

# ITU-T S.1, table of combinations: letter, figure, elements 1 to 5 (typed in by hand from memory)
TABLE = """
A - ZZAAA    B ? ZAAZZ    C : AZZZA    D ENQ ZAAZA  E 3 ZAAAA    F none ZAZZA
G none AZAZZ H none AAZAZ I 8 AZZAA    J BEL ZZAZA  K ( ZZZZA    L ) AZAAZ
M . AAZZZ    N , AAZZA    O 9 AAAZZ    P 0 AZZAZ    Q 1 ZZZAZ    R 4 AZAZA
S ' ZAZAA    T 5 AAAAZ    U 7 ZZZAA    V = AZZZZ    W 2 ZZAAZ    X / ZAZZZ
Y 6 ZAZAZ    Z + ZAAAZ
"""
S1 = TABLE.split()
NAMED = {"ENQ": "\x05", "BEL": "\a", "none": "\ufffd"}


def encode(text: str, code: Code) -> np.ndarray:
    """A message as bits in reading order."""
    return encode_grid(text, code, 1).reshape(-1)


def decode(bits: np.ndarray, code: Code) -> Decoding:
    """Bits in reading order as a message."""
    return decode_grid(bits[None], code)


def test_ita2_is_the_table_of_itu_t_s1():
    for letter, figure, elements in zip(S1[::3], S1[1::3], S1[2::3], strict=True):
        unit = sum((e == "Z") << k for k, e in enumerate(elements))
        assert ITA2_LETTERS[unit] == letter
        assert ITA2_FIGURES[unit] == NAMED.get(figure, figure)
    for char, elements in ((" ", "AAZAA"), ("\r", "AAAZA"), ("\n", "AZAAA"), ("\0", "AAAAA")):
        unit = sum((e == "Z") << k for k, e in enumerate(elements))
        assert ITA2_LETTERS[unit] == ITA2_FIGURES[unit] == char
    assert ITA2_LETTERS[0b11111] == ITA2_FIGURES[0b11111] == "\x0f"  # letters: ZZZZZ
    assert ITA2_LETTERS[0b11011] == ITA2_FIGURES[0b11011] == "\x0e"  # figures: ZZAZZ


def test_ascii_is_iso_646():
    for value in range(1, 128):
        bits = encode(chr(value), Code())
        assert "".join(map(str, bits)) == format(value, "07b")


@pytest.mark.parametrize("order", ["high-first", "low-first"])
def test_bit_order(order):
    bits = "".join(map(str, encode("A", Code(bit_order=order))))
    assert bits == ("1000001" if order == "high-first" else "1000001"[::-1])
    bits = "".join(map(str, encode("C", Code(bit_order=order))))
    assert bits == ("1000011" if order == "high-first" else "1100001")


def test_ita2_shifts_only_where_the_case_changes():
    bits = encode("A 1B", Code(alphabet="ita2"))
    units = [int("".join(map(str, bits[k : k + 5])), 2) for k in range(0, len(bits), 5)]
    # A, space, figures, 1, letters, B: a space needs no shift
    assert units == [0b00011, 0b00100, 0b11011, 0b10111, 0b11111, 0b11001]


TEXTS = {
    "ascii": st.text(st.characters(min_codepoint=1, max_codepoint=127), min_size=1),
    "ita2": st.text(st.sampled_from(sorted(ALPHABETS["ita2"].has or ())), min_size=1),
    "utf-8": st.text(st.characters(exclude_categories=["Cs"], min_codepoint=1), min_size=1),
}


@pytest.mark.parametrize("alphabet", ALPHABETS)
@pytest.mark.parametrize("order", ["high-first", "low-first"])
def test_what_is_encoded_decodes(alphabet, order):
    code = Code(alphabet=alphabet, bit_order=order)

    @given(TEXTS[alphabet], st.integers(0, 60))
    def check(text, filling):
        bits = encode(text, code)
        decoded = decode(np.concatenate([bits, np.zeros(filling, np.int8)]), code)
        assert decoded.text == text
        assert decoded.failed == 0
        c = decoded.characters
        assert (c["last_bit"] < len(bits)).all()
        assert (np.diff(c["first_bit"]) > 0).all()

    check()


@given(st.binary(max_size=40))
def test_utf8_fails_where_pythons_decoder_fails(data):
    """Python's strict decoder is the reference for what is well formed (RFC 3629)."""
    data = data.rstrip(b"\0").replace(b"\0", b"x")
    if not data:
        return
    bits = np.unpackbits(np.frombuffer(data, np.uint8)).astype(np.int8)
    got = decode(bits, Code(alphabet="utf-8"))
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        assert got.failed > 0
    else:
        assert got.failed == 0
        assert got.text == text


def test_an_unknown_bit_fails_its_character_and_no_other():
    bits = encode("FOG", Code()).copy()
    bits[8] = -1
    got = decode(bits, Code())
    assert got.text == "F\ufffdG"
    assert got.characters["state"].tolist() == [0, 2, 0]


@pytest.mark.parametrize(
    ("text", "alphabet", "parts"),
    [
        ("", "ascii", ["empty"]),
        ("fog \u00e9", "ascii", ["character 5", "'\u00e9'", "utf-8"]),
        ("FOG \u00e9", "ita2", ["character 5", "utf-8"]),
        ("FOg", "ita2", ["character 3", "'g'", "ascii", "capital"]),
        ("a\0b", "ascii", ["character 2", "U+0000"]),
        ("a\ud800", "utf-8", ["character 2", "surrogate"]),
    ],
)
def test_what_an_alphabet_lacks(text, alphabet, parts):
    with pytest.raises(InputError) as e:
        encode(text, Code(alphabet=alphabet))
    for part in parts:
        assert part in str(e.value)
