"""The scheme or rule that a name or a table in a preset stands for."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, TypeVar, cast

from sonify.errors import InputError, look_up
from sonify.plugins import add_kinds
from sonify.settings import convert

__all__ = ["one_of"]

T = TypeVar("T")

_WHAT = {"scheme": "pitch scheme", "rule": "rhythm rule"}
_MADE: dict[tuple[type, str], Any] = {}
"""Those made before: a search plays thousands of discs by the same few."""
_MOST_MADE = 4096


def one_of(table: dict[str, type[T]], tag: str, value: str | Mapping[str, Any], place: str) -> T:
    """A scheme or rule from its name or its table of settings.

    Raises
    ------
    InputError
        An unknown name, or settings that don't fit, with the place.
    """
    given = {tag: value} if isinstance(value, str) else value
    name = given.get(tag)
    if not isinstance(name, str):
        raise InputError(f"the key '{tag}' is needed, one of: {', '.join(table)}", place=place)
    if name not in table:
        add_kinds(table, f"{tag}s")
    kind = look_up(table, name, _WHAT[tag], place)
    key = kind, repr(given)
    if key in _MADE:
        return cast(T, _MADE[key])
    try:
        made = convert(given, kind)
    except InputError as e:
        inner = re.sub(r"^\[(.*)\]$|^top level$", r"\1", e.place or "")
        raise InputError(e.what, place=f"{place}.{inner}" if inner else place) from None
    if len(_MADE) >= _MOST_MADE:
        _MADE.clear()
    _MADE[key] = made
    return made
