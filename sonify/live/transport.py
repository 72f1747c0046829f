"""Where the music is at a moment: by the computer's own clock, or by an incoming MIDI clock."""

from __future__ import annotations

import math
from typing import Protocol

__all__ = ["OwnTempo", "Transport"]


class Transport(Protocol):
    """From moments to places and back."""

    @property
    def running(self) -> bool:
        """Whether places go on."""

    @property
    def rate(self) -> float:
        """Places a second."""

    @property
    def in_beats(self) -> bool:
        """Whether places are quarter notes, and someone else's."""

    def place(self, now: float) -> float:
        """The place at a moment."""

    def when(self, place: float) -> float:
        """The moment of a place; infinity while nothing runs."""

    def run(self, now: float) -> None:
        """Go on from where it stopped."""

    def halt(self, now: float) -> None:
        """Stop there."""


class OwnTempo:
    """Places are seconds of the computer's clock."""

    rate = 1.0
    in_beats = False

    def __init__(self) -> None:
        self._zero, self._stopped = 0.0, 0.0
        self.running = False

    def place(self, now: float) -> float:
        """The place at a moment."""
        return now - self._zero if self.running else self._stopped

    def when(self, place: float) -> float:
        """The moment of a place."""
        return self._zero + place if self.running else math.inf

    def run(self, now: float) -> None:
        """Go on from where it stopped."""
        if not self.running:
            self._zero, self.running = now - self._stopped, True

    def halt(self, now: float) -> None:
        """Stop there."""
        self._stopped, self.running = self.place(now), False
