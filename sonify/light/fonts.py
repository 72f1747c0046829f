"""Letters from a font file: a BDF bitmap font, or a TrueType or OpenType outline font."""

from __future__ import annotations

import bisect
import contextlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import InputError
from sonify.input_file import input_file
from sonify.light.letters import BoolArray, Letters

if TYPE_CHECKING:
    from PIL import ImageFont

ASCII = "".join(map(chr, range(0x20, 0x7F)))

MAX_FILE_BYTES = 64 * 2**20
MAX_GLYPH_SIDE = 1024
MAX_HEIGHT = 256

_OUTLINE_MAGIC = (b"\x00\x01\x00\x00", b"OTTO", b"true", b"ttcf")
_WANTED = "give a BDF, TrueType (.ttf) or OpenType (.otf) font"


class FontError(InputError, ValueError):
    """A font file that cannot be used; the message names the file and what is needed."""


@dataclass(frozen=True)
class _Ink:
    """A glyph: its pixels, and where their top left corner lies from the origin."""

    pixels: BoolArray
    left: int
    top: int  # rows from the baseline up to the top edge
    advance: int

    @property
    def bottom(self) -> int:
        return self.top - len(self.pixels)


def load_font(path: str | Path, height: int, characters: str = ASCII, others: str = "") -> Letters:
    """Load the letters of a font file for a matrix of a given height.

    A BDF font is used at its own size, with all its letters. An outline font is drawn without
    grey, at the largest size at which the characters fit. Glyphs keep the font's own side
    bearings, so ``spacing`` of the result is 0.

    Parameters
    ----------
    path : str or Path
        A BDF file (Glyph Bitmap Distribution Format, Adobe, version 2.2), or TrueType or OpenType.
    height : int
        Rows of the matrix.
    characters : str
        The characters that must fit those rows, printable ASCII by default.
    others : str
        More characters to draw; parts that are higher than the first ones are cropped.

    Returns
    -------
    Letters
        At most `height` rows high.

    Raises
    ------
    FontError
        If the file cannot be read, is not a font, is cut short, has none of the characters, or
        does not fit the rows.
    """
    path = Path(path)
    if not 1 <= height <= MAX_HEIGHT:
        what = f"letters cannot be {height} rows high; give 1 to {MAX_HEIGHT} rows"
        raise FontError(what, file=path)
    data = _file_bytes(path)
    if data.lstrip().startswith(b"STARTFONT"):
        return _fit(path, *_read_bdf(path, data), height, characters)
    if data.startswith(_OUTLINE_MAGIC):
        _check_outline_whole(path, data)
        glyphs = _draw_outlines(path, height, characters, others)
        return _fit(path, glyphs, None, height, characters)
    raise FontError(f"this is not a font that can be read here; {_WANTED}", file=path)


def _file_bytes(path: Path) -> bytes:
    with input_file(path, MAX_FILE_BYTES):
        data = path.read_bytes()
    if not data.strip():
        raise FontError(f"the file is empty; {_WANTED}", file=path)
    return data


