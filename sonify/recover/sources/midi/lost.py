"""Why a mapping loses bits, in words."""

from __future__ import annotations

from sonify.music.settings import Music, Voice
from sonify.music.voices import rules_of

__all__ = ["lost_by", "why_lost"]


def why_lost(voice: Voice, place: str) -> str | None:
    """What keeps a voice's notes from telling the bits; None if nothing does."""
    if voice.source not in ("ones", "zeros"):
        return f"its source '{voice.source}' does not sound the bits"
    rules = rules_of(voice, place)
    return next((why for k, r in enumerate(rules) if (why := r.loses(rules[:k]))), None)


def lost_by(music: Music) -> str:
    """Why bits can't be heard, reason by reason with the voices that it holds for."""
    names: dict[str, list[str]] = {}
    for n, voice in enumerate(music.voice):
        place = f"music.voice[{n}]"
        skipping = (r.name for r in rules_of(voice, place) if r.skips)
        why = why_lost(voice, place)
        why = why or next((f"the rule '{name}' leaves bits out" for name in skipping), None)
        if voice.rows or voice.positions or voice.places:
            why = why or "it sounds some rows or positions only"
        why = why or "its notes are the same for other bits"
        names.setdefault(why, []).append(voice.name or f"voice {n + 1}")
    return "; ".join(f"{', '.join(some)}: {why}" for why, some in names.items())
