"""The comment that is patched when a file is done."""

from __future__ import annotations

import pytest

from sonify.export.animation.patch_comment import PLACEHOLDER, SIZE, patch_comment


@pytest.mark.parametrize("lead", [0, 1, 760])
def test_every_placeholder_is_replaced(tmp_path, lead):
    path = tmp_path / "a.bin"
    mark = PLACEHOLDER.encode()
    path.write_bytes(b"x" * lead + mark + b"y" * 77 + mark + b"z")
    assert patch_comment(path, "what was found")
    new = b"what was found".ljust(SIZE)
    assert path.read_bytes() == b"x" * lead + new + b"y" * 77 + new + b"z"
    assert not patch_comment(path, "again"), "no placeholder is left"
