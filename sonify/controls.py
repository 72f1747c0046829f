"""The labels and help of settings, for the page's controls.

They are written under "Attributes" in the docstring of the setting's class, in NumPy style: the
label in place of the type (without one, the label is the setting's key), then the help, then the
meaning of each choice, in lines such as ``- up: low to high``. A type that several classes share
has its own label and help (`control`). Numbers and limits are given with the type.
"""

from __future__ import annotations

import inspect
import re
import textwrap
from functools import cache
from typing import Any, NamedTuple

import msgspec

__all__ = ["Words", "control", "words_of"]

_ATTRIBUTE = re.compile(r"^(\w+)(?: : (.+))?\n((?:(?: {4}.*)?\n)+)", re.MULTILINE)


class Words(NamedTuple):
    """A setting's label, its help, and the meaning of its choices."""

    label: str
    help: str
    choices: dict[str, str]


def control(label: str = "", help: str = "", step: float | None = None, unit: str = "",
            soft: tuple[float, float] | None = None, **limits: Any) -> msgspec.Meta:  # fmt: skip
    """The limits of a setting and the steps of its control, for use in `Annotated`.

    Parameters
    ----------
    label, help : str
        Only where the docstring of the setting's class does not have them.
    step : float, optional
        The change that one press makes.
    unit : str
    soft : tuple of float, optional
        The range of the slider; the number field beside it accepts all that the limits allow.
    **limits
        Limits as in `msgspec.Meta`: ge, gt, le, lt, min_length, max_length.
    """
    given = {"step": step, "unit": unit or None, "soft": soft}
    extra = {k: v for k, v in given.items() if v is not None}
    return msgspec.Meta(title=label or None, description=help or None, extra=extra, **limits)


@cache
def words_of(kind: type) -> dict[str, Words]:
    """The words in the docstrings of a class and its bases, by attribute."""
    out = {}
    for one in reversed(kind.__mro__[:-1]):
        _, _, section = inspect.cleandoc(one.__doc__ or "").partition("Attributes\n----------\n")
        for name, label, body in _ATTRIBUTE.findall(section + "\n"):
            text, *choices = re.split(r"^- ", textwrap.dedent(body), flags=re.MULTILINE)
            pairs = (" ".join(c.split()).split(": ", 1) for c in choices)
            label = label or name.replace("_", " ").capitalize()
            out[name] = Words(label, " ".join(text.split()), dict(pairs))
    return out
