"""The look of the matrix: colours, the shape of a lamp, glow, gaps, mounting and brightness."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Annotated, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.controls import control
from sonify.errors import InputError
from sonify.settings import Settings

__all__ = [
    "BRIGHTEST",
    "F32",
    "LUMINANCE",
    "NO_BACKGROUND",
    "NO_LAMP",
    "Look",
    "colour",
    "from_linear",
    "hex_of",
    "is_colour",
    "linear",
    "to_linear",
]

F32 = NDArray[np.float32]

_HEX = "^#[0-9a-fA-F]{6}$"
Colour = Annotated[str, msgspec.Meta(pattern=_HEX)]

# Brightness has this many steps, as in LED drivers: the share of time that a lamp is on.
BRIGHTEST = 16

# The background of a picture to be laid over another one.
NO_BACKGROUND = "none"

# What `unlit` may be besides a colour.
OWN_HUE, NO_LAMP = "lamp", "none"
# How much of the lit lamp's colour one that is off has (by eye, after the looks that ship).
_OFF_SHARE = 0.1

# The weights of linear red, green and blue in relative luminance (WCAG 2.2; ITU-R BT.709).
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


class Look(Settings, frozen=True):
    """The `[light]` section: what the lamps look like. The matrix is mirrored before it is turned.

    Attributes
    ----------
    lamp : Lit lamp
        The colour of a lamp that is on.
    colours : Colours by
        What the colours of lamps stand for while the disc is read.

        - lamp: all have the lamp's colour
        - row: the disc row
        - voice: the voice that plays
        - character: which characters belong together
        - pitch: low to high
        - velocity: soft to loud
        - age: how long ago it was read
    palette
        Its colours. Empty: those that suit it, told apart under colour blindness too.
    velocity : Brightness from velocity
        Loud notes light brightly.
    trail
        The time in which a lamp fades out after it was read. 0: it stays lit.
    unlit : Unlit lamp
        The colour of a lamp that is off; "lamp" for a faint shade of the lit one, "none" to show
        lit lamps only.
    background
        The colour of the board behind the lamps; in files also the path of a picture, or "none".
    shape : Lamp shape
        The lens of a lamp.

        - round: a round lens
        - square: a square lens
        - diffused: frosted, brightest in the middle
        - ring: a tube of light round an open middle
        - bar: upright, with round ends
        - chip: a bare LED, with a small bright window
    panel
        What is between the lamps, in files; the studio shows them open.

        - open: nothing
        - board: a circuit board, with the lamps' packages and pads
        - grille: walls that keep each lamp's light to itself
        - diffuser: a sheet in front of all lamps
    view
        How files show the matrix.

        - front: straight from the front
        - room: at an angle in a dark room, as in a photograph; takes longer
    core : Hot core
        How much brighter the middle of a lit lamp is than its colour; 0 makes flat discs.
    glow
        How strongly a lit lamp shines on what is next to it.
    bloom
        A wide, faint light around lit lamps, as in a photograph. Over 0.02 it makes GIFs larger; up
        to that they leave it out.
    exposure
        In stops, as in a camera: each doubles the light.
    gap
        The dark space between lamps, as a share of their pitch.
    pixels : Lamp pitch
        Pixels from lamp to lamp in pictures.
    module : Module size
        The number of lamps between seams; 0 for no seams.
    module_gap : Seam
        The width of a seam, in lamps.
    margin : Border
        The width of the frame, in lamps.
    brightness
        In sixteen steps, as in LED drivers.
    fade
        The time a lamp takes to change.
    turned : Rotation
        How the matrix is mounted, in degrees.

        - 0: upright
        - 90: a quarter turn clockwise
        - 180: upside down
        - 270: a quarter turn anticlockwise
    mirrored
        Seen from behind.
    """

    lamp: Colour = "#ffb347"
    colours: Literal["lamp", "row", "voice", "character", "pitch", "velocity", "age"] = "lamp"
    palette: tuple[Colour, ...] = ()
    velocity: bool = False
    trail: Annotated[float, control(step=0.25, unit="s", soft=(0, 20), ge=0, le=600)] = 0.0
    unlit: str = OWN_HUE
    background: str = "#0d0b0a"
    shape: Literal["round", "square", "diffused", "ring", "bar", "chip"] = "round"
    panel: Literal["open", "board", "grille", "diffuser"] = "open"
    view: Literal["front", "room"] = "front"
    core: Annotated[float, control(step=0.05, ge=0, le=1)] = 0.5
    glow: Annotated[float, control(step=0.05, ge=0, le=1)] = 0.35
    bloom: Annotated[float, control(step=0.01, ge=0, le=1)] = 0.02
    exposure: Annotated[float, control(step=0.25, unit="stops", ge=-3, le=3)] = 0.0
    gap: Annotated[float, control(step=0.01, ge=0, le=0.8)] = 0.25
    pixels: Annotated[int, control(step=1, unit="px", soft=(4, 60), ge=1, le=200)] = 20
    module: Annotated[int, control(step=1, soft=(0, 64), ge=0, le=1024)] = 8
    module_gap: Annotated[float, control(step=0.05, ge=0, le=4)] = 0.1
    margin: Annotated[float, control(step=0.25, ge=0, le=16)] = 0.5
    brightness: Annotated[int, control(step=1, ge=1, le=BRIGHTEST)] = BRIGHTEST
    fade: Annotated[float, control(step=0.05, unit="s", soft=(0, 1), ge=0, le=10)] = 0.0
    turned: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False

    def __post_init__(self) -> None:
        if not is_colour(self.unlit) and self.unlit not in (OWN_HUE, NO_LAMP):
            raise ValueError(
                f"'{self.unlit}' is not a colour; write #rrggbb, {OWN_HUE} (a faint shade of the "
                f"lit lamp) or {NO_LAMP}"
            )
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
        """The colour behind the lamps; black if there is none."""
        return self.background if self.plain else "#000000"

    @property
    def off(self) -> str:
        """The colour of a lamp that is off; what is behind it if such lamps are not shown."""
        if is_colour(self.unlit):
            return self.unlit
        share = _OFF_SHARE if self.unlit == OWN_HUE else 0.0
        pair = zip(colour(self.ground), colour(self.lamp), strict=True)
        return hex_of(round(a + (b - a) * share) for a, b in pair)


def is_colour(text: str) -> bool:
    """Whether a text is a colour, `#rrggbb`."""
    return re.fullmatch(_HEX, text) is not None


def colour(text: str, place: str = "light") -> tuple[int, int, int]:
    """`#rrggbb` as three whole numbers from 0 to 255."""
    if not is_colour(text):
        raise InputError(f"'{text}' is not a colour; write #rrggbb", place=place)
    return int(text[1:3], 16), int(text[3:5], 16), int(text[5:7], 16)


def hex_of(rgb: Iterable[int]) -> str:
    """Whole numbers from 0 to 255 as `#rrggbb`."""
    return "#" + "".join(f"{int(v):02x}" for v in rgb)


def linear(text: str) -> NDArray[np.float64]:
    """`#rrggbb` as linear light from 0 to 1, shape (3,)."""
    return to_linear(np.array(colour(text)) / 255)


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
