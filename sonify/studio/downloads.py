"""The downloads: one for each output of `WRITERS`, the drawing, and the document's own files."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sonify.errors import Caution, InputError
from sonify.export.drawing.drawing_formats import SAFETY
from sonify.export.file_formats import FOLDER, MOVING, WRITERS, run

if TYPE_CHECKING:
    from sonify.studio.document import Command, Document

__all__ = ["command_for", "downloads", "file_name", "write_download"]

LONGEST_COMMAND = 160
"""Longer commands read a project file in place of settings: two lines of a terminal."""

_WORDS = {
    "midi": ("MIDI file", "the notes, for music software"),
    "sound": ("Sound", "the music as an audio file"),
    "lights": ("Lamps", "the matrix filling with bits, as an animation"),
    "message": ("Message", "the message scrolling across the matrix, as an animation"),
    "clip": ("Clip", "the views set below, with sound, as a video"),
    "score": ("Score", "the music in staff notation"),
    "draw": ("Drawing", "the disc at 1:1, for cutting"),
    "sheet": ("Sheet", "how text becomes holes, bits, lamps and notes, to teach with"),
    "subtitles": ("Captions", "each character at the time it is read"),
    "page": ("Page", "the whole show as one web page, to share"),
    "disc": ("Disc file", "message, code and sizes; all commands read it"),
    "preset": ("Preset file", "music, player and look, without the disc"),
}
"""Label and help."""

_SETTINGS = {"sound": ("sound",), "page": ("sound",), "clip": ("clip", "sound")}
"""The sections that only these downloads use."""


def _offered() -> dict[str, dict[str, str]]:
    """The suffixes of each download, each with what follows the disc's name in a file name."""
    from sonify.export.drawing.drawing_formats import DRAWINGS

    out: dict[str, dict[str, str]] = {}
    for w in WRITERS:
        # a folder can't be downloaded
        kinds = dict.fromkeys((s for s in w.suffixes if s != FOLDER), w.ending)
        out.setdefault(w.what, {}).update(kinds)
    own = {"page": {".html": ""}, "disc": {".toml": ""}, "preset": {".toml": "-preset"}}
    return {**out, "draw": dict.fromkeys(DRAWINGS, ""), **own}


def downloads() -> list[dict[str, Any]]:
    """All downloads for the page, in the order of `WRITERS`."""
    out = []
    for what, suffixes in _offered().items():
        label, help = _WORDS.get(what, (what.replace("-", " ").capitalize(), ""))
        calm = what in MOVING
        row = {"what": what, "label": label, "help": help, "suffixes": list(suffixes), "calm": calm}
        row["settings"] = _SETTINGS.get(what, ())
        row["caution"] = SAFETY if what == "draw" else ""
        out.append(row)
    return out


def command_for(
    document: Document, what: str, suffix: str, calm: bool, command: Command
) -> tuple[str, list[str]]:
    """The shortest command line that makes the same file, and the files that it reads.

    Parameters
    ----------
    document : Document
    what, suffix : str
        As in `downloads`. Disc and preset files have no command; it makes the whole show then.
    calm : bool
    command : callable
    """
    from sonify.studio.document import recipe, safe_name
    from sonify.studio.project import ENDING

    own = what not in ("disc", "preset")
    more = ["-o", file_name(document, what, suffix)] if own else []
    if calm and what in MOVING:
        more.append("--calm")
    disc, presets, settings = recipe(document)
    if what == "draw":
        presets, settings = (), {}
    verb = what if own else "make"
    line = command(verb, disc, presets, settings, more)
    if len(line) > LONGEST_COMMAND:
        project = f"{safe_name(document.name)}{ENDING}"
        return command(verb, project, (), {}, more), [project]
    return line, [] if document.shipped else [disc]


def file_name(document: Document, what: str, suffix: str) -> str:
    """The name of a download.

    Raises
    ------
    InputError
        There is no such output, or not as this type of file.
    """
    from sonify.studio.document import safe_name

    ending = _offered().get(what, {}).get(suffix)
    if ending is None:
        raise InputError(f"'{what}' as '{suffix}' is not offered", place="what")
    return f"{safe_name(document.name)}{ending}{suffix}"


def write_download(
    document: Document, what: str, suffix: str, folder: Path, calm: bool = False
) -> tuple[Path, list[str]]:
    """Write a download into a folder.

    Returns
    -------
    tuple
        Its path, and notes on it for the user.
    """
    from sonify.disc.file import disc_to_toml
    from sonify.studio.document import preset_toml, show_of, understand
    from sonify.studio.page import write_page

    path = folder / file_name(document, what, suffix)
    if what == "preset":
        path.write_text(preset_toml(document), encoding="utf-8")
    elif what == "disc":
        path.write_text(disc_to_toml(understand(document)[0]), encoding="utf-8")
    elif what == "page":
        write_page(show_of(document, audible_only=True), path)
    elif what == "draw":
        path.write_bytes(_drawn(document, suffix))
    else:
        options = {"calm": True} if calm and what in MOVING else {}
        outcome = run(show_of(document, audible_only=True), path, what, options)
        if what in MOVING:
            over = "It flashes more than WCAG 2.2 SC 2.3.1 allows" * outcome.flashing.over
            notes = [f"{over or 'Flashing'}: {outcome.flashing.short}."]
            if outcome.changes:
                notes.insert(0, f"Reduced flashing: {'; '.join(outcome.changes)}.")
            return path, notes
    return path, []


def _drawn(document: Document, suffix: str) -> bytes:
    """The drawing of the document's disc, with the defaults of the command `draw`."""
    from sonify.disc.geometry.cautions import geometry_of
    from sonify.export.drawing.drawing import drawing_of
    from sonify.export.drawing.drawing_formats import draw
    from sonify.studio.document import understand

    disc, _ = understand(document)
    drawing = drawing_of(disc, geometry_of(disc)[0])
    for one in drawing.cautions:
        warnings.warn(one, Caution, stacklevel=2)
    return draw(drawing, suffix)
