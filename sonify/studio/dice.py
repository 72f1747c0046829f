"""The dice: random settings from a seed, except for what is locked."""

from __future__ import annotations

import random
from typing import Any

from sonify.settings import convert, to_builtins

__all__ = ["LOCKS", "roll"]

LOCKS: dict[str, str] = {
    "scale": "root and scale",
    "time": "step, timing and metre",
    "voices": "how many voices there are, and their instruments",
    "pitch": "pitch schemes",
    "rhythm": "rhythm rules",
    "player": "the player's speed",
    "lamps": "matrix and look",
}
"""What each lock protects from the dice."""


def roll(setup: dict[str, Any], seed: int, locks: set[str]) -> dict[str, Any]:
    """Settings of a roll.

    Parameters
    ----------
    setup : dict
        A settings table.
    seed : int
        The same seed and the same settings give the same roll.
    locks : set of str
        Names of `LOCKS`.

    Returns
    -------
    dict
        A settings table.
    """
    from sonify.light.fill_rules import FILLS
    from sonify.music.vary import drawn
    from sonify.performance_settings import Setup
    from sonify.presets import shipped
    from sonify.studio.document import lay

    rng = random.Random(f"{seed}")
    full: dict[str, Any] = to_builtins(convert(setup, Setup))
    # draw everything, used or not, so that a lock changes nothing else
    rpm = round(rng.uniform(5, 16) * 2) / 2
    fill = rng.choice(list(FILLS))
    look = rng.choice([s.name for s in shipped() if s.kind == "look"])
    if "player" not in locks:
        full["player"]["rpm"] = rpm
    if "lamps" not in locks:
        full["player"]["matrix"]["fill"] = fill
        full["light"] = lay({}, look)["light"]
    full["music"] = drawn(full["music"], seed, locks)
    return full
