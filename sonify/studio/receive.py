"""Reads files dropped on the page, with the readers of the command line."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec

from sonify.errors import InputError
from sonify.progress import part, report
from sonify.settings import Settings, convert, load_toml, to_builtins
from sonify.studio.document import check_size, disc_table, preset_table, refuse_paths
from sonify.studio.naming import naming
from sonify.studio.project import project_at, refuse_project

if TYPE_CHECKING:
    from sonify.recover.search.find import Found

__all__ = ["Hints", "picture_of", "receive"]

OVERLAY = ".overlay.png"  # no dropped file begins with a dot
MOST_OTHERS = 4
"""Other readings that are offered, as many as `sonify read` prints."""

MOST_PIXELS = 1200
"""Of a picture's longer side: as wide as the page shows it on a sharp screen."""

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
        what was read. A disc that had to be found comes with what was `seen`.

    Raises
    ------
    InputError
        The file can't be read.
    """
    from sonify.disc.file import disc_from_table
    from sonify.performance_settings import Setup, is_preset

    seen: dict[str, Any] = {}
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
            disc = disc_from_table(table, name=path.stem, file=path)
        else:
            found = _found(path, setup, convert(hints, Hints))
            disc, seen = found.disc, {"seen": _seen(found, path)}
    except InputError as e:
        raise InputError(e.at(path).say(naming), place="disc.file") from None
    about = f"{disc.rows} rows of {disc.positions} positions from {path.name}"
    return {"disc": disc_table(disc), "name": path.stem, "about": about, **seen}


def _found(path: Path, setup: dict[str, Any], hints: Hints) -> Found:
    import tomli_w

    from sonify.performance_settings import Setup
    from sonify.recover.search.find import find_message
    from sonify.recover.sources.options import ReadOptions
    from sonify.recover.sources.source import read_source

    refuse_paths(setup)
    played = path.with_name("played.toml")
    played.write_text(tomli_w.dumps(preset_table(convert(setup, Setup))), encoding="utf-8")
    options = ReadOptions(
        hints.positions,
        hints.rows,
        hints.sample_rate,
        (str(played),),
        overlay=path.with_name(OVERLAY),
    )
    with part(0, 0.5):
        sighting = read_source(path, options)
    check_size(sighting.holes.size)  # the search takes much longer than the reading
    report(0.5)
    with part(0.5, 1):
        found = find_message(sighting, name=path.stem)
    for one in (*sighting.cautions, *found.cautions):
        warnings.warn(one, stacklevel=2)
    return found


def _seen(found: Found, path: Path) -> dict[str, Any]:
    """What a reader found, for people: kind, confidence, unknown bits, other readings, overlay."""
    seen = found.sighting
    others = [
        c
        for c in found.candidates
        if c.text != found.disc.message and 2 * c.text.count("\ufffd") < len(c.text)
    ]
    overlay = path.with_name(OVERLAY)
    return {
        "kind": seen.kind,
        "message": found.disc.message,
        "confidence": round(float(seen.confidence.mean()), 4),
        "least": round(float(seen.confidence.min()), 4),
        "unknown": int((found.disc.grid < 0).sum()),
        "arranged": str(found.arrangement),
        "others": [
            {
                "message": c.text,
                "how": f"{c.arrangement}; {c.code.alphabet}, {c.code.bit_order}",
                "why": c.why,
                "disc": disc_table(found.read_as(c)),
            }
            for c in others[:MOST_OTHERS]
        ],
        "picture": picture_of(overlay) if overlay.is_file() else None,
    }


def picture_of(path: Path) -> str:
    """A picture as a data URL of a size for the page."""
    import base64
    import io

    from PIL import Image

    with Image.open(path) as file:
        picture = file.convert("RGB")
    picture.thumbnail((MOST_PIXELS, MOST_PIXELS))
    with io.BytesIO() as out:
        picture.save(out, "JPEG", quality=85)
        return f"data:image/jpeg;base64,{base64.b64encode(out.getvalue()).decode('ascii')}"
