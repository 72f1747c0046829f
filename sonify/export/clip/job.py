"""One clip to write: what it shows, and its size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import msgspec

from sonify.export.animation.options import ClipOptions
from sonify.light.clip_settings import Clip, picture_size
from sonify.light.lamp_grid import size_of
from sonify.light.look import Look
from sonify.light.planes import FORMATS, Format
from sonify.light.room import proportion

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["Job"]

_SMALLEST = 64  # encoders fail on pictures of a few pixels
_VIEWS = {
    "lights": ("matrix",),
    "message": ("matrix", "message"),
    "matrix": ("matrix", "message"),
}


@dataclass(frozen=True)
class Job:
    """A clip to write.

    Attributes
    ----------
    show : Performance
    options : ClipOptions
    what : str
        "clip"; or the bare matrix, as large as the picture: "lights" while the disc is read,
        "message" while that scrolls, or "matrix" for both.
    share : float
        The share of the picture's sides that views may take.
    dim : float
        How bright glows are, from 0 to 1.
    zoom : float
        Pixels on the screen for each pixel of the picture; see `FlashMeter`.
    """

    show: Performance
    options: ClipOptions
    what: str
    share: float = 1.0
    dim: float = 1.0
    zoom: float = 1.0

    @property
    def look(self) -> Look:
        """The look of the lamps."""
        return self.show.setup.light

    @cached_property
    def clip(self) -> Clip:
        """The `[clip]` section; the bare matrix has its own views."""
        clip = self.show.setup.clip
        return msgspec.structs.replace(clip, views=_VIEWS.get(self.what, clip.views))

    @property
    def sound(self) -> bool:
        """Whether it has sound."""
        return self.options.sound and self.what == "clip"

    @property
    def quality(self) -> str:
        """The quality of the encoder."""
        return self.options.quality or self.clip.quality

    @cached_property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        if self.options.size is not None:
            return picture_size(self.options.size)
        if self.what == "clip":
            return picture_size(self.clip.size)
        matrix = self.show.setup.player.matrix
        width, height = size_of(self.look, matrix)
        if self.look.view == "room":
            height = max(height, round(width / proportion(self.look, matrix) / 2) * 2)
        return picture_size(f"{max(width, _SMALLEST)}x{max(height, _SMALLEST)}")

    @property
    def rgb(self) -> Format:
        """The format of frames that no video encoder takes."""
        return FORMATS["rgba" if self.look.clear else "rgb24"]
