"""The letters that ship, text set in them, and letters from font files."""

from __future__ import annotations

import base64
import importlib.resources
import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sonify.errors import InputError
from sonify.light.fonts import FontError, load_font
from sonify.light.letters import load_letters, missing, text_columns
from sonify.light.typeface import Typeface

REQUIRED = [*map(chr, range(0x20, 0x7F)), *map(chr, range(0xA0, 0x100))]
# Unicode Standard Annex #14: these two differ from their plain partners in line breaking only.
ALIKE = {(" ", "\u00a0"), ("-", "\u00ad")}
SYSTEM_FONT = Path("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")

# After the example in "Glyph Bitmap Distribution Format (BDF) Specification", version 2.2 (1993),
# with "j" and "quoteright"; written from memory.
BDF_EXAMPLE = """STARTFONT 2.1
COMMENT This is a sample font in 2.1 format.
FONT -Sample-Plain-Bold-R-Normal--24-240-75-75-P-65-ISO8859-1
SIZE 24 75 75
FONTBOUNDINGBOX 9 24 -2 -6
STARTPROPERTIES 4
MIN_SPACE 4
FONT_ASCENT 18
FONT_DESCENT 6
COPYRIGHT "none: a sample"
ENDPROPERTIES
CHARS 2
STARTCHAR j
ENCODING 106
SWIDTH 355 0
DWIDTH 8 0
BBX 9 22 -2 -6
BITMAP
0380
0380
0380
0380
0000
0700
0700
0700
0700
0E00
0E00
0E00
0E00
0E00
1C00
1C00
1C00
1C00
2C00
7800
F000
E000
ENDCHAR
STARTCHAR quoteright
ENCODING 39
SWIDTH 223 0
DWIDTH 5 0
BBX 4 6 2 12
ATTRIBUTES 01C0
BITMAP
70
70
70
60
E0
C0
ENDCHAR
ENDFONT
"""

SMALL = """STARTFONT 2.1
FONT sample
SIZE 6 75 75
FONTBOUNDINGBOX 4 6 0 -1
{properties}CHARS 2
STARTCHAR one
ENCODING {code}
DWIDTH 4 0
BBX 3 5 0 0
BITMAP
40
C0
40
40
E0
ENDCHAR
STARTCHAR two
ENCODING 103
DWIDTH 4 0
BBX 3 4 0 -1
BITMAP
60
A0
60
C0
ENDCHAR
ENDFONT
"""


def _rows(picture: np.ndarray) -> list[str]:
    return ["".join("#" if lit else "." for lit in row) for row in picture]


