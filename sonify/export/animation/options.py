"""The options of all moving pictures, and the part of the performance that they select."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec

from sonify.errors import InputError
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.light.scroll import Scroll
    from sonify.performance import Performance

__all__ = ["ClipOptions", "needed_scroll", "span_of"]

_LEAST_S = 1e-9


class ClipOptions(Settings, frozen=True):
    """How to write a moving picture. `size`, `fps` and `quality` default to `[clip]`.

    `from_s` and `to_s` (in s) or `rows` ("2-5", counted from 1) choose a range. `loop` is how often
    it plays (0: forever, if the format can say so). `calm` reduces flashing to within the
    threshold, `subtitles` writes captions beside the file, `sound` adds sound.
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
        """Whether only a range and a number of plays are given."""
        asked = (self.size, self.fps, self.quality)
        return asked == (None, None, None) and not (self.calm or self.subtitles)


def span_of(show: Performance, options: ClipOptions, end: float) -> tuple[float, float]:
    """The range that the options choose, in s; `end` is the end of the whole piece.

    Raises
    ------
    InputError
        An empty range, one outside the piece, or rows together with seconds.
    """
    start, whole = 0.0, end
    if options.rows is not None:
        if options.from_s is not None or options.to_s is not None:
            raise InputError("give rows or seconds, not both", key="rows")
        start, last = show.timeline.span_of_rows(options.rows)
        end = min(last, show.message_s)
    if options.from_s is not None:
        start = options.from_s
    if options.to_s is not None:
        end = min(options.to_s, end)
    if start >= end - _LEAST_S:
        raise InputError(
            f"the range from {start:g} s to {options.to_s or end:g} s is empty; "
            f"the piece goes from 0 to {whole:.2f} s",
            key="from, to",
        )
    return start, end


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
