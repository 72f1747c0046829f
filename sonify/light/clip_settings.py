"""The settings of a clip: its size, frame rate and views."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Literal

from sonify.controls import control
from sonify.errors import InputError, close_matches
from sonify.light.look import Colour
from sonify.settings import Settings

__all__ = ["OWN_TYPE", "SANS", "SIZES", "VIEWS", "Clip", "frame_rate", "picture_size"]

ViewName = Literal["title", "matrix", "disc", "notes", "message"]
VIEWS = ("title", "matrix", "disc", "notes", "message")

# Names in `clip.font`: a real typeface, and the letters of the matrix.
SANS = "sans"
OWN_TYPE = "cairn"

# Width and height in pixels of the sizes that have a name.
SIZES = {
    "landscape": (1920, 1080),
    "portrait": (1080, 1920),
    "square": (1080, 1080),
    "sticker": (512, 512),  # common practice, no source
    "720p": (1280, 720),
    "1080p": (1920, 1080),
    "1440p": (2560, 1440),
    "2160p": (3840, 2160),
}

# own limits: encoders fail below some tens of pixels; H.264 level 6.2 ends at about 8192 x 4320
MIN_SIDE = 64
MAX_SIDE = 8192
MAX_PIXELS = 7680 * 4320

# television's rates, a thousandth below a whole number (SMPTE ST 12-1)
_THOUSANDTHS = {f"{n * 1000 / 1001:.2f}": n for n in (24, 30, 48, 60, 120)}


class Clip(Settings, frozen=True):
    """The `[clip]` section.

    The title is shown before the other views, or after them if it is listed last. Without the
    message, the clip ends when the disc has been read.

    Attributes
    ----------
    size
        landscape, portrait, square, 720p to 2160p, or for example 1280x720.
    fps : Frame rate
        1 to 120, or 23.976, 29.97, 59.94.
    views
        What is shown, the largest first: title, matrix, disc, notes, message.
    material
        What the disc is made of.
    title_s : Title
        How long the title shows.
    font
        For titles and captions: "sans" (Latin, Greek, Cyrillic), "cairn" (the letters of the
        matrix) or the path of a TrueType font.
    text : Text colour
        For titles and captions. Empty: the colour of the lamps.
    quality
        Encoding time against file size.

        - rough: fast
        - normal: right for most uses
        - fine: slow, large files
    """

    size: str = "landscape"
    fps: Annotated[float, control(step=1, unit="frames/s", soft=(12, 120), gt=0)] = 60.0
    views: tuple[ViewName, ...] = ("matrix", "message")
    material: Literal["slate", "walnut", "birch", "card", "steel"] = "slate"
    title_s: Annotated[float, control(step=0.5, unit="s", soft=(1, 15), ge=1, le=60)] = 4.0
    font: str = SANS
    text: Colour | None = None
    quality: Literal["rough", "normal", "fine"] = "normal"


def picture_size(text: str) -> tuple[int, int]:
    """Width and height in pixels, from a name in `SIZES` or a text such as 1920x1080.

    Raises
    ------
    InputError
        Not a size, one with an odd side, or one out of range.
    """
    if text in SIZES:
        return SIZES[text]
    found = re.fullmatch(r"\s*(\d{1,9})\s*[x×]\s*(\d{1,9})\s*", text)
    if found is None:
        raise InputError(
            f"'{text}' is not a size{close_matches(text, SIZES)}; write 1920x1080, for example, "
            f"or one of: {', '.join(SIZES)}",
            key="size",
        )
    width, height = int(found[1]), int(found[2])
    problem = None
    if width % 2 or height % 2:
        even = f"{width + width % 2}x{height + height % 2}"
        problem = f"has an odd side; video needs even ones, such as {even}"
    elif min(width, height) < MIN_SIDE or max(width, height) > MAX_SIDE:
        problem = f"is out of range; sides go from {MIN_SIDE} to {MAX_SIDE}"
    elif width * height > MAX_PIXELS:
        problem = f"has {width * height:,} pixels; the most is {MAX_PIXELS:,}"
    if problem:
        raise InputError(f"{width}x{height} {problem}", key="size")
    return width, height


def frame_rate(fps: float) -> Fraction:
    """The exact number of frames per second: 59.94 is 60000/1001.

    Raises
    ------
    InputError
        A rate that is not available.
    """
    for short, n in _THOUSANDTHS.items():
        exact = Fraction(n * 1000, 1001)
        if f"{fps:.2f}" == short and abs(fps - float(exact)) < 0.006 and fps != round(fps):
            return exact
    if fps != round(fps) or not 1 <= fps <= 120:
        raise InputError(
            f"{fps:g} frames per second is not available; give a whole number from 1 to 120, or "
            "23.976, 29.97 or 59.94",
            key="fps",
        )
    return Fraction(round(fps))
