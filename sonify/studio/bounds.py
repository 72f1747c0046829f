"""What the page may ask of the server's memory, told from the settings before anything is made."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from sonify.disc.disc import Disc
from sonify.errors import InputError
from sonify.setup import Setup

__all__ = ["check_bounds"]

MAX_VOICES = 48
MAX_RULES = 24
MAX_NOTES = 4_000_000
MAX_WRITES = 40_000_000
# settings of rules that make several notes of one: how many for each unit
_GROWS = {"count": 1, "times": 0}


def check_bounds(disc: Disc, setup: Setup) -> None:
    """Refuse what would take too much memory.

    Raises
    ------
    InputError
        With the place, and what to do.
    """
    voices = setup.music.voice
    if len(voices) > MAX_VOICES:
        raise InputError(
            f"{len(voices)} voices are too many for the page; at most {MAX_VOICES}",
            place="music.voice",
        )
    notes = 0
    for n, voice in enumerate(voices):
        rules = (voice.rhythm,) if isinstance(voice.rhythm, str) else voice.rhythm
        if len(rules) > MAX_RULES:
            raise InputError(
                f"{len(rules)} rules are too many for the page; at most {MAX_RULES}",
                place=f"music.voice[{n}].rhythm",
            )
        growth = 1
        for rule in rules:
            growth *= _growth(rule)
        notes += growth * disc.grid.size
        if notes > MAX_NOTES:
            raise InputError(
                f"up to {notes:,} notes are too many for the page; at most {MAX_NOTES:,}. "
                "Let its rules repeat less",
                place=f"music.voice[{n}].rhythm",
            )
    matrix = setup.player.matrix
    writes = disc.grid.size * matrix.height + disc.rows * matrix.width
    if writes > MAX_WRITES:
        raise InputError(
            "so many bits on so many lamps are too much for the page; take a smaller matrix",
            place="player.matrix.height",
        )


def _growth(rule: str | dict[str, Any]) -> int:
    """How many notes a rule makes of one at most."""
    from sonify.music.rhythm.rules import RULES

    given = {"rule": rule} if isinstance(rule, str) else rule
    kind = RULES.get(str(given.get("rule")))
    out = 1
    for key, more in _GROWS.items():
        value = given.get(key)
        if value is None and kind is not None:
            value = _default(kind, key)
        if isinstance(value, int):
            out *= max(1, value + more)
    # double-time plays each row twice
    return out * (2 if given.get("rule") == "double-time" else 1)


@lru_cache(maxsize=256)
def _default(kind: type, key: str) -> Any:
    import msgspec

    for field in msgspec.structs.fields(kind):
        if field.encode_name == key:
            return field.default
    return None
