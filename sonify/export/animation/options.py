"""What all writers of moving pictures are asked."""

from __future__ import annotations

from typing import Annotated

import msgspec

from sonify.settings import Settings

__all__ = ["Options"]


class Options(Settings, frozen=True):
    """How a moving picture is written; what is not given comes from `[clip]`.

    `from_s` and `to_s` (in s) or `rows` ("2-5", counted from 1) choose a range, `loop` how often
    it is played (0: for ever, where a kind of file can say so). `calm` softens what flashes,
    `subtitles` writes captions beside the file, `sound` gives it sound.
    """

    size: str | None = None
    fps: Annotated[float, msgspec.Meta(gt=0)] | None = None
    quality: str | None = None
    from_s: Annotated[float, msgspec.Meta(ge=0)] | None = None
    to_s: Annotated[float, msgspec.Meta(gt=0)] | None = None
    rows: str | None = None
    loop: Annotated[int, msgspec.Meta(ge=0, le=65535)] | None = None
    calm: bool = False
    subtitles: bool = False
    sound: bool = True

    @property
    def plain(self) -> bool:
        """Whether nothing is asked for but a range and how often to play it."""
        asked = (self.size, self.fps, self.quality)
        return asked == (None, None, None) and not (self.calm or self.subtitles)
