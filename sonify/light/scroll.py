"""The scroll: the message moving across the matrix column by column."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.light.fill_rules import LIGHTS, LIT

__all__ = ["OWN_LETTERS", "Scroll", "scroll_of"]

# The name of the letters that ship, in `player.matrix.letters`.
OWN_LETTERS = "cairn"


@dataclass(frozen=True, eq=False)
class Scroll:
    """A message that scrolls from right to left.

    Attributes
    ----------
    columns : ndarray of bool, shape (height, columns)
        The message's letters side by side.
    starts : ndarray of int64, shape (characters,)
        The column in which each character begins.
    width : int
        Of the matrix.
    start_s, column_s : float
        When the first column appears at the right edge, and how long a step of one column lasts.
    missing : tuple of str
        Characters without a letter; they show as a box.
    """

    columns: NDArray[np.bool_]
    starts: NDArray[np.int64]
    width: int
    start_s: float
    column_s: float
    missing: tuple[str, ...]

    @property
    def height(self) -> int:
        """Of the matrix."""
        return int(self.columns.shape[0])

    @property
    def steps(self) -> int:
        """The number of steps until the last column has left."""
        return int(self.columns.shape[1]) + self.width

    @property
    def end_s(self) -> float:
        """When the last column has left, in s."""
        return self.start_s + self.steps * self.column_s

    def levels(self, step: int) -> NDArray[np.uint8]:
        """The lamps' levels at a step, shape (height, width).

        At step k the message's column j is at the matrix column width - 1 + j - k.
        """
        out = np.zeros((self.height, self.width), np.uint8)
        first = step - self.width + 1
        lo, hi = max(first, 0), min(step + 1, self.columns.shape[1])
        if lo < hi:
            out[:, lo - first : hi - first] = self.columns[:, lo:hi] * np.uint8(LIT)
        return out

    def lights(self, before: NDArray[np.uint8] | None = None) -> NDArray[np.void]:
        """All its changes as an array of `LIGHTS`.

        Parameters
        ----------
        before : ndarray of uint8, shape (height * width,), optional
            The levels before it starts; all dark if not given.
        """
        h, w, n = self.height, self.width, self.columns.shape[1]
        wide = np.zeros((h, n + 2 * w), bool)
        wide[:, w : w + n] = self.columns
        windows = np.lib.stride_tricks.sliding_window_view(wide, w, axis=1)[:, 1 : self.steps + 1]
        now = windows.transpose(1, 0, 2).reshape(self.steps, h * w) * np.uint8(LIT)
        last = np.empty_like(now)
        last[1:] = now[:-1]
        last[0] = 0 if before is None else before
        step, led = np.nonzero(now != last)
        out = np.empty(len(step), LIGHTS)
        out["time_s"] = self.start_s + step * self.column_s
        out["led"] = led
        out["level"] = now[step, led]
        out["hue"] = 0
        return out


def scroll_of(message: str, matrix: Matrix, start_s: float) -> Scroll:
    """The scroll of a message on a matrix.

    Raises
    ------
    InputError
        A font that can't be read or is higher than the matrix.
    """
    from sonify.light.letters import load_letters, missing, text_columns

    if matrix.letters == OWN_LETTERS:
        letters = load_letters()
    else:
        from sonify.light.fonts import load_font

        letters = load_font(Path(matrix.letters), matrix.height, characters=message)
    columns, starts = text_columns(message, letters, height=matrix.height)
    return Scroll(
        columns=columns,
        starts=starts,
        width=matrix.width,
        start_s=start_s,
        column_s=1.0 / matrix.scroll,
        missing=tuple(missing(message, letters)),
    )
