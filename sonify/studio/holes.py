"""Holes that are flipped on the page, and what that does to the message."""

from __future__ import annotations

from typing import Any

import numpy as np

from sonify.disc.edit import Effect, effect_of, repair_check, with_grid
from sonify.errors import InputError
from sonify.studio.document import Document, disc_of, disc_table

__all__ = ["flipped"]

MOST_LISTED = 6
"""Changed characters that are told one by one; own choice."""


def flipped(document: Document, places: tuple[int, ...], repair: bool = False) -> dict[str, Any]:
    """A document's disc with some holes flipped.

    Parameters
    ----------
    document : Document
    places : tuple of int
        Indices into the grid, read row by row. Unknown bits become holes.
    repair : bool
        Whether the check bits are then made to fit.

    Returns
    -------
    dict
        `disc`, its table; `said`, what changed, one sentence each; and `check`: valid, repaired,
        failed, or None for a disc without one.

    Raises
    ------
    InputError
        Places that the disc does not have, or a check that can't be made to fit.
    """
    disc = disc_of(document)
    flat = disc.grid.reshape(-1).copy()
    if places and not 0 <= min(places) <= max(places) < len(flat):
        raise InputError("the disc does not have this place", place="disc.bits")
    at = np.array(sorted(set(places)), np.int64)
    flat[at] = np.where(flat[at] < 0, disc.layout.hole_means, 1 - flat[at])
    edited = with_grid(disc, flat.reshape(disc.grid.shape))
    if repair:
        edited = repair_check(edited)
    effect = effect_of(disc, edited)
    checked = disc.code is not None and disc.code.check != "none"
    return {
        "disc": disc_table(edited),
        "said": _said(effect, checked),
        "check": effect.after if checked else None,
    }


def _said(effect: Effect, checked: bool) -> list[str]:
    out = [
        f"Character {c.character + 1}: {_shown(c.before)} becomes {_shown(c.after)}."
        for c in effect.characters[:MOST_LISTED]
    ]
    more = len(effect.characters) - len(out)
    if more:
        out.append(f"{more:,} more character{'s' * (more > 1)} changed.")
    if not effect.characters:
        out.append("No character changed.")
    if checked and effect.after == "repaired":
        out.append("The check takes this for damage: readers will undo it.")
    elif checked and effect.after == "failed":
        out.append(f"The check fails: {'; '.join(effect.reasons)}.")
    elif checked:
        out.append("The check passes.")
    return out


def _shown(char: str | None) -> str:
    if char is None:
        return "nothing"
    return f"“{char}”" if char.isprintable() else f"U+{ord(char):04X}"
