"""Find the presets and discs that ship with the package by name."""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from sonify.errors import InputError, close_matches
from sonify.settings import load_toml

__all__ = [
    "KINDS", "Presets", "Shipped", "find_disc", "find_preset", "folder", "listed", "shipped",
]  # fmt: skip

Presets = str | Path | Iterable[str | Path]
"""One preset, or several, by name or path."""

KINDS = {"music": "music", "players": "player", "looks": "look", "discs": "disc"}
"""The folders in `presets/`, and what each holds."""


@dataclass(frozen=True)
class Shipped:
    """A preset or disc that ships."""

    name: str
    kind: str
    path: Path

    @property
    def about(self) -> str:
        """Its description, in one line."""
        data = load_toml(self.path)
        return str(data.get("about") or data.get("title") or "")


@lru_cache(maxsize=1)
def folder() -> Path:
    """The folder of presets, in the installed package or in a working tree."""
    here = Path(__file__).parent
    inside = here / "presets"
    return inside if inside.is_dir() else here.parent / "presets"


@lru_cache(maxsize=1)
def shipped() -> tuple[Shipped, ...]:
    """All presets and discs that ship, by kind and then by name."""
    return tuple(
        Shipped(path.stem, kind, path)
        for sub, kind in KINDS.items()
        for path in sorted((folder() / sub).glob("*.toml"))
    )


def _find(name: str, kinds: tuple[str, ...], what: str) -> Path:
    path = Path(name)

    for one in shipped():
        if one.name == name and one.kind in kinds:
            return one.path
    if path.suffix or "/" in name or "\\" in name or os.path.exists(path):
        return path
    near = close_matches(name, [s.name for s in shipped() if s.kind in kinds])
    raise InputError(
        f"there is no {what} '{name}'{near}",
        hint=f"give a path, or a name from {{list-of-{what}s}}",
    )


def listed(presets: Presets) -> tuple[str | Path, ...]:
    """Presets as a tuple, also where one was given."""
    return (presets,) if isinstance(presets, (str, Path)) else tuple(presets)


def find_preset(name: str) -> Path:
    """The file of a preset, by name or path."""
    return _find(name, ("music", "player", "look"), "preset")


def find_disc(name: str) -> Path:
    """The file of a disc (or of another source), by name or path."""
    return _find(name, ("disc",), "disc")
