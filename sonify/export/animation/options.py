"""The options of all moving pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec

from sonify.errors import InputError
from sonify.export.span import SpanOptions

if TYPE_CHECKING:
    from sonify.light.scroll import Scroll
    from sonify.performance import Performance

__all__ = ["ClipOptions", "needed_scroll"]


class ClipOptions(SpanOptions, frozen=True):
    """How to write a moving picture. `size`, `fps` and `quality` default to `[clip]`.

    `loop` is how often it plays (0: forever, if the format can say so). `duration` is the length
    in s, titles and all: a longer piece is cut, and of a shorter one the last picture stays.
    `seamless` joins the end to the start. `timecode` is that of the first frame, `poster` the
    second whose picture is written beside the file. `calm` reduces flashing to within the
    threshold, `subtitles` writes captions beside the file, `sound` adds sound. `max_size` is the
    most that the file may take, such as "5MB"; `coarse` compresses more than `quality` says.
    """

    size: str | None = None
    fps: Annotated[float, msgspec.Meta(gt=0)] | None = None
    quality: str | None = None
    loop: Annotated[int, msgspec.Meta(ge=0, le=65535)] | None = None
    duration: Annotated[float, msgspec.Meta(gt=0, le=43200)] | None = None
    seamless: bool = False
    timecode: str | None = None
    poster: Annotated[float, msgspec.Meta(ge=0)] | None = None
    calm: bool = False
    max_size: str | None = None
    coarse: Annotated[int, msgspec.Meta(ge=0, le=3)] = 0
    subtitles: bool = False
    sound: bool = True

    @property
    def plain(self) -> bool:
        """Whether only a range, a length and a number of plays are given."""
        asked = (self.size, self.fps, self.quality, self.poster)
        return asked == (None,) * 4 and not (self.calm or self.subtitles or self.seamless)


def needed_scroll(show: Performance, file: object = None) -> Scroll:
    """The message as it scrolls.

    Raises
    ------
    InputError
        A disc without a message.
    """
    if show.scroll is None:
        raise InputError(
            "this disc has no message to scroll; give it a message, or bits and a [code]",
            file=file,
        )
    return show.scroll
