"""What the lamps of a real matrix draw: an estimate for choosing a power supply."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.colours import palette_of
from sonify.light.look import Look, colour

__all__ = ["POWER_CAUTION", "Power", "power_of"]

IDLE_MA = 1.0
"""What a dark lamp with a chip of its own draws: common practice, no source."""
HEADROOM = 1.25
"""How much more than the lamps draw a supply should give: common practice, no source."""

POWER_CAUTION = (
    "Caution: a strip that draws amperes can melt thin wires and start fires. Use a supply that is "
    "certified for your country, with a fuse and wires for its full current; feed long strips at "
    "both ends; connect grounds first, and never work on it while it is plugged in."
)


class Power(NamedTuple):
    """The current of all lamps, in A: in the brightest frame and when it is, in the lamp test,
    which lights all of them in the look's colour, with all lit in white, and what a supply should
    give."""

    brightest: float
    time_s: float
    test: float
    white: float
    supply: float

    def __str__(self) -> str:
        return (
            f"about {self.brightest:.2g} A at the brightest moment ({self.time_s:.1f} s), "
            f"{self.test:.2g} A in the lamp test, {self.white:.2g} A with all lamps white; use a "
            f"supply of {self.supply:.2g} A or more"
        )


def _sent(rgb: tuple[int, int, int], matrix: Matrix) -> float:
    """The sum of what the colours of a lamp are sent, each from 0 to 1."""
    # the usual way to use a white chip: it takes what red, green and blue have in common
    white = min(rgb) if "w" in matrix.colour_order else 0
    return (sum(rgb) - 2 * white) / 255 * matrix.brightness


def power_of(
    lights: NDArray[np.void], look: Look, matrix: Matrix, lamps: int | None = None
) -> Power:
    """The current that lamps draw, as the values that are sent to them say.

    Drivers that correct for the eye (gamma) send less, so this is on the safe side.

    Parameters
    ----------
    lights : ndarray of LIGHTS
        In the order of time.
    look : Look
    matrix : Matrix
    lamps : int, optional
        On the strip; default: all of the matrix.
    """
    lamps = matrix.lamps if lamps is None else lamps
    each = matrix.lamp_current / 1000
    idle = lamps * IDLE_MA / 1000
    hues = np.array([_sent(colour(c), matrix) for c in (look.lamp, *palette_of(look))])
    now = hues[lights["hue"]] * (lights["level"] / 255)
    order = np.lexsort((np.arange(len(lights)), lights["led"]))
    before = np.zeros(len(lights))
    same = lights["led"][order][1:] == lights["led"][order][:-1]
    before[order[1:]] = np.where(same, now[order[:-1]], 0.0)
    total = np.cumsum(now - before)
    last = np.ones(len(lights), bool)
    last[:-1] = lights["time_s"][1:] != lights["time_s"][:-1]
    peak, when = 0.0, 0.0
    if len(lights):
        total[~last] = -1.0
        at = int(np.argmax(total))
        peak, when = float(total[at]), float(lights["time_s"][at])
    brightest = peak * each + idle
    test, white = (
        lamps * _sent(c, matrix) * each + idle for c in (colour(look.lamp), (255, 255, 255))
    )
    return Power(brightest, when, test, white, HEADROOM * max(brightest, test))
