"""The options of sound, and the part of the piece that they select."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import msgspec

from sonify.errors import RANGE_HINT, InputError
from sonify.export.span import SpanOptions, span_of

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["MAX_LENGTH_S", "SoundOptions", "sound_span"]

# own limit
MAX_LENGTH_S = 12 * 3600


class SoundOptions(SpanOptions, frozen=True):
    """How to write the sound.

    `loop` is how often it plays; 0 makes one pass that repeats seamlessly: its end rings on in its
    start. `speed` 2 plays twice as fast at the same pitch. `stems` is a folder for one file per
    voice; together they make up the mix. `stems_as` writes them with reverberation and chorus
    (wet), without (dry), or both.
    """

    loop: Annotated[int, msgspec.Meta(ge=0, le=10_000)] = 1
    speed: Annotated[float, msgspec.Meta(ge=0.05, le=20)] = 1.0
    stems: str | None = None
    stems_as: Literal["wet", "dry", "both"] = "wet"


def sound_span(show: Performance, options: SoundOptions) -> tuple[float, float]:
    """The range that the options select, in s.

    Raises
    ------
    InputError
        A range outside the piece, or too long.
    """
    start, end = span_of(show, options, show.music_s, show.music_s)
    if end - start > MAX_LENGTH_S:
        raise InputError(
            f"the sound would be {(end - start) / 3600:,.0f} hours long; at most "
            f"{MAX_LENGTH_S // 3600} hours can be written",
            hint=RANGE_HINT,
        )
    return start, end
