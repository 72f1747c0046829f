"""Scala's files, read and written.

Source: the formats as the Scala archive publishes them; the examples are typed in here from memory
of its description, with numbers of our own.
"""

from __future__ import annotations

import numpy as np
import pytest

import sonify
from sonify.errors import InputError
from sonify.music.theory.scale_table import SCALES
from tests.nightly import sampled

SCL = """! hut.scl
!
Just minor with a narrow seventh
 7
!
 9/8
 6/5 a comment after the pitch
 4/3
 701.955
 8/5
 968.826 cents
 2
"""
KBM = """! hut.kbm
!
! Size, first and last key, middle key, reference key, frequency, octave degree
5
0
127
62
69
432.0
7
! degrees
0
1
2
x
4
"""


def pitches(*presets, **settings):
    show = sonify.perform(
        sonify.Disc.from_bits(["1"] * 8), presets,
        {"music.voice": [{"pitch": {"scheme": "row-ladder", "span": 8}}], **settings},
    )  # fmt: skip
    return show, np.sort(show.notes["pitch"])


@pytest.fixture
def scl(tmp_path):
    path = tmp_path / "hut.scl"
    path.write_text(SCL)
    return path


def test_a_scale_file_is_a_preset(scl):
    show, heard = pitches(scl)
    ratios = [1, 9 / 8, 6 / 5, 4 / 3, 2 ** (701.955 / 1200), 8 / 5, 2 ** (968.826 / 1200), 2]
    assert show.setup.music.scale_name == "Just minor with a narrow seventh"
    assert np.allclose(heard, 62 + 12 * np.log2(ratios), atol=1e-6)


def test_a_mapping_sets_root_concert_pitch_and_tones(scl, tmp_path):
    kbm = tmp_path / "hut.kbm"
    kbm.write_text(KBM)
    _, heard = pitches(scl, kbm)
    # key 62 is degree 0; 69 is the third of the next turn of five keys: degree 2, 6/5 above it
    a = 440 * 2 ** ((heard - 69) / 12)
    ratios = [1, 9 / 8, 6 / 5, 2 ** (701.955 / 1200), 2, 9 / 4, 12 / 5, 2 * 2 ** (701.955 / 1200)]
    assert np.allclose(a / a[0], ratios, atol=1e-6)
    assert np.isclose(a, 432.0).any()


def steps(tmp_path, text: str | bytes) -> list[float]:
    path = tmp_path / "a.scl"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    scale = sonify.load_setup([path]).music.scale
    return [*np.round(scale.cents, 3).tolist(), round(float(scale.period), 3)]


@pytest.mark.parametrize(("text", "want"), [
    # no description, comments anywhere, tabs, words after pitches, empty lines
    ("\n!\n 4 \n!\n\t9/8 D\n! third\n5/4 E\\\n\n  3/2\n2\n\n", [0, 203.91, 386.314, 701.955, 1200]),
    # cents with a bare period, and a comment before the description
    ("! a.scl\nHut\n3\n 408.\n702.0 cents\n1200.\n", [0, 408, 702, 1200]),
    # the octave is missing: the last tone is what repeats
    ("Fifths\n2\n9/8\n3/2\n", [0, 203.91, 701.955]),
    # large numbers, and more lines than are announced
    ("Fine\n2\n2147483647/2147483646\n3\n4\n", [0, 0, 1901.955]),
    ("H\xfctte\n1\n2/1\n".encode("latin-1"), [0, 1200]),
    ("\ufeffHut\r\n1\r\n2/1\r\n", [0, 1200]),
])  # fmt: skip
def test_what_the_format_allows(text, want, tmp_path):
    """Scala scale file format, from memory; the files are written by hand."""
    assert steps(tmp_path, text) == pytest.approx(want, abs=1e-3)


@pytest.mark.parametrize("name", sampled(SCALES, 12))
def test_every_scale_comes_back_from_its_files(name, tmp_path):
    settings = {"music.scale": name, "music.root": "E3", "music.concert-pitch": 443.0}
    show, heard = pitches(**settings)
    scl, kbm = (show.save(tmp_path / f"a{suffix}") for suffix in (".scl", ".kbm"))
    again, back = pitches(scl, kbm)
    assert np.allclose(back, heard, atol=2e-6)
    assert again.setup.music.root == "E3"
    assert again.setup.music.scale_name == name


@pytest.mark.parametrize(("text", "told"), [
    ("x\n", "cut off"),
    ("name\n two\n 3/2\n 2\n", "'two' is not the number of tones"),
    ("name\n 3\n 3/2\n 2/1\n", "3 tones are announced and 2 listed"),
    ("name\n 2\n 3/2\n 5/4\n", "does not lie above"),
    ("name\n 2\n 3/2\n moon\n", "not a ratio"),
    ("name\n 0\n", "no tone but its root"),
    ("name\n 2\n -3/2\n 2\n", "-3/2"),
    ("name\n 1\n -5.0\n", "does not lie above"),
    ("name\n 2\n 3/2/1\n 2\n", "not a ratio"),
    ("name\n 2\n 3/2\n 12.a\n", "'12.a' is not a pitch"),
])  # fmt: skip
def test_wrong_scale_files_are_a_line(text, told, tmp_path):
    path = tmp_path / "a.scl"
    path.write_text(text)
    with pytest.raises(InputError, match=told) as error:
        pitches(path)
    assert "a.scl" in str(error.value)


def test_the_command_writes_both(run, tmp_path):
    scl = tmp_path / "a.scl"
    assert run("tuning", "cairn-small", "--set", "music.scale=bayati", "-o", scl).status == 0
    assert scl.read_text().splitlines()[2] == "bayati"
    assert run("tuning", "cairn-small", "-o", tmp_path / "a.kbm").status == 0
    assert run("tuning", "cairn-small", "-o", tmp_path / "a.txt").status == 2
