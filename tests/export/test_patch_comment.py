"""The comment that is patched when a file is done."""

from __future__ import annotations

import pytest

from sonify.export.animation.comments import in_gif, in_png, in_webp
from sonify.export.animation.patch_comment import PLACEHOLDER, SIZE, patch_comment

TEXTS = ["what was found", "Grüße", "霧" * 2000, ""]


@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize(("head", "block"), [(b"GIF89a", in_gif), (b"\x89PNG", in_png)])
def test_what_follows_moves_forward(tmp_path, head, block, text):
    path = tmp_path / "a.bin"
    path.write_bytes(head + b"x" * 760 + block(PLACEHOLDER) + b"y" * 5000)
    assert patch_comment(path, text)
    kept = text.encode()[: SIZE - 8].decode(errors="ignore")
    assert path.read_bytes() == head + b"x" * 760 + block(kept) + b"y" * 5000
    assert not patch_comment(path, "again"), "no placeholder is left"


def test_the_length_of_a_webp_file_is_right(tmp_path):
    path = tmp_path / "a.webp"
    path.write_bytes(b"RIFF\0\0\0\0WEBP" + in_webp(PLACEHOLDER))
    assert patch_comment(path, "R&D <x>")
    data = path.read_bytes()
    assert data[12:] == in_webp("R&D <x>")
    assert int.from_bytes(data[4:8], "little") == len(data) - 8


@pytest.mark.parametrize("before", [0, 1, 3000, 4095, 4096, 7000, 9000])
def test_placeholders_of_a_film_are_found_across_blocks(tmp_path, monkeypatch, before):
    # user data of QuickTime: a box with its size, then the length of the text and its language
    monkeypatch.setattr("sonify.export.animation.patch_comment._BLOCK", 4096)

    def box(text, rest):
        size, length = (12 + len(text)).to_bytes(4, "big"), len(text).to_bytes(2, "big")
        empty = rest.to_bytes(4, "big") + b"free".ljust(rest - 4, b"\0") if rest else b""
        return size + b"\xa9cmt" + length + b"\x15\xc7" + text + empty

    path = tmp_path / "a.mov"
    parts = [b"\0" * before, b"x" * 5000, b"y" * 3000]
    path.write_bytes(box(PLACEHOLDER.encode(), 0).join(parts))
    assert patch_comment(path, "what was found")
    assert path.read_bytes() == box(b"what was found", SIZE - 14).join(parts)
    assert not patch_comment(path, "again")
