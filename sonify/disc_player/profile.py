"""The player's profile: its motor, its stage and its matrix."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from sonify.controls import control
from sonify.settings import Settings

__all__ = ["Matrix", "Panel", "Player"]


Rpm = Annotated[float, msgspec.Meta(gt=0, le=10_000)]


Count = Annotated[int, msgspec.Meta(ge=1, le=1024)]


class Panel(Settings, frozen=True):
    """One `[[player.matrix.panels]]`: a part of the matrix that is wired as a whole.

    Upright, a panel is wired as `wiring` and `first-lamp` say; then it is mirrored, then turned.

    Attributes
    ----------
    column, row
        The place of its top left lamp on the matrix, counted from 1.
    width, height
        Lamps across and down, as it is mounted.
    turned
        Degrees clockwise.
    mirrored
        Whether left and right are swapped.
    """

    column: Count
    row: Count
    width: Count
    height: Count
    turned: Literal[0, 90, 180, 270] = 0
    mirrored: bool = False


class Matrix(Settings, frozen=True):
    """The `[player.matrix]` section: the LED matrix. Lamps on the strip count from 1.

    Attributes
    ----------
    width : Matrix width
        The number of lamps per line.
    height : Matrix height
        The number of lines.
    fill
        The order in which bits light the lamps.
    scroll : Scroll speed
        How fast the message scrolls.
    letters
        "cairn", the set that ships, or the path of a BDF or TrueType font.
    wiring
        How the data line goes from lamp to lamp: "rows" (each from the same side), "columns",
        "serpentine-rows" (every other one backwards) or "serpentine-columns"; or the path of a
        .csv file with the columns `column`, `row` and `lamp`.
    first_lamp
        The corner in which the strip begins.
    panels
        Parts of the matrix, in the order in which the data line passes through them. Empty: one
        panel.
    missing
        Places without a lamp, as column and row; the data line passes them by.
    gaps
        Lamps of the strip that have no place on the matrix, such as "9, 17-20".
    colour_order
        The order in which a lamp takes its colours.
    brightness
        The most that is sent to a lamp, as a share.
    lamp_current
        What one colour of a lamp draws at its brightest, in mA.
    supply
        The power supply's current, in A.
    """

    width: Annotated[int, control(step=1, soft=(8, 128), ge=1, le=1024)] = 32
    height: Annotated[int, control(step=1, soft=(1, 64), ge=1, le=1024)] = 8
    fill: str = "fitted"
    scroll: Annotated[float, control(step=0.5, unit="columns/s", soft=(2, 60), gt=0, le=1000)] = (
        12.0
    )
    letters: str = "cairn"
    wiring: str = "rows"
    first_lamp: Literal["top-left", "top-right", "bottom-left", "bottom-right"] = "top-left"
    panels: tuple[Panel, ...] = ()
    missing: tuple[tuple[Count, Count], ...] = ()
    gaps: str = ""
    colour_order: Literal["rgb", "rbg", "grb", "gbr", "brg", "bgr", "rgbw", "grbw"] = "grb"
    brightness: Annotated[float, msgspec.Meta(gt=0, le=1)] = 1.0
    # common practice, no source: chips of addressable lamps drive each colour with about 20 mA
    lamp_current: Annotated[float, msgspec.Meta(gt=0, le=1000)] = 20.0
    supply: Annotated[float, msgspec.Meta(gt=0, le=1000)] | None = None

    @property
    def lamps(self) -> int:
        """How many lamps there are."""
        return self.width * self.height


class Player(Settings, frozen=True):
    """The `[player]` section. Times in s.

    The data detector sees a hole `delay` later than the clock detector does. That moves no notes,
    as a bit is read when its hole passes, but tells readers of logs where to look.

    Attributes
    ----------
    rpm : Speed
        Turns of the disc per minute.
    rpm_range : Speeds allowed
        The lowest and highest speed that a tempo or length of the music may choose. Empty: the
        speed stays.
    row_start : Next row starts
        Where reading continues after the stage has moved.

        - index: at the index mark: each row is read from its first position
        - next-position: at the next position, wherever the disc is then
    stage : Stage move
        The time the stage takes to reach the next row.
    settle : Settling time
        The wait between the move and reading.
    delay : Detector delay
        How much later the data detector sees a hole than the clock detector. Used to read logs; it
        moves no notes.
    sample_at : Sampling time
        When the player samples its data detector, relative to the middle of the clock pulse. Used
        to read logs. Empty: where the holes pass.
    sample_width : Sampling window
        The share of a position that the player averages for a bit. Used to read logs. Empty: the
        default.
    message_pause : Pause before the message
        From the last bit to the first scrolling character.
    """

    rpm: Annotated[float, control(step=0.5, unit="rpm", soft=(1, 60), gt=0, le=10_000)] = 10.0
    rpm_range: tuple[Rpm, Rpm] | None = None
    row_start: Literal["index", "next-position"] = "index"
    stage: Annotated[float, control(step=0.05, unit="s", soft=(0, 5), ge=0, le=3600)] = 0.8
    settle: Annotated[float, control(step=0.05, unit="s", soft=(0, 2), ge=0, le=3600)] = 0.2
    delay: Annotated[float, control(step=0.001, unit="s", soft=(-0.1, 0.1), ge=-1, le=1)] = 0.0
    sample_at: (
        Annotated[float, control(step=0.001, unit="s", soft=(-0.1, 0.1), ge=-1, le=1)] | None
    ) = None
    sample_width: Annotated[float, control(step=0.01, soft=(0.01, 0.99), gt=0, le=1)] | None = None
    message_pause: Annotated[float, control(step=0.1, unit="s", soft=(0, 10), ge=0, le=3600)] = 1.0
    matrix: Matrix = Matrix()

    @property
    def turn_s(self) -> float:
        """How long a turn lasts, in s."""
        return 60.0 / self.rpm
