"""What a mapping may name, as lists: scales, pitch schemes, rules, forms, instruments and more."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import msgspec

from sonify.midi.general_midi import DRUMS, PROGRAMS
from sonify.music.form.harmony import FUNCTIONAL
from sonify.music.form.named_plans import PLANS
from sonify.music.pitch.schemes import SCHEMES, Scheme
from sonify.music.rhythm.rules import RULES, Rule
from sonify.music.theory.scale_table import ALIASES, SCALES
from sonify.music.voice_sources import SOURCES
from sonify.plugins import add_kinds

__all__ = ["LISTS"]

Rows = list[tuple[str, str]]


def _scales() -> Rows:
    others: dict[str, list[str]] = {}
    for other, name in ALIASES.items():
        others.setdefault(name, []).append(other)
    return [
        (s.name, s.about + (f" (also {', '.join(others[s.name])})" if s.name in others else ""))
        for s in SCALES.values()
    ]


def _kinds(table: dict[str, type[Any]], base: type[Any], group: str) -> Rows:
    """Names, what each does, and its settings with their usual values."""
    add_kinds(table, group)
    shared = {f.name for f in msgspec.structs.fields(base)}
    out = []
    for name, kind in table.items():
        own = [f for f in msgspec.structs.fields(kind) if f.name not in shared]
        given = ", ".join(f"{f.encode_name} = {_shown(f.default)}" for f in own)
        line = (inspect.getdoc(kind) or "").splitlines()[0]
        out.append((name, f"{line} [{given}]" if given else line))
    return out


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return f"[{', '.join(map(_shown, value))}]"
    return f'"{value}"' if isinstance(value, str) else f"{value}"


def _walks() -> Rows:
    """For each chord of the functional walks, the chords that may follow and their weights."""
    out = []
    for minor, table in FUNCTIONAL.items():
        for chord, to in table.items():
            weights = ", ".join(f"{c} = {w:g}" for c, w in to.items())
            out.append((f"{'minor' if minor else 'major'} {chord}", weights))
    return out


LISTS: dict[str, Callable[[], Rows]] = {
    "scales": _scales,
    "schemes": lambda: _kinds(SCHEMES, Scheme, "schemes"),
    "rules": lambda: _kinds(RULES, Rule, "rules"),
    "sources": lambda: [(s.name, s.about) for s in SOURCES.values()],
    "forms": lambda: [(name, plan.sections) for name, plan in PLANS.items()],
    "walks": _walks,
    "programs": lambda: [(name, str(n + 1)) for n, name in enumerate(PROGRAMS)],
    "drums": lambda: [(name, str(n)) for name, n in DRUMS.items()],
}
"""The function that makes each list: names, each with a short description."""
