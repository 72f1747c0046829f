"""The lamps of a show in the terminal."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from sonify.cli.common import plain
from sonify.cli.usual import caution
from sonify.extras import NotInstalled

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["FRAME_S", "Lamps", "agree"]

FRAME_S = 1 / 60


def agree(show: Performance) -> None:
    """Ask before a show that flashes more than WCAG allows.

    Raises
    ------
    click.Abort
        The answer is no.
    """
    from sonify.studio.flashing import flashing_of, may_flash

    if not may_flash(show):
        return
    name, limit = plain(show.disc.display_name), "flash more than WCAG 2.2 SC 2.3.1 allows"
    try:
        found = flashing_of(show)
    except NotInstalled as e:
        caution(f"{name}: the lamps may {limit}, which was not measured: {e}")
    else:
        if not found.over:
            return
        caution(f"{name}: at this speed the lamps {limit}: {found.short}")
    click.confirm("Watch it all the same?", abort=True, err=True)


class Lamps:
    """The matrix of a show in the terminal, and of another show after it."""

    def __init__(self, show: Performance) -> None:
        from sonify.live.terminal import Screen

        self._take(show)
        width, height = self._mounting.size
        self._screen = Screen(sys.stdout, width, height, show.setup.light)

    def _take(self, show: Performance) -> None:
        from sonify.light.lamp_levels import LampLevels
        from sonify.light.mounting import Mounting

        self._show = show
        self._mounting = Mounting.of(show.setup.light, show.setup.player.matrix)
        self._lamps = LampLevels(show.lights, show.setup.player.matrix, show.scroll)

    def __enter__(self) -> Lamps:
        self._screen.__enter__()
        return self

    def __exit__(self, *of: object) -> None:
        self._screen.__exit__(*of)

    def draw(self, show: Performance, now: float, words: str) -> None:
        """Show the lamps at a moment, with `words` below."""
        import numpy as np

        if show is not self._show:
            self._take(show)
            width, height = self._mounting.size
            self._screen.become(width, height, show.setup.light)
        levels = self._mounting.levels(self._lamps.at(now))
        self._screen.draw(np.ascontiguousarray(levels), words)
