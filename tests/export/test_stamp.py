"""The comment that is put in when a file is done."""

from __future__ import annotations

import pytest

from sonify.export.animation import patch_comment as stamp
from sonify.export.animation.patch_comment import PLACEHOLDER, SIZE


@pytest.mark.parametrize("piece", [SIZE, 300, 1000, 1 << 22])
@pytest.mark.parametrize("lead", [0, 1, 61, 299, 760, 1000])
def test_it_is_found_wherever_pieces_end(tmp_path, monkeypatch, piece, lead):
    monkeypatch.setattr(stamp, "_PIECE", piece)
    path = tmp_path / "a.bin"
    mark = PLACEHOLDER.encode()
    path.write_bytes(b"x" * lead + mark + b"y" * 77 + mark + b"z")
    assert stamp.stamp(path, "what was found")
    new = b"what was found".ljust(SIZE)
    assert path.read_bytes() == b"x" * lead + new + b"y" * 77 + new + b"z"
    assert not stamp.stamp(path, "again"), "nothing is left to take its place"
