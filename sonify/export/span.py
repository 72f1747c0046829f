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
    """A range: `from_s` and `to_s` (in s), or `rows` ("2-5", counted from 1)."""

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
        An empty range, one outside the piece, or rows together with seconds.
    """
    if options.rows is None:
        start, last = options.from_s or 0.0, end if options.to_s is None else options.to_s
    elif options.from_s is None and options.to_s is None:
        start, last = show.timeline.span_of_rows(options.rows)
        last = min(last, rows_end)
    else:
        raise InputError("give rows or seconds, not both", key="rows")
    if not 0 <= start < min(last, end) - _LEAST_S:
        raise InputError(
            f"{start:g} s to {last:g} s is not a range of this piece, which goes from 0 to "
            f"{end:.2f} s",
            key="from, to",
        )
    return start, min(last, end)
