"""Grids as people write them down, and what is no grid."""

from __future__ import annotations

import numpy as np
import pytest

from sonify.errors import InputError
from sonify.recover.sources.options import ReadOptions
from sonify.recover.sources.source import read_source

WANT = np.array([[1, 0, 1, 1], [0, -1, 0, 1]], np.int8)

TEXTS = {
    "bits.txt": "1011\n0?01\n",
    "spaced.txt": "# Cairn Hut, 14 March\n\n1 0 1 1\n0 ? 0 1  # blocked\n",
    "marks.txt": "; the pattern of the window\nX.XX\n.?.X\n",
    "hash.txt": "#.##\n.?.#\n",
    "commas.csv": "1,0,1,1\r\n0,?,0,1\r\n",
    "bars.txt": "\ufeff|1|0|1|1|\n|0|?|0|1|\n// end\n",
}


@pytest.mark.parametrize("name", TEXTS)
def test_texts(name, tmp_path):
    path = tmp_path / name
    path.write_text(TEXTS[name], encoding="utf-8")
    seen = read_source(path)
    assert seen.kind == "grid"
    np.testing.assert_array_equal(seen.bits(), WANT)
    assert seen.confidence[1, 1] == 0
    assert seen.confidence[0].min() == 1


@pytest.mark.parametrize(
    "array", [WANT, WANT.astype(float), np.where(WANT < 0, np.nan, WANT).astype("f4")]
)
def test_arrays(array, tmp_path):
    np.save(tmp_path / "g.npy", array)
    np.testing.assert_array_equal(read_source(tmp_path / "g.npy").bits(), WANT)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("101\n10\n", "line 2: this row has 2 positions and the first one 3"),
        ("101\n1a1\n", "line 2: 3 different marks were found, 'a' among them"),
        ("abab\nbaba\n", "nothing says which is a one"),
        ("# nothing\n", "it has no bits"),
    ],
)
def test_bad_text(text, says, tmp_path):
    (tmp_path / "g.txt").write_text(text)
    with pytest.raises(InputError, match=says) as e:
        read_source(tmp_path / "g.txt")
    assert "\n" not in str(e.value)


def test_bad_arrays(tmp_path):
    np.save(tmp_path / "a.npy", np.array([[0, 2]]))
    with pytest.raises(InputError, match="row 1, position 2: the value 2 is not a bit"):
        read_source(tmp_path / "a.npy")
    np.save(tmp_path / "b.npy", np.zeros(5))
    with pytest.raises(InputError, match="two dimensions"):
        read_source(tmp_path / "b.npy")
    np.save(tmp_path / "c.npy", np.array([{"a": 1}], object), allow_pickle=True)
    with pytest.raises(InputError, match="Python objects"):
        read_source(tmp_path / "c.npy")


def test_unknown_kind(tmp_path):
    (tmp_path / "disc.svgg").write_text("x")
    with pytest.raises(InputError, match=r"did you mean \.svg"):
        read_source(tmp_path / "disc.svgg")
    with pytest.raises(InputError, match="no such file"):
        read_source(tmp_path / "none.svg")
    with pytest.raises(InputError, match="folder"):
        read_source(tmp_path, ReadOptions())
