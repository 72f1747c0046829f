"""Reads files dropped on the page, with the readers of the command line."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec

from sonify.errors import InputError
from sonify.settings import Settings, convert, load_toml, to_builtins
from sonify.studio.document import disc_table, refuse_paths
from sonify.studio.naming import naming
from sonify.studio.project import project_at, refuse_project

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["Hints", "receive"]

Count = Annotated[int, msgspec.Meta(ge=1, le=1_000_000)]


class Hints(Settings, frozen=True):
    """What the user knows about a dropped file."""

    positions: Count | None = None
    rows: Count | None = None
    sample_rate: Annotated[float, msgspec.Meta(gt=0, le=1e9)] | None = None


def receive(path: Path, setup: dict[str, Any], hints: dict[str, Any]) -> dict[str, Any]:
    """Read a dropped file as a disc, or a dropped preset as settings.

    Parameters
    ----------
    path : Path
        The file, in a folder of its own that may be written to; errors name it like this.
    setup : dict
        The page's settings, with which recordings are assumed to have been played.
    hints : dict
        `positions`, `rows` and `sample-rate`, where they are known.

    Returns
    -------
    dict
        `{"disc": table, "name": name}`, `{"setup": table}` or `{"project": table}`, and `about`,
        what was read.

    Raises
    ------
    InputError
        The file can't be read.
    """
    from sonify.load import read_disc_file
    from sonify.performance_settings import Setup, is_preset

    try:
        if path.suffix == ".toml":
            project = project_at(path)
            if project is not None:
                refuse_project(project)
                return {"project": to_builtins(project), "about": f"project from {path.name}"}
            table = load_toml(path)
            if is_preset(table):
                convert(table, Setup, path)
                refuse_paths(table)
                table.pop("about", None)
                return {"setup": table, "about": f"settings from {path.name}"}
            disc = read_disc_file(path)
        else:
            disc = _found(path, setup, convert(hints, Hints))
    except InputError as e:
        raise InputError(e.at(path).say(naming), place="disc.file") from None
    about = f"{disc.rows} rows of {disc.positions} positions from {path.name}"
    return {"disc": disc_table(disc), "name": path.stem, "about": about}


def _found(path: Path, setup: dict[str, Any], hints: Hints) -> Disc:
    import tomli_w

    from sonify.load import find_in
    from sonify.recover.sources.options import ReadOptions

    refuse_paths(setup)
    played = path.with_name("played.toml")
    played.write_text(tomli_w.dumps(setup), encoding="utf-8")
    options = ReadOptions(hints.positions, hints.rows, hints.sample_rate, (str(played),))
    found = find_in(path, options)
    for one in (*found.sighting.cautions, *found.cautions):
        warnings.warn(one, stacklevel=2)
    return found.disc
