"""Limits on the memory that a page may use, checked on the settings before anything is made."""

from __future__ import annotations

import math

from sonify.disc.disc import Disc
from sonify.errors import InputError
from sonify.music.voices import rules_of
from sonify.performance_settings import Setup

__all__ = ["check_bounds"]

MAX_VOICES = 48
MAX_RULES = 24
MAX_NOTES = 4_000_000
MAX_WRITES = 40_000_000


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
        rules = rules_of(voice, f"music.voice[{n}]")
        if len(rules) > MAX_RULES:
            raise InputError(
                f"{len(rules)} rules are too many for the page; at most {MAX_RULES}",
                place=f"music.voice[{n}].rhythm",
            )
        growth = math.prod(r.copies() for r in rules)
        notes += growth * disc.grid.size
        if notes > MAX_NOTES:
            raise InputError(
                f"up to {notes:,} notes are too many for the page; at most {MAX_NOTES:,}. "
                "Use rules that repeat less",
                place=f"music.voice[{n}].rhythm",
            )
    matrix = setup.player.matrix
    writes = disc.grid.size * matrix.height + disc.rows * matrix.width
    if writes > MAX_WRITES:
        raise InputError(
            "so many bits on so many lamps are too much for the page; use a smaller matrix",
            place="player.matrix.height",
        )