def _written(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def _file_pictures() -> dict[str, list[str]]:
    """Read letters.txt in another way than the program does: runs of rows under a header."""
    source = importlib.resources.files("sonify.light") / "letters.txt"
    pictures: dict[str, list[str]] = {}
    key = ""
    for line in source.read_text(encoding="utf-8").split("\n"):
        if line[:2] == "U+":
            key = chr(int(line[2:6], 16))
            assert key not in pictures
            pictures[key] = []
        elif line == "box":
            pictures[key := "box"] = []
        elif line[:1] in ("#", "."):
            pictures[key].append(line)
    return pictures


def test_every_required_character_has_the_picture_that_the_file_shows():
    letters = load_letters()
    pictures = _file_pictures()
    assert sorted(pictures) == sorted([*REQUIRED, "box"])
    for char in REQUIRED:
        assert letters.covers(char)
        assert _rows(letters.glyph(char)) == pictures[char], f"U+{ord(char):04X}"
    assert _rows(letters.box) == pictures["box"]
    assert letters.characters == "".join(REQUIRED)
    assert letters.height == 7


def test_pictures_fill_their_columns_and_keep_to_the_rows():
    letters = load_letters()
    for char in REQUIRED:
        picture = letters.glyph(char)
        assert picture.shape[0] == 7
        assert 1 <= picture.shape[1] <= 5
        if not char.isspace():
            assert picture[:, 0].any(), f"U+{ord(char):04X} starts with a dark column"
            assert picture[:, -1].any(), f"U+{ord(char):04X} ends with a dark column"


def test_letters_and_digits_share_baseline_and_height():
    for char in REQUIRED:
        if not char.isalnum() or char in "ªº²³¹µ":
            continue
        lit = np.flatnonzero(load_letters().glyph(char).any(axis=1))
        plain_low = char in "acegmnopqrsuvwxyzæçø"
        assert (lit[0], lit[-1]) == (2 if plain_low else 0, 6), char


def test_no_two_characters_look_the_same():
    letters = load_letters()
    pictures = {char: "\n".join(_rows(letters.glyph(char))) for char in REQUIRED}
    pictures["box"] = "\n".join(_rows(letters.box))
    same = {(a, b) for a, b in itertools.combinations(pictures, 2) if pictures[a] == pictures[b]}
    assert same == ALIKE


@pytest.mark.parametrize("pair", ["O0", "Il", "I1", "l1", "S5", "B8", "Z2", "Ø0", "i¡", "|l", "|I"])
def test_look_alikes_can_be_told_apart(pair):
    letters = load_letters()
    a, b = (letters.glyph(char) for char in pair)
    wide = max(a.shape[1], b.shape[1])
    a, b = (np.pad(p, ((0, 0), (0, wide - p.shape[1]))) for p in (a, b))
    # O and 0 differ in the dot alone; it stands free, with no lit lamp beside it.
    assert np.count_nonzero(a != b) >= (1 if pair == "O0" else 2)


def test_text_is_the_pictures_side_by_side():
    text = "Ångström 6,\u0153"
    pictures = _file_pictures()
    columns, starts = text_columns(text, load_letters())
    expected: list[list[bool]] = [[] for _ in range(7)]
    firsts = []
    for number, char in enumerate(text):
        if number:
            for row in expected:
                row.append(False)
        firsts.append(len(expected[0]))
        picture = pictures.get(char, pictures["box"])
        for row, more in zip(expected, picture, strict=True):
            row.extend(lamp == "#" for lamp in more)
    assert columns.shape == (8, len(expected[0]))
    assert columns[:7].tolist() == expected
    assert not columns[7].any()
    assert starts.tolist() == firsts
    assert starts.dtype == np.int64
    assert columns.dtype == np.bool_


def test_breaks_are_spaces_and_other_controls_are_boxes():
    letters = load_letters()
    spaces, _ = text_columns("A   B", letters)
    breaks, _ = text_columns("A\n\t\rB", letters)
    assert np.array_equal(spaces, breaks)
    assert missing("A\n\t\rB", letters) == []
    bell, starts = text_columns("\a!", letters)
    assert np.array_equal(bell[:7, : starts[1] - 1], letters.box)
    assert missing("œa\aœ☂\ud800", letters) == ["\a", "œ", "☂", "\ud800"]


def test_height_and_spacing():
    letters = load_letters()
    plain, _ = text_columns("Hut", letters, height=7)
    for height, top in ((8, 0), (9, 1), (10, 1), (16, 4)):
        columns, _ = text_columns("Hut", letters, height=height)
        assert np.array_equal(columns[top : top + 7], plain)
        assert columns.sum() == plain.sum()
    assert text_columns("Hut", replace(letters, spacing=3))[0].shape[1] == plain.shape[1] + 4
    assert text_columns("Hut", replace(letters, spacing=0))[1].tolist() == [0, 5, 10]
    empty, starts = text_columns("", letters)
    assert empty.shape == (8, 0)
    assert starts.shape == (0,)
    with pytest.raises(InputError, match=r"7 rows high and the matrix has 6"):
        text_columns("Hut", letters, height=6)


def test_a_million_characters_repeat_without_drift():
    note = "WIND SW 6, CLOUD BASE 900 M\n"
    letters = load_letters()
    once, starts = text_columns(note + "W", letters)
    period = int(starts[-1])
    times = 1_000_000 // len(note)
    columns, all_starts = text_columns(note * times, letters)
    assert columns.shape == (8, period * times - 1)
    assert np.array_equal(all_starts[:: len(note)], np.arange(times) * period)
    assert np.array_equal(columns[:, -(period - 1) :], once[:, : period - 1])


def test_pictures_cannot_be_changed_by_accident():
    with pytest.raises(ValueError, match="read-only"):
        load_letters().glyph("A")[0, 0] = False


# ---- BDF ----


def test_bdf_example_is_placed_by_its_boxes(tmp_path):
    path = _written(tmp_path, "sample.bdf", BDF_EXAMPLE)
    letters = load_font(path, 32)
    assert letters.height == 24  # FONT_ASCENT 18 and FONT_DESCENT 6
    assert letters.characters == " 'j"
    j = letters.glyph("j")
    # BBX 9 22 -2 -6: its top is 16 above the baseline, row 2 of 24, and its foot 6 below, row 23.
    assert np.flatnonzero(j.any(axis=1)).tolist() == [2, 3, 4, 5, *range(7, 24)]
    assert _rows(j)[2] == "......###"
    assert _rows(j)[23] == "###......"
    quote = letters.glyph("'")
    # BBX 4 6 2 12: 2 to the right of the origin, rows 18 down to 13 above the baseline.
    assert _rows(quote)[:7] == [
        "...###",
        "...###",
        "...###",
        "...##.",
        "..###.",
        "..##..",
        "......",
    ]
    assert not quote[6:].any()


def test_bdf_agrees_with_pillow(tmp_path):
    from PIL.BdfFontFile import BdfFontFile

    path = _written(tmp_path, "sample.bdf", BDF_EXAMPLE)
    letters = load_font(path, 24)
    with path.open("rb") as stream:
        theirs = BdfFontFile(stream)
    for code in (39, 106):
        _, (left, top, right, bottom), _, image = theirs.glyph[code]
        ink = np.asarray(image, dtype=bool)
        ours = letters.glyph(chr(code))
        shift = max(left, 0)
        placed = np.zeros_like(ours)
        placed[18 + top : 18 + bottom, shift : shift + right - left] = ink
        assert np.array_equal(ours, placed)


def test_bdf_without_properties_uses_its_bounding_box_and_crops_only_when_it_must(tmp_path):
    path = _written(tmp_path, "small.bdf", SMALL.format(properties="", code=49))
    assert load_font(path, 8).height == 6
    one = load_font(path, 6).glyph("1")
    assert _rows(one) == [".#..", "##..", ".#..", ".#..", "###.", "...."]
    assert load_font(path, 5, characters="1").height == 5
    with pytest.raises(
        FontError, match=r"small\.bdf: the letters need 6 rows and the matrix has 5"
    ):
        load_font(path, 5)
    columns, starts = text_columns("11", load_font(path, 8))
    assert starts.tolist() == [0, 4]  # DWIDTH 4 and no more
    assert columns.shape == (8, 8)


def test_bdf_character_set_decides_the_code_points(tmp_path):
    properties = (
        'STARTPROPERTIES 2\nCHARSET_REGISTRY "ISO8859"\nCHARSET_ENCODING "15"\nENDPROPERTIES\n'
    )
    latin9 = load_font(
        _written(tmp_path, "a.bdf", SMALL.format(properties=properties, code=164)), 8
    )
    assert latin9.characters == " g€"  # ISO/IEC 8859-15: 0xA4 is the euro sign
    plain = load_font(_written(tmp_path, "b.bdf", SMALL.format(properties="", code=164)), 8)
    assert plain.characters == " g¤"


def test_bdf_junk_is_passed_over(tmp_path):
    good = SMALL.format(properties="", code=49)
    junk = (
        "STARTCHAR huge\nENCODING 65\nBBX 999999999 999999999 0 0\nBITMAP\nFF\nENDCHAR\n"
        "STARTCHAR odd\nENCODING x\nBBX 1 1 0 0\nBITMAP\n80\nENDCHAR\n"
        "STARTCHAR letters\nENCODING 66\nBBX 8 1 0 0\nBITMAP\nZZ\nENDCHAR\n"
        "STARTCHAR unencoded\nENCODING -1\nBBX 1 1 0 0\nBITMAP\n80\nENDCHAR\nNOISE\n\n"
    )
    path = _written(tmp_path, "junk.bdf", good.replace("ENDFONT", junk + "ENDFONT"))
    assert load_font(path, 8).characters == " 1g"


# ---- outline fonts ----


@pytest.fixture(scope="session")
def outline(tmp_path_factory):
    """The outline font that comes inside Pillow, as a file."""
    from PIL import ImageFont

    font = ImageFont.load_default(size=10)
    if not isinstance(font, ImageFont.FreeTypeFont):
        pytest.skip("this Pillow was built without FreeType, so it reads no outline fonts")
    path = tmp_path_factory.mktemp("font") / "pillow.ttf"
    path.write_bytes(font.font_bytes)
    return path


def _agrees_with_fonttools(path: Path, height: int) -> None:
    ttlib = pytest.importorskip("fontTools.ttLib", reason="fontTools, the independent reader")
    with ttlib.TTFont(path) as font:
        cmap = set(font.getBestCmap())
    letters = load_font(path, height, others="".join(REQUIRED))
    assert 1 <= letters.height <= height
    for char in REQUIRED:
        if char not in "\u00a0\u00ad":  # drawn empty or not at all, as the font likes
            assert letters.covers(char) == (ord(char) in cmap), f"U+{ord(char):04X}"
    own = {ord(char) for char in letters.characters} - {0x20, 0xA0, 0xAD}
    assert own <= cmap


def test_outline_font_covers_what_its_character_map_says(outline):
    _agrees_with_fonttools(outline, 12)


@pytest.mark.skipif(not SYSTEM_FONT.exists(), reason="needs the Debian package fonts-dejavu-core")
def test_a_system_font_covers_what_its_character_map_says():
    _agrees_with_fonttools(SYSTEM_FONT, 8)


@pytest.mark.parametrize("height", [8, 16, 24])
def test_outline_letters_use_the_rows_and_stand_apart(outline, height):
    letters = load_font(outline, height)
    assert height - 3 <= letters.height <= height
    tops = [np.flatnonzero(letters.glyph(char).any(axis=1)) for char in "HEIZ"]
    assert (
        len({(int(rows[0]), int(rows[-1])) for rows in tops}) == 1
    )  # capitals: one height, one line
    g = np.flatnonzero(letters.glyph("g").any(axis=1))
    assert g[-1] > tops[0][-1]
    for char in "HWMmil08":
        assert letters.glyph(char).any()
        assert not letters.glyph(char)[:, -1].any()
    assert text_columns("Cairn Hut", letters, height=height)[0].shape[0] == height


def test_a_glyph_out_of_all_proportion_is_refused(tmp_path, outline):
    ttlib = pytest.importorskip("fontTools.ttLib", reason="fontTools, to make such a font")
    path = tmp_path / "huge.ttf"
    with ttlib.TTFont(outline) as font:
        font["head"].unitsPerEm = 16  # the least that the OpenType specification allows
        font.save(path)
    with pytest.raises(FontError, match=r"huge\.ttf: .*out of all proportion"):
        load_font(path, 8)


def test_fewer_characters_can_be_larger(outline):
    all_rows = load_font(outline, 16).glyph("H").any(axis=1).sum()
    capitals = load_font(outline, 16, characters="WIND SW 6").glyph("H").any(axis=1).sum()
    assert capitals > all_rows
    assert capitals >= 14


# ---- what is no font ----


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "the file is empty"),
        (b"wind SW 6\n", "not a font that can be read here"),
        (base64.b64decode("iVBORw0KGgoAAAANSUhEUg=="), "not a font that can be read here"),
        (b"STARTFONT 2.1\nENDFONT\n", "no glyph with an encoding"),
        (BDF_EXAMPLE[:300].encode(), "cut short"),
        (
            BDF_EXAMPLE.replace("106", "-1").replace(" 39", " 8217").encode(),
            "none of the characters",
        ),
        (b"\x00\x01\x00\x00", "cut short or damaged"),
        (b"OTTO" + bytes(60), "cut short or damaged"),
    ],
)
def test_a_file_that_is_no_font_says_so_in_one_line(tmp_path, content, reason):
    path = _written(tmp_path, "letters.font", content)
    with pytest.raises(FontError, match=reason) as caught:
        load_font(path, 8)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert "give" in text


