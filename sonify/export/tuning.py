"""The scale of a performance as Scala's scale file (.scl) or keyboard mapping (.kbm)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sonify.atomic import write_data
from sonify.music.theory.scala import keyboard_file, scale_file
from sonify.music.theory.scales import find_scale, note_number
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Options", "write"]


class Options(Settings, frozen=True):
    """There are none."""


def write(show: Performance, path: Path, options: Options) -> None:
    """Write a performance's scale, or which key it begins at; the suffix decides."""
    music = show.setup.music
    scale = find_scale(music.scale)
    if path.suffix.casefold() == ".scl":
        text = scale_file(scale, path.name)
    else:
        text = keyboard_file(scale, note_number(music.root), music.concert_pitch, path.name)
    write_data(path, text)
