"""Options for the readers of sources."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sonify.performance_settings import Setup

__all__ = ["ReadOptions"]


@dataclass(frozen=True)
class ReadOptions:
    """What is known before a source is read; None if it is not.

    Attributes
    ----------
    positions : int
        Positions per turn (log, recording, photograph).
    rows : int
        Rows (recording).
    sample_rate : float
        Samples per second (a log without times).
    presets : tuple of str
        The presets that the player played with (log, recording).
    settings : tuple of str
        Single settings that override them, ``section.key=value``.
    overlay : Path
        Where to write a photograph's overlay.
    """

    positions: int | None = None
    rows: int | None = None
    sample_rate: float | None = None
    presets: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    overlay: Path | None = None

    def setup(self) -> Setup:
        """The presets with the single settings laid over them."""
        from sonify.performance_settings import load_setup
        from sonify.settings import parse_assignment

        return load_setup(self.presets, dict(parse_assignment(s) for s in self.settings))
