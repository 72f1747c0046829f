"""Music drawn at random from a seed: a variation of a preset, or a new mapping."""

from __future__ import annotations

import random
from collections.abc import Collection
from typing import Any

from sonify.music.settings import Music

__all__ = ["drawn", "variation"]

_ROOTS = ("C", "D", "E", "F", "G", "A")
_SCALES = (
    "major", "dorian", "lydian", "mixolydian", "natural-minor", "phrygian", "harmonic-minor",
    "melodic-minor", "dorian-sharp-4", "lydian-dominant", "major-pentatonic", "minor-pentatonic",
    "suspended-pentatonic", "blues", "whole-tone", "octatonic-half-whole", "messiaen-3",
    "hirajoshi", "insen", "kumoi", "hungarian-minor", "double-harmonic", "just-major",
)  # fmt: skip
_PROGRAMS = (
    "acoustic grand piano", "electric piano 1", "celesta", "music box", "vibraphone", "marimba",
    "tubular bells", "dulcimer", "acoustic guitar (nylon)", "electric guitar (jazz)",
    "orchestral harp", "pizzicato strings", "clarinet", "flute", "recorder", "pan flute",
    "ocarina", "kalimba", "koto", "fx 3 (crystal)",
)  # fmt: skip
_LINES: tuple[dict[str, Any], ...] = (
    {"scheme": "walk", "span": 12, "start": 5},
    {"scheme": "walk", "span": 9, "start": 4, "up": 2},
    {"scheme": "place", "spread": 1},
    {"scheme": "place", "spread": 2},
    {"scheme": "place", "spread": 2, "way": "down"},
    {"scheme": "character", "span": 10},
    {"scheme": "number", "bits": 3, "span": 8},
    {"scheme": "number", "bits": 4, "span": 11},
    {"scheme": "run-length", "span": 6},
    {"scheme": "gap", "span": 9},
    {"scheme": "count", "span": 8, "step": 2},
    {"scheme": "density", "window": 9, "span": 12},
    {"scheme": "arpeggio", "span": 7, "tones": 4},
    {"scheme": "sweep", "span": 12},
)
_RHYTHMS: tuple[list[Any], ...] = (
    [],
    ["joined"],
    ["changes", {"rule": "gate", "amount": 2.0}],
    ["held"],
    [{"rule": "thinned", "every": 2}, {"rule": "gate", "amount": 2.0}],
    [{"rule": "swing", "amount": 0.62}],
    [{"rule": "even", "notes": 5, "steps": 8}],
    [{"rule": "even", "notes": 3, "steps": 7}, {"rule": "gate", "amount": 2.0}],
    ["changes", {"rule": "echoes", "count": 2, "delay": 3.0, "fade": 0.55}],
    [{"rule": "thinned", "every": 3}, "held"],
    ["spread"],
    ["half-time"],
)


def variation(music: Music, seed: int) -> dict[str, Any]:
    """Settings, as dotted keys, that make a variation of a preset.

    The root and the scale change (the scale stays where voices play a progression), and the first
    pitched voice gets another pitch scheme, rhythm and program. The other voices stay as they are.

    Parameters
    ----------
    music : Music
        The preset's own settings.
    seed : int
        The same seed gives the same variation.

    Returns
    -------
    dict
    """
    rng = random.Random(f"variation {seed}")
    octave = music.root[-1] if music.root[-1].isdigit() else "4"
    pitched = [n for n, v in enumerate(music.voice) if v.drum is None]
    tune = next(
        (n for n in pitched if music.voice[n].source != "clock"), pitched[0] if pitched else 0
    )
    # draw everything in the same order, so that a seed means the same for all presets
    root, scale = rng.choice(_ROOTS), rng.choice(_SCALES)
    line, rhythm, program = rng.choice(_LINES), rng.choice(_RHYTHMS), rng.choice(_PROGRAMS)
    out: dict[str, Any] = {"music.root": f"{root}{octave}"}
    pitch: dict[str, Any] = dict(line)
    chords = _progression(music)
    if chords is None:
        out["music.scale"] = scale
    else:
        # where other voices play chords, the tune follows them
        pitch = {**chords, "line": pitch}
    voice = f"music.voice.{tune}"
    if pitched:
        out[f"{voice}.pitch"] = pitch
        out[f"{voice}.program"] = program
    return {**out, f"{voice}.source": "ones", f"{voice}.rhythm": list(rhythm)}


def _progression(music: Music) -> dict[str, Any] | None:
    """The chords that the voices share, if they play any."""
    for voice in music.voice:
        if isinstance(voice.pitch, dict) and voice.pitch.get("scheme") == "progression":
            kept = ("scheme", "chords", "each", "hold")
            return {k: voice.pitch[k] for k in kept if k in voice.pitch}
    return None


def drawn(music: dict[str, Any], seed: int, locks: Collection[str] = ()) -> dict[str, Any]:
    """A `[music]` table drawn at random.

    Parameters
    ----------
    music : dict
        The table to start from.
    seed : int
        The same seed and the same table give the same result.
    locks : collection of str
        What stays as it is: "scale", "time", "voices", "pitch", "rhythm".

    Returns
    -------
    dict
    """
    rng = random.Random(f"music {seed}")
    # draw everything, used or not, so that a lock changes nothing else
    scale = {"root": f"{rng.choice(_ROOTS)}{rng.choice((3, 4))}", "scale": rng.choice(_SCALES)}
    time = {
        "step": rng.choice(("1/16", "1/16", "1/8", "1/12")),
        "timing": rng.choice(("player", "bars")),
        "metre": "auto",
    }
    voices = _voices(rng)
    out = {**music} | ({} if "scale" in locks else scale) | ({} if "time" in locks else time)
    if "voices" in locks:
        voices = [dict(v) for v in music.get("voice", [])]
    for n, voice in enumerate(voices):
        own = random.Random(f"music {seed}, voice {n}")
        line, rhythm = dict(own.choice(_LINES)), list(own.choice(_RHYTHMS))
        if voice.get("drum") is None and "pitch" not in locks:
            voice["pitch"] = line
        if "rhythm" not in locks:
            ground = str(voice.get("source")).endswith("-starts")
            voice["rhythm"] = ["held"] if ground else rhythm
    return {**out, "voice": voices}


def _voices(rng: random.Random) -> list[dict[str, Any]]:
    """A tune, usually with a low voice below it and sometimes a high one above."""
    ground: dict[str, Any] = {
        "name": "ground", "program": rng.choice(_PROGRAMS), "octave": -1, "velocity": 72,
        "source": rng.choice(("row-starts", "character-starts")),
    }  # fmt: skip
    glint: dict[str, Any] = {
        "name": "glint", "program": rng.choice(_PROGRAMS), "octave": 1, "velocity": 48,
        "source": "zeros",
    }  # fmt: skip
    out: list[dict[str, Any]] = [{"name": "tune", "program": rng.choice(_PROGRAMS)}]
    return out + [ground] * (rng.random() < 0.7) + [glint] * (rng.random() < 0.4)
