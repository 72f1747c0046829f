"""What ships, found by the tests without the package's own search."""

from __future__ import annotations

import tomllib
from pathlib import Path

PRESETS = Path(__file__).parents[1] / "presets"
DISCS = sorted((PRESETS / "discs").glob("*.toml"))
PLAYERS = sorted((PRESETS / "players").glob("*.toml"))
MUSIC = sorted((PRESETS / "music").glob("*.toml"))
LOOKS = sorted((PRESETS / "looks").glob("*.toml"))


def player_table(path: Path) -> dict:
    """The [player] section of a shipped player, all of whose keys it must give."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))["player"]
    assert {"rpm", "row-start", "stage", "settle"} <= table.keys()
    return table