def test_an_outline_font_cut_short_or_damaged_says_so(tmp_path, outline):
    whole = outline.read_bytes()
    for part in (whole[: len(whole) // 2], whole[:-500], whole[:20]):
        with pytest.raises(FontError, match="cut short or damaged"):
            load_font(_written(tmp_path, "cut.ttf", part), 8)
    damaged = whole[:300] + bytes(len(whole) - 300)
    with pytest.raises(FontError, match=r"damaged\.ttf: "):
        load_font(_written(tmp_path, "damaged.ttf", damaged), 8)


def test_a_font_that_cannot_be_opened_says_so(tmp_path):
    with pytest.raises(InputError, match="there is no such file"):
        load_font(tmp_path / "none.ttf", 8)
    with pytest.raises(InputError, match="this is a folder"):
        load_font(tmp_path, 8)
    for height in (0, 257):
        with pytest.raises(FontError, match="give 1 to 256 rows"):
            load_font(tmp_path / "none.ttf", height)


@pytest.mark.parametrize("name", ["sans", "cairn"])
def test_a_letter_of_a_line_lies_where_it_is_drawn_alone(name):
    face = Typeface(name)
    text = "CLOUD BASE, AVE"
    line = face.line(text, 28).astype(int)
    for k, letter in enumerate(text):
        own = face.line(letter, 28).astype(int)
        left = face.before(text, k, 28)
        part = line[:, left : left + own.shape[1]]
        # within a pixel: letters begin at whole pixels when they are drawn alone
        inked = own[:, : part.shape[1]] > 200
        near = np.maximum(part, np.roll(part, 1, axis=1))
        near = np.maximum(near, np.roll(part, -1, axis=1))
        assert (near[inked] > 60).mean() > 0.97 if inked.any() else letter in " ,"


@pytest.mark.parametrize("name", ["sans", "cairn"])
def test_long_words_are_broken_where_a_line_is_full(name):
    face, word = Typeface(name), "SILVERFELL" * 40
    lines = face.wrapped(f"TO {word} BY", 20, 150)
    assert lines[0] == "TO"
    assert "".join(lines[1:]) == f"{word} BY"
    for line, after in itertools.pairwise(lines[1:]):
        assert face.width(line, 20) <= 150 < face.width(line + after[0], 20)