def _fit(
    path: Path, glyphs: dict[int, _Ink], box: tuple[int, int] | None, height: int, characters: str
) -> Letters:
    """Place glyphs on one baseline, with the font's own (ascent, descent) if the rows allow."""
    needed = [glyphs[code] for code in {ord(char) for char in characters} if code in glyphs]
    inked = [glyph for glyph in needed if glyph.pixels.any()]
    if not inked:
        raise FontError(
            "the font has none of the characters asked for; give one that has letters", file=path
        )
    ascent = max(max(glyph.top for glyph in inked), 1)
    descent = max(max(-glyph.bottom for glyph in inked), 0)
    if box is not None:
        roomy = max(ascent, box[0]), max(descent, box[1])
        if sum(roomy) <= height:
            ascent, descent = roomy
    rows = ascent + descent
    if rows > height:
        raise FontError(
            f"the letters need {rows} rows and the matrix has {height}; "
            f"give a font of at most {height} rows",
            file=path,
        )
    pictures = {code: _picture(glyph, ascent, rows) for code, glyph in glyphs.items()}
    frame = np.zeros((rows, max(3, (2 * ascent + 2) // 3) + 1), dtype=np.bool_)
    frame[:ascent, :-1] = True
    frame[1 : ascent - 1, 1:-2] = False
    pictures.setdefault(0x20, np.zeros((rows, max(1, (rows - 1) // 2)), dtype=np.bool_))
    return Letters(rows, pictures, frame, spacing=0)


def _picture(glyph: _Ink, ascent: int, rows: int) -> BoolArray:
    tall, wide = glyph.pixels.shape
    left = max(glyph.left, 0)
    picture = np.zeros((rows, max(glyph.advance, left + wide, 1)), dtype=np.bool_)
    first = ascent - glyph.top
    seen = slice(max(first, 0), max(min(first + tall, rows), 0))
    picture[seen, left : left + wide] = glyph.pixels[seen.start - first : max(seen.stop - first, 0)]
    return picture


# ---- BDF: Glyph Bitmap Distribution Format Specification, version 2.2, Adobe Systems, 1993 ----


def _read_bdf(path: Path, data: bytes) -> tuple[dict[int, _Ink], tuple[int, int] | None]:
    """The glyphs by code point, and (ascent, descent) of the font if it gives them."""
    text = data.decode("latin-1")
    if not re.search(r"^\s*ENDFONT\s*$", text, re.MULTILINE):
        raise FontError(
            "the font is cut short, its ENDFONT line is missing; give the whole file", file=path
        )
    head, *characters = re.split(r"^\s*STARTCHAR", text, flags=re.MULTILINE)
    font = _bdf_fields(head)
    glyphs: dict[int, _Ink] = {}
    for character in characters:
        fields, _, bitmap = character.partition("BITMAP")
        # a glyph that makes no sense is left out
        with contextlib.suppress(ValueError, LookupError):
            table = {**font, **_bdf_fields(fields)}
            code = _bdf_code_point(font, int(table["ENCODING"][0]))
            glyphs[code] = _bdf_glyph(table, bitmap.partition("ENDCHAR")[0].split())
    if not glyphs:
        raise FontError(
            "the font has no glyph with an encoding; give one that has letters", file=path
        )
    with contextlib.suppress(ValueError, LookupError):
        return glyphs, (int(font["FONT_ASCENT"][0]), int(font["FONT_DESCENT"][0]))
    with contextlib.suppress(ValueError, LookupError):
        _, tall, _, low = map(int, font["FONTBOUNDINGBOX"][:4])
        return glyphs, (tall + low, -low)
    return glyphs, None


def _bdf_fields(text: str) -> dict[str, list[str]]:
    return {words[0]: words[1:] for line in text.splitlines() if (words := line.split())}


def _bdf_glyph(table: dict[str, list[str]], rows: list[str]) -> _Ink:
    """A glyph from its keywords and those of the whole font; an error if they make no sense."""
    wide, tall, left, low = map(int, table.get("BBX", table["FONTBOUNDINGBOX"])[:4])
    advance = int(table["DWIDTH"][0]) if "DWIDTH" in table else left + wide + 1
    if min(wide, tall) < 0 or max(wide, tall, abs(left), abs(advance)) > MAX_GLYPH_SIDE:
        raise ValueError("a glyph out of range")
    digits = 2 * ((wide + 7) // 8)
    packed = bytes.fromhex("".join(row[:digits].ljust(digits, "0") for row in rows[:tall]))
    bits = np.unpackbits(np.frombuffer(packed.ljust(tall * digits // 2, b"\0"), np.uint8))
    pixels = bits.reshape(tall, digits * 4)[:, :wide].astype(np.bool_)
    return _Ink(pixels, left, low + tall, advance)


def _bdf_code_point(font: dict[str, list[str]], encoding: int) -> int:
    """Turn an ENCODING into a code point: ISO 8859 parts by their table, anything else as it is."""
    registry = " ".join(font.get("CHARSET_REGISTRY", [])).strip('"').upper()
    part = " ".join(font.get("CHARSET_ENCODING", [])).strip('"')
    if registry == "ISO8859" and part.isdecimal() and 0 <= encoding < 256:
        return ord(bytes([encoding]).decode(f"iso8859-{part}"))
    return ord(chr(encoding))


# ---- TrueType and OpenType ----


def _check_outline_whole(path: Path, data: bytes) -> None:
    """Refuse a file whose tables run past its end (table directory: OpenType, ISO/IEC 14496-22)."""
    start = int.from_bytes(data[12:16]) if data.startswith(b"ttcf") else 0
    tables = int.from_bytes(data[start + 4 : start + 6])
    directory = start + 12 + 16 * tables
    records = range(start + 12, min(directory, len(data) - 15), 16)
    ends = [
        int.from_bytes(data[at + 8 : at + 12]) + int.from_bytes(data[at + 12 : at + 16])
        for at in records
    ]
    if tables == 0 or max([directory, *ends]) > len(data):
        raise FontError("the font is cut short or damaged; give the whole file", file=path)


def _draw_outlines(path: Path, height: int, characters: str, others: str) -> dict[int, _Ink]:
    """Draw an outline font at the largest size at which the characters fit the rows."""
    from PIL import ImageFont

    def at(size: int) -> ImageFont.FreeTypeFont:
        return ImageFont.truetype(str(path), size, layout_engine=ImageFont.Layout.BASIC)

    try:
        covered = _covered(at(64), characters + others)
        needed = [
            char for char in dict.fromkeys(characters) if char in covered and not char.isspace()
        ]
        if not needed:
            raise FontError(
                "the font has none of the characters asked for; give one that has letters",
                file=path,
            )
        sizes = range(1, 4 * height + 1)
        fitting = bisect.bisect_right(sizes, height, key=lambda size: _rows(at(size), needed))
        font = at(max(1, fitting))
        return {ord(char): _draw(font, char) for char in covered}
    except OSError as error:
        raise FontError(f"the font cannot be used ({error}); {_WANTED}", file=path) from None


def _covered(font: ImageFont.FreeTypeFont, characters: str) -> list[str]:
    """Find the characters that the font has: those drawn unlike one that is never assigned."""

    def drawn(char: str) -> tuple[float, bytes]:
        _bounds(font, char)
        return font.getlength(char), bytes(font.getmask(char, mode="L"))

    absent = drawn("\U0010ffff")
    asked = [char for char in sorted(set(characters)) if char.isprintable() or char.isspace()]
    return [char for char in asked if char in " \u00a0" or drawn(char) != absent]


def _bounds(font: ImageFont.FreeTypeFont, char: str) -> tuple[int, int, int, int]:
    """Return left, top, right, bottom from the origin; refuse the huge boxes of damaged fonts."""
    left, top, right, bottom = (int(s) for s in font.getbbox(char, mode="1", anchor="ls"))
    if max(-left, -top, right, bottom) > 32 * font.size:
        raise OSError(f"its U+{ord(char):04X} is out of all proportion")
    return left, top, right, bottom


def _rows(font: ImageFont.FreeTypeFont, characters: list[str]) -> int:
    boxes = [_bounds(font, char) for char in characters]
    ascent = max(1, *(-top for _, top, _, _ in boxes))
    descent = max(0, *(bottom for _, _, _, bottom in boxes))
    return ascent + descent


def _draw(font: ImageFont.FreeTypeFont, char: str) -> _Ink:
    from PIL import Image, ImageDraw

    left, top, right, bottom = _bounds(font, char)
    image = Image.new("1", (max(right - left, 0), max(bottom - top, 0)))
    if image.width and image.height:
        draw = ImageDraw.Draw(image)
        draw.fontmode = "1"  # hinted black and white: cleaner at this size than a threshold on grey
        draw.text((-left, -top), char, fill=1, font=font, anchor="ls")
    pixels = np.array(image, dtype=np.bool_).reshape(image.height, image.width)
    advance = round(font.getlength(char, mode="1"))
    inked = np.flatnonzero(pixels.any(axis=0))
    if inked.size:
        first, last = int(inked[0]), int(inked[-1])
        pixels, left = pixels[:, first : last + 1], left + first
        # At a few rows, rounding can close the gap to the next letter.
        advance = max(advance, max(left, 0) + pixels.shape[1] + 1)
    return _Ink(pixels, left, -top, advance)
