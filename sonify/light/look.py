"""The look of the matrix: colours, the shape of a lamp, glow, gaps, mounting and brightness."""

from __future__ import annotations

import re
from typing import Annotated, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.settings import Settings

__all__ = ["BRIGHTEST", "NO_BACKGROUND", "Look", "colour", "from_linear", "is_colour", "to_linear"]

_HEX = "^#[0-9a-fA-F]{6}$"
Colour = Annotated[str, msgspec.Meta(pattern=_HEX)]

BRIGHTEST = 16
"""Brightness is set in this many steps, as LED drivers do it: by the share of time a lamp is on."""

NO_BACKGROUND = "none"
"""The background of a picture that is to be laid over another one."""


class Look(Settings, frozen=True):
    """The `[light]` section: what a lamp looks like.

    `pixels` is the distance from lamp to lamp in pixels. `gap` is the share of it that is dark
    between neighbours, `glow` how strongly a lamp lights what is around it. `module` is after
    how many lamps a gap of `module_gap` lamps parts the panels (0 for none). `margin` is the
    border around the matrix, in lamps. `background` is a colour, the path of a picture, or
    "none". `brightness` goes from 1 to 16 and is linear in light. `fade` is how long a lamp
    takes to change, in s. `turned` is how far the matrix is mounted turned, clockwise in
    degrees, and `mirrored` whether it is seen from behind; it is mirrored first.
    """

    lamp: Colour = "#ffb347"
    unlit: Colour = "#241c16"
    background: str = "#0d0b0a"
    shape: Literal["round", "square", "diffused"] = "round"
    glow: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.35
    gap: Annotated[float, msgspec.Meta(ge=0, le=0.8)] = 0.25
    pixels: Annotated[int, msgspec.Meta(ge=1, le=200)] = 20
    module: Annotated[int, msgspec.Meta(ge=0, le=1024)] = 8
    module_gap: Annotated[float, msgspec.Meta(ge=0, le=4)] = 0.1
    margin: Annotated[float, msgspec.Meta(ge=0, le=16)] = 0.5
    brightness: Annotated[int, msgspec.Meta(ge=1, le=BRIGHTEST)] = BRIGHTEST
    fade: Annotated[float, msgspec.Meta(ge=0, le=10)] = 0.0
    turned: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False

    def __post_init__(self) -> None:
        if self.background.startswith("#") and not is_colour(self.background):
            raise ValueError(
                f"'{self.background}' is not a colour; write #rrggbb, the path of a picture, "
                f"or {NO_BACKGROUND}"
            )

    @property
    def plain(self) -> bool:
        """Whether the background is one colour."""
        return is_colour(self.background)

    @property
    def clear(self) -> bool:
        """Whether there is no background."""
        return self.background == NO_BACKGROUND

    @property
    def ground(self) -> str:
        """The colour behind the lamps, black where there is none."""
        return self.background if self.plain else "#000000"


def is_colour(text: str) -> bool:
    """Whether a text is a colour, `#rrggbb`."""
    return re.fullmatch(_HEX, text) is not None


def colour(text: str, place: str = "light") -> tuple[int, int, int]:
    """`#rrggbb` as three whole numbers from 0 to 255."""
    if not is_colour(text):
        raise InputError(f"'{text}' is not a colour; write #rrggbb", place=place)
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)


def to_linear(srgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """sRGB values from 0 to 1 as linear light (IEC 61966-2-1)."""
    out: NDArray[np.float64] = np.where(
        srgb <= 0.04045, srgb / 12.92, ((np.maximum(srgb, 0) + 0.055) / 1.055) ** 2.4
    )
    return out


def from_linear(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light from 0 to 1 as sRGB values (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    out: NDArray[np.float64] = np.where(
        light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055
    )
    return out
