"""What is dropped on the page, read by the same readers as on the command line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["receive"]


def receive(path: Path, name: str, setup: dict[str, Any]) -> dict[str, Any]:
    """A dropped file as a disc, or a dropped preset as settings.

    Returns
    -------
    dict
        `{"disc": table, "name": name}` or `{"setup": table}`, and `about`, what was read.

    Raises
    ------
    InputError
        It is none that can be read; without the path it lies at here.
    """
    from sonify.errors import InputError
    from sonify.load import load_disc
    from sonify.settings import convert, load_toml
    from sonify.setup import Setup
    from sonify.studio.document import disc_table, refuse_paths, safe_name

    shown = Path(name).name
    try:
        if path.suffix == ".toml":
            table = load_toml(path)
            if not {"message", "bits"} & set(table) and {"music", "player", "light"} & set(table):
                convert(table, Setup, shown)
                refuse_paths(table)
                table.pop("about", None)
                return {"setup": table, "about": f"settings from {shown}"}
        disc = load_disc(path)
    except InputError as e:
        raise InputError(e.what.replace(str(path), shown), place=e.place) from None
    return {
        "disc": disc_table(disc),
        "name": safe_name(Path(shown).stem),
        "about": f"{disc.rows} rows of {disc.positions} positions from {shown}",
    }
