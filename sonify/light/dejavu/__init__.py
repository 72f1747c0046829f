"""The typeface of paper, charts, titles and captions: DejaVu, cut down to the letters of Europe.

`tests/light/dejavu_subset.py` makes the files.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

__all__ = ["dejavu", "letters"]


def dejavu(name: str) -> Path:
    """The file of a font: "DejaVuSans", "DejaVuSerif", either with "-Bold", "DejaVuSerif-Italic" or
    "DejaVuSansMono"."""
    return Path(__file__).with_name(f"{name}.ttf")


@lru_cache(maxsize=64)
def letters(name: str, size: float) -> Any:
    """A font of Pillow, `size` pixels high.

    Pillow's other layout needs a library that not every system has, and sets letters otherwise.
    """
    from PIL import ImageFont

    return ImageFont.truetype(str(dejavu(name)), size, layout_engine=ImageFont.Layout.BASIC)
