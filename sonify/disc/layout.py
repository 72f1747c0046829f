"""The layout: how rows and positions lie on a disc, and in which order they are read."""

from __future__ import annotations

from typing import Annotated, Literal

from sonify.controls import control
from sonify.settings import Settings

__all__ = ["MAX_BITS", "Layout"]

MAX_BITS = 100_000_000
"""The most positions that a disc may have in all its rows."""


class Layout(Settings, frozen=True):
    """The `[layout]` section.

    Row 0 is the row read first: the outermost with `outside-in`, the innermost with
    `inside-out`. Position 0 lies at twelve o'clock. On a disc that turns clockwise, the positions
    run anticlockwise, so that they pass a detector in order.

    Attributes
    ----------
    positions
        Bits per row; the clock row has as many holes.
    reading : Row order
        Which row is read first.

        - outside-in: from the rim inwards
        - inside-out: from the centre outwards
    turning : Direction
        Which way the disc turns, seen from the front.
    hole_means : A hole means
        The bit that is punched.

        - 1: a one
        - 0: a zero
    """

    positions: Annotated[int, control(step=1, soft=(16, 256), ge=1, le=MAX_BITS)] = 56
    reading: Literal["outside-in", "inside-out"] = "outside-in"
    turning: Literal["clockwise", "anticlockwise"] = "clockwise"
    hole_means: Literal[0, 1] = 1

    def angle(self, position: float) -> float:
        """Where a position's centre lies, clockwise from twelve o'clock, 0 <= a < 360."""
        turn = 360.0 * position / self.positions
        return (-turn if self.turning == "clockwise" else turn) % 360.0
