"""The part of a performance that options select: rows, or seconds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sonify.errors import InputError
from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["SpanOptions", "span_of"]

_LEAST_S = 1e-9


class SpanOptions(Settings, frozen=True):
    """A range: `from_s` and `to_s` (in s), `rows` ("2-5", counted from 1), or what both have."""

    from_s: float | None = None
    to_s: float | None = None
    rows: str | None = None


def span_of(
    show: Performance, options: SpanOptions, end: float, rows_end: float
) -> tuple[float, float]:
    """The range that the options select, in s.

    Parameters
    ----------
    show : Performance
    options : SpanOptions
    end, rows_end : float
        The end of the whole piece, and of the last row, in s.

    Raises
    ------
    InputError
        An empty range, or one outside the piece.
    """
    start, last = options.from_s or 0.0, end if options.to_s is None else options.to_s
    if options.rows is not None:
        first, after = show.timeline.span_of_rows(options.rows)
        after = min(after, rows_end)
        if not max(first, start) < min(last, after) - _LEAST_S:
            raise InputError(
                f"rows {options.rows} are read from {first:.2f} to {after:.2f} s, which has "
                f"nothing of {start:g} to {last:g} s",
                key="rows",
            )
        start, last = max(first, start), min(last, after)
    if not 0 <= start < min(last, end) - _LEAST_S:
        raise InputError(
            f"{start:g} s to {last:g} s is not a range of this piece, which goes from 0 to "
            f"{end:.2f} s",
            key="from, to",
        )
    return start, min(last, end)
