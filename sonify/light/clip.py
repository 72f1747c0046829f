"""The clip: its size, its rate, its scenes."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Literal

import msgspec

from sonify.errors import InputError, close_matches
from sonify.light.look import Colour
from sonify.settings import Settings

__all__ = ["OWN_TYPE", "SCENES", "SIZES", "Clip", "frame_rate", "picture_size"]

SceneName = Literal["title", "matrix", "disc", "notes", "message"]
SCENES = ("title", "matrix", "disc", "notes", "message")

OWN_TYPE = "cairn"
"""The letters that ship, in `clip.font`."""

SIZES = {
    "landscape": (1920, 1080),
    "portrait": (1080, 1920),
    "square": (1080, 1080),
    "720p": (1280, 720),
    "1080p": (1920, 1080),
    "1440p": (2560, 1440),
    "2160p": (3840, 2160),
}
"""Names of sizes: width and height in pixels."""

MIN_SIDE = 64
MAX_SIDE = 8192
MAX_PIXELS = 7680 * 4320

# rates that are thousandths under a whole number, as television has them (SMPTE ST 12-1)
_THOUSANDTHS = {f"{n * 1000 / 1001:.2f}": n for n in (24, 30, 48, 60, 120)}


class Clip(Settings, frozen=True):
    """The `[clip]` section.

    `size` is a name (see `SIZES`) or such as 1920x1080, `fps` 24 to 120 or 23.976, 29.97, 59.94.
    `scenes` are shown together in their order, the first one largest; "title" has its own time,
    before the others or, listed after them, behind them (`title_s` long). Without "message" the
    clip ends when the disc is read. `material` is what the disc is made of. `font` is "cairn" or
    the path of a TrueType font for titles and captions, `text` their colour. `quality` goes from
    a quick look to the largest file.
    """

    size: str = "landscape"
    fps: Annotated[float, msgspec.Meta(gt=0)] = 60.0
    scenes: tuple[SceneName, ...] = ("matrix", "message")
    material: Literal["slate", "walnut", "birch", "card", "steel"] = "slate"
    title_s: Annotated[float, msgspec.Meta(ge=1, le=60)] = 4.0
    font: str = OWN_TYPE
    text: Colour | None = None
    quality: Literal["draft", "good", "best"] = "good"


def picture_size(text: str) -> tuple[int, int]:
    """Width and height in pixels from a name or from such as 1920x1080.

    Raises
    ------
    InputError
        No size, an odd one, or one too small or too large.
    """
    if text in SIZES:
        return SIZES[text]
    found = re.fullmatch(r"\s*(\d{1,9})\s*[x×]\s*(\d{1,9})\s*", text)
    if found is None:
        raise InputError(
            f"'{text}' is no size{close_matches(text, SIZES)}; write such as 1920x1080, or one of: "
            f"{', '.join(SIZES)}",
            place="--size",
        )
    width, height = int(found[1]), int(found[2])
    if width % 2 or height % 2:
        even = f"{width + width % 2}x{height + height % 2}"
        raise InputError(
            f"{width}x{height} has an odd side; video needs even ones, such as {even}",
            place="--size",
        )
    if min(width, height) < MIN_SIDE or max(width, height) > MAX_SIDE:
        raise InputError(
            f"{width}x{height} is out of range; sides go from {MIN_SIDE} to {MAX_SIDE}",
            place="--size",
        )
    if width * height > MAX_PIXELS:
        raise InputError(
            f"{width}x{height} has {width * height:,} pixels; at most {MAX_PIXELS:,}",
            place="--size",
        )
    return width, height


def frame_rate(fps: float) -> Fraction:
    """Frames a second, exactly: 59.94 is 60000/1001.

    Raises
    ------
    InputError
        A rate that is not offered.
    """
    for short, n in _THOUSANDTHS.items():
        exact = Fraction(n * 1000, 1001)
        if f"{fps:.2f}" == short and abs(fps - float(exact)) < 0.006 and fps != round(fps):
            return exact
    if fps != round(fps) or not 24 <= fps <= 120:
        raise InputError(
            f"{fps:g} frames a second are not offered; give a whole number from 24 to 120, or "
            "23.976, 29.97 or 59.94",
            place="--fps",
        )
    return Fraction(round(fps))
