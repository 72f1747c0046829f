"""What was decoded at a moment: the characters so far, in their places.

Where a row is read from the middle of a character on, that character is complete only when the
row is; until then a dot stands in for it.
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
        All of it; what can't be printed is a space.
    order : ndarray of int64
        Which character is decoded as the first, second and so on.
    times : ndarray of float64
        When, rising.
    failed : ndarray of bool
        For each character whether it can't be read.
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
        """How many are decoded at a moment."""
        return int(np.searchsorted(self.times, time_s, side="right"))

    def end(self, count: int) -> int:
        """Behind the last character of which `count` decoded ones are."""
        return int(self._far[count - 1]) + 1 if count else 0

    def shown(self, count: int, start: int = 0) -> str:
        """What is known after `count` of them, from a character on."""
        end = self.end(count)
        ready = self._rank[start:end] < count
        text = self.text[start:end]
        if bool(ready.all()):
            return text
        return "".join(
            c if known else PENDING for c, known in zip(text, ready.tolist(), strict=True)
        )
