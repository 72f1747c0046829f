"""The player's profile: its motor, its stage and its matrix."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from sonify.settings import Settings

__all__ = ["Matrix", "Player"]

Seconds = Annotated[float, msgspec.Meta(ge=0, le=3600)]
Lamps = Annotated[int, msgspec.Meta(ge=1, le=1024)]


class Matrix(Settings, frozen=True):
    """The `[player.matrix]` section: the LED matrix.

    `fill` names a fill rule (see `sonify.light.fill`). `scroll` is the speed of the message in
    columns a second. `letters` is "cairn", the set that ships, or the path of a BDF or TrueType
    font.
    """

    width: Lamps = 32
    height: Lamps = 8
    fill: str = "rows"
    scroll: Annotated[float, msgspec.Meta(gt=0, le=1000)] = 12.0
    letters: str = "cairn"

    @property
    def lamps(self) -> int:
        """How many lamps there are."""
        return self.width * self.height


class Player(Settings, frozen=True):
    """The `[player]` section. Times in s.

    `row_start` is "index" where each row waits for the index mark, and "next-position" where
    reading goes on from wherever the disc is. `stage` is the stage's move to the next row,
    `settle` its rest before reading, `message_pause` the rest between the last bit and the
    message. `delay` is how much later the data detector sees a hole than the clock detector: it
    moves no note, as a bit is read when its hole passes, and tells readers of logs where to look.
    `sample_at` and `sample_width` say how the machine samples its data detector for a bit: how long
    after the middle of the clock's pulse, and averaged over which share of a position; if they are
    not given, readers of logs look where holes pass.
    """

    rpm: Annotated[float, msgspec.Meta(gt=0, le=10_000)] = 10.0
    row_start: Literal["index", "next-position"] = "index"
    stage: Seconds = 0.8
    settle: Seconds = 0.2
    delay: Annotated[float, msgspec.Meta(ge=-1, le=1)] = 0.0
    sample_at: Annotated[float, msgspec.Meta(ge=-1, le=1)] | None = None
    sample_width: Annotated[float, msgspec.Meta(gt=0, le=1)] | None = None
    message_pause: Seconds = 1.0
    matrix: Matrix = Matrix()

    @property
    def turn_s(self) -> float:
        """How long a turn lasts, in s."""
        return 60.0 / self.rpm
