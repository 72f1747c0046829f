"""Letters from a font file: a BDF bitmap font, or a TrueType or OpenType outline font."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sonify.errors import InputError
from sonify.light.letters import MAX_CODE, BoolArray, Letters

if TYPE_CHECKING:
    from PIL import ImageFont

ASCII = "".join(map(chr, range(0x20, 0x7F)))
"""The characters that must fit the matrix unless the caller names others."""

MAX_FILE_BYTES = 64 * 2**20
MAX_GLYPH_SIDE = 1024
MAX_HEIGHT = 256

# Blocks that are asked of an outline font besides the characters that the caller names.
_BLOCKS = (
    range(0x20, 0x7F),
    range(0xA0, 0x250),  # Latin-1 to Latin Extended-B
    range(0x370, 0x530),  # Greek, Cyrillic
    range(0x1E00, 0x1F00),  # Latin Extended Additional
    range(0x2010, 0x205F),  # General Punctuation
    range(0x20A0, 0x20C0),  # Currency Symbols
    range(0x2190, 0x219A),  # Arrows
    range(0x2200, 0x2270),  # Mathematical Operators
    range(0x2600, 0x2670),  # weather and other signs
)
_OUTLINE_MAGIC = (b"\x00\x01\x00\x00", b"OTTO", b"true", b"ttcf")
_WANTED = "give a BDF, TrueType (.ttf) or OpenType (.otf) font"


class FontError(InputError, ValueError):
    """A font file that cannot be used; the message names the file and what would be right."""


@dataclass(frozen=True)
class _Ink:
    """A glyph by itself: its pixels, and where their top left corner lies from the origin."""

    pixels: BoolArray
    left: int
    top: int  # rows from the baseline up to the top edge
    advance: int

    @property
    def bottom(self) -> int:
        return self.top - len(self.pixels)


def load_font(path: str | Path, height: int, characters: str = ASCII) -> Letters:
    """Load the letters of a font file for a matrix of a given height.

    A BDF font is used at its own size. An outline font is drawn without grey, at the largest size
    at which the characters fit. The sides that the font gives its glyphs are kept, so
    ``spacing`` of the result is 0.

    Parameters
    ----------
    path : str or Path
        A BDF file (Glyph Bitmap Distribution Format, Adobe, version 2.2), or TrueType or OpenType.
    height : int
        Rows of the matrix.
    characters : str
        The characters that must fit those rows whole, printable ASCII by default. What is higher
        than they are (an accent on a capital, say) is cut off at the edge.

    Returns
    -------
    Letters
        At most `height` rows high.

    Raises
    ------
    FontError
        If the file cannot be read, is no font, is cut short, has none of the characters, or does
        not fit the rows.
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
        glyphs = _draw_outlines(path, height, characters)
        return _fit(path, glyphs, None, height, characters)
    raise FontError(f"this is not a font that can be read here; {_WANTED}", file=path)


def _file_bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise FontError(
                f"the file has {size} bytes; a font of at most {MAX_FILE_BYTES} is read", file=path
            )
        data = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise FontError(f"the font cannot be read ({reason}); {_WANTED}", file=path) from None
    if not data.strip():
        raise FontError(f"the file is empty; {_WANTED}", file=path)
    return data


def _fit(
    path: Path, glyphs: dict[int, _Ink], box: tuple[int, int] | None, height: int, characters: str
) -> Letters:
    """Place glyphs on a common baseline, in the font's own (ascent, descent) if the rows allow."""
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
    return Letters.from_pictures(rows, pictures, frame, spacing=0)


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
    """Return the glyphs by code point, and (ascent, descent) of the font where it gives them."""
    lines = data.decode("latin-1").splitlines()
    if not any(line.strip() == "ENDFONT" for line in lines):
        raise FontError(
            "the font is cut short, its ENDFONT line is missing; give the whole file", file=path
        )
    font: dict[str, list[str]] = {}
    glyphs: dict[int, _Ink] = {}
    glyph: dict[str, list[str]] | None = None
    bitmap: list[str] | None = None
    for line in lines:
        words = line.split()
        if not words or words[0] == "COMMENT":
            continue
        key = words[0]
        if key == "STARTCHAR":
            glyph, bitmap = {}, None
        elif key == "ENDCHAR":
            if glyph is not None and bitmap is not None:
                _add_bdf_glyph(font, glyph, bitmap, glyphs)
            glyph, bitmap = None, None
        elif bitmap is not None:
            bitmap.append(key)
        elif key == "BITMAP" and glyph is not None:
            bitmap = []
        else:
            (font if glyph is None else glyph)[key] = words[1:]
    if not glyphs:
        raise FontError(
            "the font has no glyph with an encoding; give one that has letters", file=path
        )
    return glyphs, _bdf_box(font)


