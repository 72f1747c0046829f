"""When the notes of a voice are certain while a disc is read."""

from __future__ import annotations

import math
from typing import NamedTuple

from sonify.music.settings import Voice
from sonify.music.voice_sources import find_source
from sonify.music.voices import rules_of, scheme_of

__all__ = ["Certainty", "certainty_of", "tells_position"]

_KEYS = {
    (False, False): "own", (True, False): "unit", (False, True): "row", (True, True): "both",
}  # fmt: skip


class Certainty(NamedTuple):
    """After which bits a voice's notes are certain.

    Attributes
    ----------
    key : str
        "own" bit, the "unit" (the code unit of the character), the "row", or "both": the code
        unit in which the row ends.
    heard : str
        The same for the position at which a note sounds.
    early : float
        How many positions before its own a note may be heard.
    """

    key: str
    heard: str
    early: float


def certainty_of(voice: Voice, n: int) -> Certainty:
    """When the notes of voice number `n` are certain."""
    place = f"music.voice[{n}]"
    rules = rules_of(voice, place)
    pitched = voice.drum is None or isinstance(voice.drum, tuple)
    scheme = scheme_of(voice, place) if pitched else None
    by_row = ends_later = reordered = False
    for rule in rules:
        by_row |= rule.waits_for_row()
        by_row |= (ends_later and rule.needs_end) or (reordered and rule.by_neighbours)
        ends_later |= rule.ends_later
        reordered |= rule.reorders
    by_unit = scheme is not None and scheme.waits_for_character()
    by_unit |= any(rule.waits_for_character() for rule in rules)
    by_row |= reordered and scheme is not None and scheme.leading == "nearest"
    early = [rule.early() for rule in rules]
    anywhere = find_source(voice.source, f"{place}.source").by_row or math.inf in early
    least = max((e for e in early if e < math.inf), default=0.0)
    return Certainty(_KEYS[by_unit, by_row], _KEYS[by_unit, by_row or anywhere], least)


def tells_position(voice: Voice, n: int) -> bool:
    """Whether a voice sounds a row at once, in tones that tell which position each comes from."""
    place = f"music.voice[{n}]"
    if not find_source(voice.source, f"{place}.source").by_row or voice.drum is not None:
        return False
    scheme = scheme_of(voice, place)
    stay = all(rule.stays for rule in rules_of(voice, place))
    return stay and scheme.leading == "free" and scheme.by_position()
