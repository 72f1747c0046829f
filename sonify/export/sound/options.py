"""The options of sound, and the part of the piece that they select."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import msgspec

from sonify.errors import RANGE_HINT, InputError
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["MAX_LENGTH_S", "SoundOptions", "span_of"]

# own limit
MAX_LENGTH_S = 12 * 3600


class SoundOptions(Settings, frozen=True):
    """How to write the sound.

    `from_s` and `to_s` (in s) or `rows` ("2-5", counted from 1) choose a range. `loop` is how often
    it plays; 0 makes one pass that repeats seamlessly: its end rings on in its start. `speed` 2
    plays twice as fast at the same pitch. `stems` is a folder for one file per voice; together they
    make up the mix.
    """

    from_s: float | None = None
    to_s: float | None = None
    rows: str | None = None
    loop: Annotated[int, msgspec.Meta(ge=0, le=10_000)] = 1
    speed: Annotated[float, msgspec.Meta(ge=0.05, le=20)] = 1.0
    stems: str | None = None


def span_of(show: Performance, options: SoundOptions) -> tuple[float, float]:
    """Find the range that the options choose, in s.

    Raises
    ------
    InputError
        A range outside the piece, or too long.
    """
    piece_s = show.music_s
    if options.rows is not None:
        if options.from_s is not None or options.to_s is not None:
            raise InputError("give rows or seconds, not both", key="rows")
        start, end = show.timeline.span_of_rows(options.rows)
    else:
        start = 0.0 if options.from_s is None else options.from_s
        end = piece_s if options.to_s is None else options.to_s
    end = min(end, piece_s)
    if not 0 <= start < end:
        raise InputError(
            f"{start:g} to {end:g} s is not a range of this piece, which lasts {piece_s:.1f} s",
            place="range",
        )
    if end - start > MAX_LENGTH_S:
        raise InputError(
            f"the sound would be {(end - start) / 3600:,.0f} hours long; at most "
            f"{MAX_LENGTH_S // 3600} hours can be written",
            hint=RANGE_HINT,
        )
    return start, end