def _integers(words: list[str] | None, count: int) -> list[int] | None:
    try:
        return (
            [int(word) for word in words[:count]]
            if words is not None and len(words) >= count
            else None
        )
    except ValueError:
        return None


def _bdf_box(font: dict[str, list[str]]) -> tuple[int, int] | None:
    ascent = _integers(font.get("FONT_ASCENT"), 1)
    descent = _integers(font.get("FONT_DESCENT"), 1)
    if ascent and descent:
        return ascent[0], descent[0]
    bounds = _integers(font.get("FONTBOUNDINGBOX"), 4)
    return (bounds[1] + bounds[3], -bounds[3]) if bounds else None


def _add_bdf_glyph(
    font: dict[str, list[str]],
    glyph: dict[str, list[str]],
    bitmap: list[str],
    glyphs: dict[int, _Ink],
) -> None:
    encoding = _integers(glyph.get("ENCODING"), 1)
    code = _bdf_code_point(font, encoding[0]) if encoding else None
    bounds = _integers(glyph.get("BBX", font.get("FONTBOUNDINGBOX")), 4)
    if code is None or bounds is None:
        return
    wide, tall, left, low = bounds
    if not (0 <= wide <= MAX_GLYPH_SIDE and 0 <= tall <= MAX_GLYPH_SIDE):
        return
    # The advance may stand once for the whole font, in its global part.
    move = _integers(glyph.get("DWIDTH", font.get("DWIDTH")), 1)
    advance = move[0] if move else left + wide + 1
    if not (abs(left) <= MAX_GLYPH_SIDE and abs(advance) <= MAX_GLYPH_SIDE):
        return
    digits = 2 * ((wide + 7) // 8)
    pixels = np.zeros((tall, wide), dtype=np.bool_)
    try:
        rows = [bytes.fromhex(row[:digits].ljust(digits, "0")) for row in bitmap[:tall]]
    except ValueError:
        return
    if rows and digits:
        packed = np.frombuffer(b"".join(rows), dtype=np.uint8).reshape(len(rows), digits // 2)
        pixels[: len(rows)] = np.unpackbits(packed, axis=1)[:, :wide]
    glyphs[code] = _Ink(pixels, left, low + tall, advance)


def _bdf_code_point(font: dict[str, list[str]], encoding: int) -> int | None:
    """Turn an ENCODING into a code point: ISO 8859 parts by their table, all else as it stands."""
    registry = " ".join(font.get("CHARSET_REGISTRY", [])).strip('"').upper()
    part = " ".join(font.get("CHARSET_ENCODING", [])).strip('"')
    if registry == "ISO8859" and part.isdecimal() and 0 <= encoding < 256:
        try:
            return ord(bytes([encoding]).decode(f"iso8859-{part}"))
        except (LookupError, UnicodeDecodeError):
            return None
    return encoding if 0 <= encoding <= MAX_CODE else None


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


def _draw_outlines(path: Path, height: int, characters: str) -> dict[int, _Ink]:
    """Draw an outline font at the largest size at which the characters fit the rows."""
    from PIL import ImageFont

    def at(size: int) -> ImageFont.FreeTypeFont:
        return ImageFont.truetype(str(path), size, layout_engine=ImageFont.Layout.BASIC)

    try:
        covered = _covered(at(64), characters)
        needed = [
            char for char in dict.fromkeys(characters) if char in covered and not char.isspace()
        ]
        if not needed:
            raise FontError(
                "the font has none of the characters asked for; give one that has letters",
                file=path,
            )
        small, large = 1, 4 * height + 1  # fits, does not fit
        while large - small > 1:
            middle = (small + large) // 2
            if _rows(at(middle), needed) <= height:
                small = middle
            else:
                large = middle
        font = at(small)
        return {ord(char): _draw(font, char) for char in covered}
    except OSError as error:
        raise FontError(f"the font cannot be used ({error}); {_WANTED}", file=path) from None


def _covered(font: ImageFont.FreeTypeFont, characters: str) -> list[str]:
    """Find which characters the font has: those drawn unlike one that is never assigned."""

    def drawn(char: str) -> tuple[float, bytes]:
        _bounds(font, char)
        return font.getlength(char), bytes(font.getmask(char, mode="L"))

    absent = drawn("\U0010ffff")
    codes = sorted({*(code for block in _BLOCKS for code in block), *map(ord, characters)})
    asked = (chr(code) for code in codes if chr(code).isprintable() or chr(code).isspace())
    return [char for char in asked if char in " \u00a0" or drawn(char) != absent]


def _bounds(font: ImageFont.FreeTypeFont, char: str) -> tuple[int, int, int, int]:
    """Return left, top, right, bottom from the origin; no damaged font may ask for a huge image."""
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
