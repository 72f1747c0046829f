"""What a control of a setting is called, what it does, and how it moves: kept with its limits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

__all__ = ["control"]


def control(
    label: str,
    help: str,
    step: float | None = None,
    unit: str = "",
    soft: tuple[float, float] | None = None,
    choices: Mapping[str, str] | None = None,
    **limits: Any,
) -> msgspec.Meta:
    """The limits of a setting and the words for it, for use in `Annotated`.

    Parameters
    ----------
    label, help : str
        The control's name, and a sentence on what it does.
    step : float, optional
        What one press moves it by.
    unit : str
    soft : tuple of float, optional
        The range that a slider spans; the number beside it takes all that is allowed.
    choices : mapping, optional
        What each choice means.
    **limits
        Limits as in `msgspec.Meta`: ge, gt, le, lt, min_length, max_length.
    """
    extra = {"step": step, "unit": unit, "soft": soft, "choices": choices}
    return msgspec.Meta(title=label, description=help, extra=extra, **limits)
