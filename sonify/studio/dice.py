"""The dice: a document changed at random, from a seed, but for what is locked."""

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
"""What a lock keeps the dice away from."""

_ROOTS = ("C3", "D3", "E3", "F3", "G3", "A3", "C4", "D4", "E4", "F4", "G4", "A4")
_PROGRAMS = (
    "acoustic grand piano", "electric piano 1", "celesta", "glockenspiel", "music box",
    "vibraphone", "marimba", "tubular bells", "dulcimer", "church organ", "reed organ",
    "acoustic guitar (nylon)", "acoustic bass", "pizzicato strings", "orchestral harp",
    "string ensemble 1", "choir aahs", "clarinet", "flute", "recorder", "pan flute", "ocarina",
    "pad 2 (warm)", "kalimba", "koto", "sitar",
)  # fmt: skip


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
    from sonify.music.theory.scales import SCALES
    from sonify.setup import Setup

    rng = random.Random(f"{seed}")
    full: dict[str, Any] = to_builtins(
        convert({k: v for k, v in setup.items() if k != "about"}, Setup)
    )
    music: dict[str, Any] = full["music"]
    # every draw is made whether it is used or not, so that a lock changes nothing else
    root, scale = rng.choice(_ROOTS), rng.choice(list(SCALES))
    step, timing = rng.choice(("1/16", "1/16", "1/8", "1/12")), rng.choice(("player", "bars"))
    rpm = round(rng.uniform(5, 16) * 2) / 2
    if "scale" not in locks:
        music["root"], music["scale"] = root, scale
    if "time" not in locks:
        music["step"], music["timing"], music["metre"] = step, timing, "auto"
    if "player" not in locks:
        full["player"]["rpm"] = rpm
    if "lamps" not in locks:
        _lamps(full, rng)
    voices = [dict(v) for v in music.get("voice", [])]
    if "voices" not in locks:
        voices = _voices(rng)
    for n, voice in enumerate(voices):
        own = random.Random(f"{seed}:{n}")
        if voice.get("drum") is None and "pitch" not in locks:
            voice["pitch"] = _scheme(own, n)
        if "rhythm" not in locks:
            voice["rhythm"] = _rhythm(own, n, voice.get("source", "ones"))
    music["voice"] = voices
    return full


def _voices(rng: random.Random) -> list[dict[str, Any]]:
    first: dict[str, Any] = {"name": "tune", "program": rng.choice(_PROGRAMS)}
    out = [first]
    if rng.random() < 0.7:
        out.append(
            {
                "name": "ground", "program": rng.choice(_PROGRAMS),
                "source": rng.choice(("row-starts", "character-starts")),
                "octave": -1, "velocity": 72,
            }
        )  # fmt: skip
    if rng.random() < 0.4:
        out.append(
            {
                "name": "glint", "program": rng.choice(_PROGRAMS), "source": "zeros",
                "octave": 1, "velocity": 48,
            }
        )  # fmt: skip
    return out


def _lamps(full: dict[str, Any], rng: random.Random) -> None:
    from sonify.light.lights import FILLS
    from sonify.presets import shipped
    from sonify.studio.document import lay

    fill = rng.choice(list(FILLS))
    look = rng.choice([s.name for s in shipped() if s.kind == "look"])
    full["player"]["matrix"]["fill"] = fill
    full["light"] = lay({}, look)["light"]


def _scheme(rng: random.Random, n: int) -> dict[str, Any]:
    if n == 0:
        return rng.choice(
            (
                {"scheme": "row-ladder", "span": rng.randint(5, 10)},
                {
                    "scheme": "place",
                    "spread": rng.choice((1, 2)),
                    "way": rng.choice(("up", "down")),
                },
                {"scheme": "character", "span": rng.randint(8, 15)},
                {"scheme": "walk", "span": rng.randint(7, 14), "start": 4},
                {"scheme": "number", "bits": 3, "span": rng.randint(7, 12)},
                {"scheme": "run-length", "span": rng.randint(5, 8), "row-step": rng.choice((0, 1))},
            )
        )
    return rng.choice(
        (
            {"scheme": "character", "span": 7},
            {"scheme": "row-ladder", "span": 5},
            {"scheme": "one-tone", "degree": rng.choice((0, 0, 4))},
            {"scheme": "place", "spread": 2},
        )
    )


def _rhythm(rng: random.Random, n: int, source: str) -> list[Any]:
    if source in ("row-starts", "character-starts"):
        return rng.choice((["held"], [{"rule": "gate", "amount": 6.0}], ["held"]))
    rules: list[Any] = [rng.choice(("joined", "each", {"rule": "thinned", "every": 2}, "held"))]
    if n:
        rules = [{"rule": "thinned", "every": rng.choice((2, 3, 4))}]
    if rng.random() < 0.4:
        rules.append({"rule": "swing", "amount": rng.choice((0.56, 0.6, 0.64))})
    if rng.random() < 0.5:
        pattern = rng.choice(([1.0, 0.6, 0.8, 0.6], [1.0, 0.7, 0.85], [1.0, 0.6, 0.7, 0.9, 0.6]))
        rules.append({"rule": "accents", "pattern": pattern})
    if rng.random() < 0.25:
        rules.append({"rule": "echoes", "count": 2, "delay": float(rng.choice((2, 3, 4)))})
    if rng.random() < 0.5:
        rules.append({"rule": "gate", "amount": rng.choice((0.6, 1.5, 3.0))})
    return rules
