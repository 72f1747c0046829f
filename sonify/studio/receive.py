"""Reads files dropped on the page, with the readers of the command line."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec

from sonify.settings import Settings

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["Hints", "receive"]

Count = Annotated[int, msgspec.Meta(ge=1, le=1_000_000)]


class Hints(Settings, frozen=True):
    """What the user knows about a dropped file."""

    positions: Count | None = None
    rows: Count | None = None
    sample_rate: Annotated[float, msgspec.Meta(gt=0, le=1e9)] | None = None


def receive(path: Path, name: str, setup: dict[str, Any], hints: dict[str, Any]) -> dict[str, Any]:
    """Read a dropped file as a disc, or a dropped preset as settings.

    Parameters
    ----------
    path : Path
        The file, in a folder of its own that may be written to.
    name : str
        Its original name.
    setup : dict
        The page's settings, with which recordings are assumed to have been played.
    hints : dict
        `positions`, `rows` and `sample-rate`, where they are known.

    Returns
    -------
    dict
        `{"disc": table, "name": name}` or `{"setup": table}`, and `about`, what was read.

    Raises
    ------
    InputError
        The file can't be read. The text names it as the user does.
    """
    from sonify.errors import InputError
    from sonify.settings import convert, load_toml
    from sonify.setup import Setup
    from sonify.studio.document import disc_table, refuse_paths, safe_name
    from sonify.studio.naming import naming

    shown = Path(name).name
    try:
        if path.suffix == ".toml":
            table = load_toml(path)
            if not {"message", "bits"} & set(table) and set(table) & _sections():
                convert(table, Setup, shown)
                refuse_paths(table)
                table.pop("about", None)
                return {"setup": table, "about": f"settings from {shown}"}
        disc = _disc(path, setup, convert(hints, Hints))
    except InputError as e:
        what = e.what.replace(str(path), shown).replace(path.name, shown)
        told = InputError(what, file=shown, place=e.place, key=e.key, hint=e.hint)
        raise InputError(told.say(naming), place="disc.file") from None
    return {
        "disc": disc_table(disc),
        "name": safe_name(Path(shown).stem),
        "about": f"{disc.rows} rows of {disc.positions} positions from {shown}",
    }


def _sections() -> set[str]:
    import msgspec

    from sonify.setup import Setup

    return {f.encode_name for f in msgspec.structs.fields(Setup)} - {"about"}


def _disc(path: Path, setup: dict[str, Any], hints: Hints) -> Disc:
    from sonify.errors import Caution
    from sonify.load import find_in, read_disc_file
    from sonify.recover.sources.options import ReadOptions

    if path.suffix == ".toml":
        return read_disc_file(path)
    played = path.with_name("played.toml")
    played.write_text(_toml(setup), encoding="utf-8")
    options = ReadOptions(hints.positions, hints.rows, hints.sample_rate, (str(played),))
    found = find_in(path, options)
    for one in (*found.sighting.cautions, *found.cautions):
        what = one.what.replace(path.name, "the file")
        warnings.warn(Caution(what, key=one.key, hint=one.hint), stacklevel=2)
    return found.disc


def _toml(setup: dict[str, Any]) -> str:
    import tomli_w

    from sonify.studio.document import refuse_paths

    refuse_paths(setup)
    return tomli_w.dumps(setup)
