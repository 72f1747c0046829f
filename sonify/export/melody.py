"""Which voice carries the words of the message, in scores and MIDI files alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from sonify.music.notes import Part
    from sonify.performance import Performance

__all__ = ["melody_of"]

_SHARE = 0.75
"""The melody is the first voice in which so many characters, compared with the voice that has most,
have a note of their own (own choice: it is the melody in all presets)."""


def melody_of(show: Performance, parts: Sequence[Part]) -> Part | None:
    """The melody among some voices of a performance; None if all are drums or silent."""
    sung = [p for p in parts if p.voice.drum is None and len(p)]
    own = [_with_own_note(show, p) for p in sung]
    return next((p for p, n in zip(sung, own, strict=True) if n >= _SHARE * max(own)), None)


def _with_own_note(show: Performance, part: Part) -> int:
    """How many characters have a note of their own: the first that begins while they are read, or
    else the last before that."""
    if show.disc.decoding is None:
        return 0
    characters = show.disc.decoding.characters
    last = show.character_slots()
    first = last - (characters["last_bit"] - characters["first_bit"])
    on, step = part.on, show.grid.step_ticks
    at = np.minimum(np.searchsorted(on, first * step), len(on) - 1)
    at = np.where((at > 0) & (on[at] > last * step), at - 1, at)
    return len(np.unique(on[at]))
