"""Make the package's fonts from those of matplotlib: `python -m tests.light.dejavu_subset`.

Six faces of DejaVu with all their characters would take 3 MB of the wheel. Without hints (FreeType
makes its own) and tables of kerning and shaping, these take 100 kB.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import matplotlib
from fontTools import subset
from fontTools.ttLib import TTFont

WHOLE = Path(matplotlib.get_data_path(), "fonts/ttf")
KEPT = Path(__file__).parents[2] / "sonify/light/dejavu"

ASCII = "20-7e"
LETTERS = f"""{ASCII} a0-17f 1a0 1a1 1af 1b0 218-21b 300-304 306-30c 323 326-328
 386-38a 38c 38e-3a1 3a3-3ce 400-45f 490 491 1e80-1e85 1e9e 1ea0-1ef9"""
"""Latin with accents (Vietnamese too), Greek, Cyrillic."""
SIGNS = """2010-2014 2018-201e 2020-2022 2026 2030 2032 2033 2039 203a 2070 2074-2079 2080-2089
 20ac 20b4 20bd 2116 2122 2190-2193 2212 221e 2248 2260 2264 2265 2423 2588 2591 25a0 25a1 25ae
 25b2 25b6 25bc 25c0 25c6 25cb 25cc 25cf 25e6 2605 2606 2640 2642 2660 2663 2665 2666 2669-266f
 2713 2717 fffd"""
NOTES = "a0 2669 266a"

FACES = {
    "DejaVuSans": (LETTERS, SIGNS),
    "DejaVuSans-Bold": (LETTERS, SIGNS),
    "DejaVuSansMono": (ASCII,),
    "DejaVuSerif": (LETTERS, SIGNS),
    "DejaVuSerif-Bold": (ASCII, NOTES),
    "DejaVuSerif-Italic": (ASCII, NOTES),
}


def characters(name: str) -> list[int]:
    """The code points of a face."""
    spans = (part.partition("-") for part in " ".join(FACES[name]).split())
    return [c for a, _, b in spans for c in range(int(a, 16), int(b or a, 16) + 1)]


def main() -> None:
    """Write the files."""
    for name in FACES:
        options = subset.Options(
            hinting=False, layout_features=[], notdef_outline=True, name_IDs=[0, 1, 2, 6],
            name_legacy=False,
        )  # fmt: skip
        options.drop_tables += ["FFTM", "GDEF", "GPOS", "GSUB", "MATH", "gasp"]
        font = TTFont(WHOLE / f"{name}.ttf", recalcTimestamp=False)
        cut = subset.Subsetter(options)
        cut.populate(unicodes=characters(name))
        cut.subset(font)
        # these boxes of glyphs are not all right, and FreeType moves a glyph by what they are off
        for glyph, (advance, _) in font["hmtx"].metrics.items():
            shape = font["glyf"][glyph]
            shape.recalcBounds(font["glyf"])
            font["hmtx"][glyph] = advance, shape.xMin
        font.save(KEPT / f"{name}.ttf")
    shutil.copy(WHOLE / "LICENSE_DEJAVU", KEPT / "LICENSE.txt")


if __name__ == "__main__":
    main()
