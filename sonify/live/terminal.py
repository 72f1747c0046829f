"""The matrix in a terminal, drawn in place, in 24-bit colour where the terminal has it.

Escape sequences: ECMA-48 (cursor up, erase in line, select graphic rendition). 24-bit colour and
hiding the cursor are common practice without a source.
"""

from __future__ import annotations

import itertools
import os
import shutil
from typing import TextIO

import numpy as np

from sonify.light.colours import palette_of
from sonify.light.look import Look, colour
from sonify.light.renderer import Shown

__all__ = ["Screen", "has_true_colour"]

_HIDE, _SHOW, _RESET = "\x1b[?25l", "\x1b[?25h", "\x1b[0m"


def has_true_colour() -> bool:
    """Whether the environment says that the terminal shows 24-bit colour."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return os.environ.get("COLORTERM", "").casefold() in ("truecolor", "24bit")


class Screen:
    """A matrix of lamps in a terminal, with lines of text below it.

    Use it as a context manager, so that the cursor is shown again below the picture.

    Parameters
    ----------
    stream : TextIO
    width, height : int
        In lamps.
    look : Look
        Its colours are used.
    """

    def __init__(self, stream: TextIO, width: int, height: int, look: Look) -> None:
        self._out, self._colour, self._drawn = stream, has_true_colour(), 0
        self._marks = ("\u25cf", "\u00b7", "\u2580") if _can(stream, "\u25cf\u00b7\u2580") else None
        self._last: tuple[tuple[int, ...], bytes, str] | None = None
        self.become(width, height, look)

    def become(self, width: int, height: int, look: Look) -> None:
        """Show another matrix in place of this one."""
        self._width, self._height = width, height
        self._lit = np.array([colour(c) for c in (look.lamp, *palette_of(look))], np.float64)
        self._unlit = np.array(colour(look.off), np.float64)
        if self._last is not None:
            # the same text is drawn again, over the old picture
            self._last = (self._last[0], b"", self._last[2])

    def __enter__(self) -> Screen:
        self._out.write(_HIDE)
        return self

    def __exit__(self, *_: object) -> None:
        self._out.write(f"{_RESET}{_SHOW}\n" if self._last else _SHOW)
        self._out.flush()

    def draw(self, levels: Shown, line: str = "") -> None:
        """Show lamps, shape (height, width), and lines of text, if they have changed.

        Lamps are levels and hues times 256.
        """
        size = tuple(shutil.get_terminal_size())
        last, self._last = self._last, (size, levels.tobytes(), line)
        if self._last == last:
            return
        lines = [one[: max(0, size[0] - 1)] for one in line.split("\n")]
        rows = [*self._rows(levels, size[0], size[1] - len(lines) + 1), *lines]
        text = "\n".join(f"{row}\x1b[K" for row in rows) + "\x1b[J"
        if last is not None:
            up = f"\x1b[{self._drawn - 1}A" if self._drawn > 1 else ""
            text = (f"\r{up}" if last[0] == size else "\n") + text
        self._drawn = len(rows)
        self._out.write(text)
        self._out.flush()

    def _rows(self, levels: Shown, columns: int, lines: int) -> list[str]:
        """The lines: two columns per lamp, or one column for two lamps one above the other."""
        if self._width * 2 < columns and self._height + 1 < lines:
            return [self._wide(row) for row in levels]
        if self._marks and self._colour and self._width < columns and self._height // 2 + 1 < lines:
            even = np.concatenate(
                [levels, np.zeros((levels.shape[0] % 2, self._width), levels.dtype)]
            )
            mark = self._marks[2]
            return [self._halves(even[y], even[y + 1], mark) for y in range(0, len(even), 2)]
        if self._width < columns and self._height + 1 < lines:
            return ["".join("#" if v else "." for v in row.tolist()) for row in levels]
        return ["(the matrix is larger than the terminal)"[: max(0, columns - 1)]]

    def _wide(self, row: Shown) -> str:
        lit, unlit = self._marks[:2] if self._marks else ("#", ".")
        if not self._colour:
            return " ".join(lit if v else unlit for v in row.tolist())
        runs = [(self._mix(v), len(list(same))) for v, same in itertools.groupby(row.tolist())]
        return "".join(f"\x1b[38;2;{mix}m" + f"{lit} " * n for mix, n in runs) + _RESET

    def _halves(self, upper: Shown, lower: Shown, mark: str) -> str:
        pairs = zip(upper.tolist(), lower.tolist(), strict=True)
        cells = [f"\x1b[38;2;{self._mix(u)};48;2;{self._mix(v)}m{mark}" for u, v in pairs]
        return "".join(cells) + _RESET

    def _mix(self, shown: int) -> str:
        hue, level = divmod(shown, 256)
        mixed = self._unlit + (self._lit[hue] - self._unlit) * (level / 255)
        return ";".join(str(round(c)) for c in mixed.tolist())


def _can(stream: TextIO, text: str) -> bool:
    try:
        text.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
