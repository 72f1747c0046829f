"""The typeface in the package: complete for what it covers, and as it was drawn."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from fontTools.ttLib import TTFont

import sonify
from sonify.light.dejavu import dejavu
from tests.light.dejavu_subset import FACES, WHOLE, characters
from tests.nightly import sampled

ALPHABETS = {"LATIN": (0x20, 0x17F), "GREEK": (0x386, 0x3CE), "CYRILLIC": (0x400, 0x45F)}


def outlines(path: Path) -> dict[int, tuple[int, list[tuple[int, int]], list[int]]]:
    """Of each character: its width, points, and which are on the curve."""
    with TTFont(path) as font:
        glyphs, widths, out = font["glyf"], font["hmtx"], {}
        for code, name in font.getBestCmap().items():
            points, _, on = glyphs[name].getCoordinates(glyphs)
            out[code] = widths[name][0], list(points), [flag & 1 for flag in on]
    return out


@pytest.mark.parametrize("name", sampled(FACES, 2))
def test_each_letter_is_as_in_the_whole_font(name):
    drawn, whole = outlines(dejavu(name)), outlines(WHOLE / f"{name}.ttf")
    assert drawn == {code: whole[code] for code in characters(name) if code in whole}
    with TTFont(dejavu(name)) as font:
        for code, glyph in font.getBestCmap().items():
            assert font["hmtx"][glyph][1] == min((x for x, _ in drawn[code][1]), default=0)


@pytest.mark.parametrize("name", [n for n in FACES if len(" ".join(FACES[n])) > 100])
def test_latin_greek_and_cyrillic_are_complete(name):
    cmap = outlines(dejavu(name))
    for script, (first, last) in ALPHABETS.items():
        for code in range(first, last + 1):
            if unicodedata.name(chr(code), "").startswith(script):
                assert code in cmap, f"U+{code:04X}"


def test_what_the_program_itself_writes_is_covered():
    cmap = outlines(dejavu("DejaVuSans"))
    root = Path(sonify.__file__).parent
    written = {c for f in root.rglob("*.py") for c in f.read_text("utf-8") if c.isprintable()}
    assert {c for c in written if ord(c) not in cmap} == set()
