"""Letters for titles and captions: of a real typeface, or those of the matrix, enlarged."""

from __future__ import annotations

import math
import os
from bisect import bisect_right
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.light.clip_settings import OWN_TYPE, SANS
from sonify.light.dejavu import letters

__all__ = ["Typeface"]

Mask = NDArray[np.uint8]


class Typeface:
    """Draws lines of text as masks, 0 to 255.

    Parameters
    ----------
    name : str
        "sans", "cairn", or the path of a TrueType or OpenType font.

    Raises
    ------
    InputError
        A font that can't be read.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self._sizes: dict[int, Any] = {}
        if name != OWN_TYPE:
            self._font(16)

    def _font(self, height: int) -> Any:
        from PIL import ImageFont

        # the highest letters (f, l) are about 0.76 of the size
        size = max(4, round(height / 0.77))
        if self.name == SANS:
            return letters("DejaVuSans", size)
        font = self._sizes.get(height)
        if font is None:
            path = Path(self.name)
            if not os.path.isfile(path):
                raise InputError(
                    "there is no such font; give the path of a TrueType or OpenType file, "
                    f"'{SANS}' or '{OWN_TYPE}'",
                    file=path,
                    place="clip.font",
                )
            try:
                font = ImageFont.truetype(str(path), size)
            except OSError as e:
                raise InputError(
                    f"the font can't be read ({e}); give a TrueType or OpenType file",
                    file=path,
                    place="clip.font",
                ) from None
            self._sizes[height] = font
        return font

    def unit(self, height: int) -> int:
        """The nearest height at which capitals are drawn well, at most `height`."""
        return max(1, height // 7) * 7 if self.name == OWN_TYPE else max(6, height)

    def line(self, text: str, height: int) -> Mask:
        """A line of text whose capitals are `height` pixels high.

        The mask is taller, with room for descenders; see `box`.
        """
        if not text:
            return np.zeros((self.box(height), 1), np.uint8)
        if self.name == OWN_TYPE:
            k = max(1, height // 7)
            small = _columns(text)
            out = np.zeros((self.box(height), small.shape[1] * k), np.uint8)
            out[: 7 * k] = np.repeat(np.repeat(small, k, axis=0), k, axis=1) * np.uint8(255)
            return out
        from PIL import Image, ImageDraw

        font = self._font(height)
        # the last letter may reach beyond its own width
        width = self.width(text, height) + 2
        image = Image.new("L", (width, self.box(height)))
        ImageDraw.Draw(image).text((0, height), text, fill=255, font=font, anchor="ls")
        return np.asarray(image)

    def width(self, text: str, height: int) -> int:
        """How wide a line of text is, in pixels."""
        if not text:
            return 0
        if self.name == OWN_TYPE:
            return int(_columns(text).shape[1]) * max(1, height // 7)
        return max(1, math.ceil(float(self._font(height).getlength(text))))

    def before(self, text: str, k: int, height: int) -> int:
        """Where character k of a line begins, in pixels."""
        if self.name == OWN_TYPE:
            return self.width(text[:k], height) + (max(1, height // 7) if k else 0)
        font = self._font(height)
        return round(float(font.getlength(text[: k + 1]) - font.getlength(text[k])))

    def box(self, height: int) -> int:
        """How tall a line's mask is."""
        return height if self.name == OWN_TYPE else round(height * 1.35)

    def wrapped(self, text: str, height: int, width: int) -> list[str]:
        """A text in lines that fit a width; longer words are broken."""
        out: list[str] = []
        for paragraph in text.splitlines() or [""]:
            line = ""
            for word in paragraph.split(" "):
                tried = f"{line} {word}" if line else word
                if self.width(tried, height) <= width:
                    line = tried
                    continue
                if line:
                    out.append(line)
                while (n := self._fitting(word, height, width)) < len(word):
                    out.append(word[:n])
                    word = word[n:]
                line = word
            out.append(line)
        return out

    def _fitting(self, word: str, height: int, width: int) -> int:
        """How many letters of a word fit a width, one at least; only these are measured."""
        most = 8
        while most < len(word) and self.width(word[:most], height) <= width:
            most *= 2
        lengths = range(1, min(most, len(word)) + 1)
        n = bisect_right(lengths, width, key=lambda n: self.width(word[:n], height))
        return max(1, n) if word else 0


@lru_cache(maxsize=512)
def _columns(text: str) -> NDArray[np.bool_]:
    from sonify.light.letters import load_letters, text_columns

    columns, _ = text_columns(text, load_letters(), height=7)
    return columns
