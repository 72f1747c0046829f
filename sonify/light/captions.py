"""The characters decoded so far at any moment, in their places.

If reading of a row starts in the middle of a character, that character is complete only at the end
of the row; until then a dot takes its place.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["PENDING", "Decoded"]

PENDING = "\u00b7"


class Decoded:
    """The characters of a message in the order of their decoding.

    Parameters
    ----------
    captions : ndarray of CAPTIONS
        As `Performance.captions` has them.

    Attributes
    ----------
    text : str
        The whole message, with a space for each character that can't be printed.
    order : ndarray of int64
        Which character is decoded first, second and so on.
    times : ndarray of float64
        When, in ascending order.
    failed : ndarray of bool
        Whether each character can't be read.
    """

    def __init__(self, captions: NDArray[np.void]) -> None:
        self.order: NDArray[np.int64] = np.argsort(captions["time_s"], kind="stable")
        self.times = np.ascontiguousarray(captions["time_s"][self.order])
        self.text = "".join(
            c if c.isprintable() else " " for c in map(chr, captions["codepoint"].tolist())
        )
        self.failed = captions["state"] == 2
        self._rank = np.empty(len(self.order), np.int64)
        self._rank[self.order] = np.arange(len(self.order))
        self._far = np.maximum.accumulate(self.order) if len(self.order) else self.order

    def __len__(self) -> int:
        return len(self.text)

    def count(self, time_s: float) -> int:
        """How many characters are decoded at a moment."""
        return int(np.searchsorted(self.times, time_s, side="right"))

    def end(self, count: int) -> int:
        """One past the last place among the first `count` decoded characters."""
        return int(self._far[count - 1]) + 1 if count else 0

    def shown(self, count: int, start: int = 0) -> str:
        """The text from `start` on, as known after `count` decoded characters."""
        end = self.end(count)
        ready = self._rank[start:end] < count
        text = self.text[start:end]
        if bool(ready.all()):
            return text
        return "".join(
            c if known else PENDING for c, known in zip(text, ready.tolist(), strict=True)
        )
