"""What is dropped on the page, read by the same readers as on the command line."""

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
    """What the user knows of a dropped file and its reader can't."""

    positions: Count | None = None
    rows: Count | None = None
    sample_rate: Annotated[float, msgspec.Meta(gt=0, le=1e9)] | None = None


def receive(path: Path, name: str, setup: dict[str, Any], hints: dict[str, Any]) -> dict[str, Any]:
    """A dropped file as a disc, or a dropped preset as settings.

    Parameters
    ----------
    path : Path
        Where it lies, in a folder that may be written to.
    name : str
        What it was called.
    setup : dict
        The page's settings: a recording is read with those it was played with.
    hints : dict
        `positions`, `rows` and `sample-rate`, where they are known.

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
    from sonify.settings import convert, load_toml
    from sonify.setup import Setup
    from sonify.studio.document import disc_table, refuse_paths, safe_name

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
        what = in_the_page(e.what.replace(str(path), shown).replace(path.name, shown))
        place = None if e.place is None else f"{shown}: {e.place}"
        raise InputError(f"{place or shown}: {what}", place="disc.file") from None
    return {
        "disc": disc_table(disc),
        "name": safe_name(Path(shown).stem),
        "about": f"{disc.rows} rows of {disc.positions} positions from {shown}",
    }


_SAID = (
    (
        "give the presets that it was played with (--preset), and --positions",
        "choose the music and the player that it was played with before, and give its positions "
        "and rows under \u201cHelp the reader\u201d",
    ),
    ("(or the player with --preset)", "(or choose the player before)"),
    ("give it with --positions", "give it under \u201cHelp the reader\u201d"),
    ("with --sample-rate", "under \u201cHelp the reader\u201d"),
    ("--positions settles it", "\u201cHelp the reader\u201d settles it"),
    ("; --positions", "; the positions under \u201cHelp the reader\u201d"),
    ("and --sample-rate)", "and the samples a second)"),
    (
        "--alphabet, --start, --turning, --reading and --hole-means settle it",
        "its code and its rows and positions settle it",
    ),
    ("--start settles it", "`sonify read --start` settles it"),
)
"""What readers say of the command line's options, and what that is in the page."""


def in_the_page(text: str) -> str:
    """What a reader says, with the page's controls in place of the command line's options."""
    for options, controls in _SAID:
        text = text.replace(options, controls)
    return text


def _sections() -> set[str]:
    import msgspec

    from sonify.setup import Setup

    return {f.encode_name for f in msgspec.structs.fields(Setup)} - {"about"}


def _disc(path: Path, setup: dict[str, Any], hints: Hints) -> Disc:
    from sonify.disc.file import read_disc_file
    from sonify.errors import Caution
    from sonify.load import find_in
    from sonify.recover.sources.source import Options

    if path.suffix == ".toml":
        return read_disc_file(path)
    played = path.with_name("played.toml")
    played.write_text(_toml(setup), encoding="utf-8")
    found = find_in(path, Options(hints.positions, hints.rows, hints.sample_rate, (str(played),)))
    for note in (*found.sighting.notes, *found.notes):
        said = in_the_page(note.replace(path.name, "the file"))
        warnings.warn(said, Caution, stacklevel=2)
    return found.disc


def _toml(setup: dict[str, Any]) -> str:
    import tomli_w

    from sonify.studio.document import refuse_paths

    refuse_paths(setup)
    return tomli_w.dumps(setup)
