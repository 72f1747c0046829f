"""What a writer of moving pictures reports."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sonify.light.flash import Flashing

__all__ = ["Outcome", "comment_of"]


@dataclass(frozen=True)
class Outcome:
    """The result of writing a moving picture.

    Attributes
    ----------
    flashing : Flashing
        Its worst second.
    seconds : float
        Its length.
    changes : tuple of str
        What was changed to reduce flashing.
    beside : tuple of Path
        Files that were written with it.
    given_up : tuple of str
        What was given up to keep the file within its size.
    """

    flashing: Flashing
    seconds: float
    changes: tuple[str, ...] = ()
    beside: tuple[Path, ...] = ()
    given_up: tuple[str, ...] = ()


def comment_of(title: str, flashing: Flashing) -> str:
    """The comment that a file carries: its title and the flashes of its worst second."""
    word = "CAUTION, over" if flashing.over else "within"
    return (
        f"{title}. Flashing light: {word} the threshold of WCAG 2.2 SC 2.3.1; worst second: "
        f"{flashing.short}. Not a check for broadcasters or venues."
    )
