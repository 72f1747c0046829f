"""Close relatives of a preset: small changes of its settings, drawn from a seed."""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import msgspec.inspect as mi

from sonify.midi.general_midi import PROGRAMS, program_number
from sonify.music.pitch.schemes import SCHEMES
from sonify.music.rhythm.rules import RULES
from sonify.music.settings import Music
from sonify.music.theory.scale_table import SCALES
from sonify.music.theory.scales import note_name, note_number
from sonify.settings import to_builtins

__all__ = ["relative"]

Change = Callable[[random.Random], None]

_FAMILY = 8
"""General MIDI groups its instruments by eight (General MIDI System Level 1)."""

_ROOTS = (-7, -5, -2, 2, 5, 7)
"""Semitones to a near key: a fifth, a fourth or a tone away."""

_FARTHEST = 3
"""How many steps of its control a number moves at most, at an amount of 1. Own choice."""


def relative(music: Music, seed: int, amount: float) -> dict[str, Any]:
    """Settings, as dotted keys, that make a close relative of a preset.

    Parameters
    ----------
    music : Music
        The preset's own settings.
    seed : int
        The same seed gives the same relative.
    amount : float
        From 0 to 1: what share of the settings changes, and how far numbers move.

    Returns
    -------
    dict
    """
    rng = random.Random(f"relative {seed}")
    table: dict[str, Any] = to_builtins(music)
    changes = list(_changes(table, 1 + round(amount * (_FARTHEST - 1))))
    before = copy.deepcopy(table)
    rng.shuffle(changes)
    for n, change in enumerate(changes):
        # a change may choose what there is already, so at least one must show
        if n >= amount * len(changes) and table != before:
            break
        change(rng)
    out = {f"music.{k}": table[k] for k in ("root", "scale") if table[k] != before[k]}
    if table["harmony"] != before["harmony"]:
        out["music.harmony.chords"] = table["harmony"]["chords"]
    for n, (voice, old) in enumerate(zip(table["voice"], before["voice"], strict=True)):
        out |= {f"music.voice.{n}.{k}": v for k, v in voice.items() if v != old.get(k)}
    return out


def _changes(music: dict[str, Any], far: int) -> Iterator[Change]:
    """All small changes that can be made to a `[music]` table, in place."""
    chords = [t for v in music["voice"] if (t := _progression(v)) is not None]
    chords = [t if "chords" in t else music["harmony"] for t in chords]
    # voices may share the chords of the piece, which are turned once
    chords = [
        t for n, t in enumerate(chords) if all(t is not u for u in chords[:n]) and t.get("chords")
    ]
    yield lambda rng: music.update(root=_near_root(music["root"], rng))
    played = any(_progression(v) is not None for v in music["voice"])
    if chords:
        yield lambda rng: _turn_chords(chords, rng)
    elif not played and (near := _near_scales(music["scale"])):
        yield _chosen(music, "scale", near)
    for voice in music["voice"]:
        yield _moved(voice, "velocity", 4, 1, 127, far)
        if voice.get("drum") is None:
            yield _chosen(voice, "program", _family(voice["program"]))
            voice["pitch"] = _as_table(voice["pitch"], "scheme")
            yield from _kind_changes(voice["pitch"], "scheme", SCHEMES, far)
            if "line" in voice["pitch"]:
                voice["pitch"]["line"] = line = _as_table(voice["pitch"]["line"], "scheme")
                yield from _kind_changes(line, "scheme", SCHEMES, far)
        given = voice["rhythm"]
        rules = [given] if isinstance(given, str) else given
        voice["rhythm"] = [_as_table(r, "rule") for r in rules]
        for rule in voice["rhythm"]:
            yield from _kind_changes(rule, "rule", RULES, far)


def _progression(voice: dict[str, Any]) -> dict[str, Any] | None:
    pitch = voice["pitch"]
    found = isinstance(pitch, dict) and pitch["scheme"] == "progression"
    return pitch if found and voice.get("drum") is None else None


def _as_table(value: str | dict[str, Any], tag: str) -> dict[str, Any]:
    return {tag: value} if isinstance(value, str) else value


def _kind_changes(
    table: dict[str, Any], tag: str, kinds: Mapping[str, type[Any]], far: int
) -> Iterator[Change]:
    """Changes of the numbers of a scheme or rule by steps of their controls, and of its choices."""
    kind = kinds.get(table[tag])
    info = None if kind is None else mi.type_info(kind)
    for field in info.fields if isinstance(info, mi.StructType) else ():
        t, key = field.type, field.encode_name
        if field.name in ("range", "fold", "leading"):
            continue
        if isinstance(t, mi.LiteralType):
            table.setdefault(key, field.default)
            yield _chosen(table, key, list(t.values))
        elif isinstance(t, mi.Metadata) and isinstance(t.type, (mi.IntType, mi.FloatType)):
            extra, limits = t.extra or {}, t.type
            low, high = extra.get("soft", (limits.ge, limits.le))
            if "step" in extra and low is not None and high is not None:
                table.setdefault(key, field.default)
                yield _moved(table, key, extra["step"], low, high, far)


def _chosen(table: dict[str, Any], key: str, choices: list[Any]) -> Change:
    def change(rng: random.Random) -> None:
        table[key] = rng.choice(choices)

    return change


def _moved(
    table: dict[str, Any], key: str, step: float, low: float, high: float, far: int
) -> Change:
    def change(rng: random.Random) -> None:
        value = table[key] + step * rng.choice((-1, 1)) * rng.randint(1, far)
        # what lies outside the slider was meant to
        least, most = min(low, table[key]), max(high, table[key])
        value = min(max(value, least), most)
        if key == "notes" and "steps" in table:
            value = min(value, table["steps"])
        if key == "steps" and "notes" in table:
            value = max(value, table["notes"])
        table[key] = round(value, 6) if isinstance(value, float) else value

    return change


def _near_root(root: str, rng: random.Random) -> str:
    here = round(note_number(root))
    return note_name(min(max(here + rng.choice(_ROOTS), 12), 108))


def _family(program: str | int) -> list[str]:
    first = program_number(program) // _FAMILY * _FAMILY
    return list(PROGRAMS[first : first + _FAMILY])


def _turn_chords(tables: list[dict[str, Any]], rng: random.Random) -> None:
    """Begin all progressions at another of their chords."""
    turn = rng.randint(1, 3)
    for table in tables:
        chords = table["chords"].split()
        at = turn % max(1, len(chords))
        table["chords"] = " ".join(chords[at:] + chords[:at])


def _near_scales(scale: object) -> list[str]:
    """The scales of as many tones of which one differs."""
    found = SCALES.get(scale) if isinstance(scale, str) else None
    if found is None:
        return []
    mine = set(found.semitones)
    return [
        s.name for s in SCALES.values()
        if len(s.semitones) == len(mine) and len(set(s.semitones) - mine) == 1
    ]  # fmt: skip
