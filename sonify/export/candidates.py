"""The mappings that an audition compares: presets, random variations, and close relatives."""

from __future__ import annotations

from typing import Any

from sonify.errors import InputError
from sonify.export.audition import Candidate
from sonify.performance_settings import load_setup
from sonify.presets import find_preset, shipped
from sonify.settings import load_toml

__all__ = ["candidates_of", "relatives_of"]


def _music_of(presets: tuple[str, ...]) -> tuple[tuple[str, ...], dict[str, str]]:
    """The presets without music, and those with music with their descriptions."""
    music: dict[str, str] = {}
    base: tuple[str, ...] = ()
    for name in presets:
        table = load_toml(find_preset(name))
        if "music" in table:
            music[name] = str(table.get("about", ""))
        else:
            base = (*base, name)
    return base, music


def candidates_of(
    presets: tuple[str, ...], settings: dict[str, object], search: int | None, seed: int
) -> list[Candidate]:
    """What is compared: each musical preset on top of the other presets, or variations of them."""
    from sonify.music.vary import variation

    base, music = _music_of(presets)
    music = music or {s.name: s.about for s in shipped() if s.kind == "music"}
    if search is None:
        return [Candidate(name, about, (*base, name), settings) for name, about in music.items()]
    out = []
    for n in range(search):
        name = list(music)[(seed + n) % len(music)]
        number = seed * 1000 + n
        found = variation(load_setup((*base, name), settings).music, number)
        out.append(_varied(f"variation {number}", name, base, settings, found))
    return out


def relatives_of(
    preset: str,
    presets: tuple[str, ...],
    settings: dict[str, object],
    count: int,
    amount: float,
    seed: int,
) -> list[Candidate]:
    """A musical preset on top of the other presets, and close variations of it."""
    from sonify.music.relatives import relative

    base, music = _music_of((*presets, preset))
    if preset not in music:
        raise InputError(f"'{preset}' has no music; name a preset that has", key="vary")
    own = load_setup((*base, preset), settings).music
    out = [Candidate(preset, music[preset], (*base, preset), settings)]
    for n in range(count):
        number = seed * 1000 + n
        found = relative(own, number, amount)
        out.append(_varied(f"{preset} {number}", preset, base, settings, found))
    return out


def _varied(
    title: str, name: str, base: tuple[str, ...], settings: dict[str, object], found: dict[str, Any]
) -> Candidate:
    """A preset with what varies, in words, but for what the user has set."""
    kept = {k: v for k, v in found.items() if not any(k.startswith(s) for s in settings)}
    words = f"{name} in {kept.get('music.root', 'its key')} {kept.get('music.scale', '')}".rstrip()
    for key, value in kept.items():
        if key.endswith(".pitch"):
            words += f", {value.get('line', value)['scheme']}"
        elif key.endswith(".program"):
            words += f", {value}"
    return Candidate(title, words, (*base, name), {**settings, **kept})
