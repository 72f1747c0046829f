"""Schemes, rules, exports and sources of other packages, by their entry points.

Source: Python Packaging User Guide, "Entry points specification". An entry point of the group
`sonify.schemes` or `sonify.rules` is a class, of `sonify.exports` a `Writer`, of `sonify.sources` a
`Source`. They are loaded when a name or suffix is not known, and where all are listed.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from sonify.errors import InputError

__all__ = ["GROUPS", "add_kinds", "plugged"]

GROUPS = ("schemes", "rules", "exports", "sources")


@lru_cache(maxsize=len(GROUPS))
def plugged(group: str) -> tuple[Any, ...]:
    """What other packages offer in one of `GROUPS`, by name of the entry points.

    Raises
    ------
    InputError
        A package's entry point can't be loaded; with its name.
    """
    from importlib.metadata import entry_points

    out = []
    for point in sorted(entry_points(group=f"sonify.{group}"), key=lambda p: (p.name, p.value)):
        try:
            out.append(point.load())
        except Exception as e:
            owner = point.dist.name if point.dist else "a package"
            raise InputError(
                f"{owner} offers '{point.name}' in sonify.{group}, which can't be loaded: {e}"
            ) from e
    return tuple(out)


def add_kinds(table: dict[str, Any], group: str) -> None:
    """Add the schemes or rules of other packages to their table, under their tags."""
    for kind in plugged(group):
        table.setdefault(str(kind.__struct_config__.tag), kind)
