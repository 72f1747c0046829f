"""What can be taken away: a row for each output of `WRITERS`, and the files of the document."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.studio.document import Document

__all__ = ["TEXTS", "file_name", "take_text", "takes"]


class _Words(NamedTuple):
    label: str
    help: str


_WORDS: dict[str, _Words] = {
    "midi": _Words("MIDI file", "the notes, for a music program"),
    "sound": _Words("Sound", "the music as you hear it"),
    "lights": _Words("Matrix", "the lamps filling, as a moving picture"),
    "message": _Words("Message", "the letters scrolling by, as a moving picture"),
    "clip": _Words("Clip", "lamps, disc and notes with their sound, as a film"),
    "score": _Words("Score", "the music on staves, to read and print"),
    "draw": _Words("Drawing", "the disc at its real size, to cut"),
    "subtitles": _Words("Captions", "the characters at the moments they are read"),
    "disc": _Words("Disc file", "message, code and sizes; every command takes it"),
    "preset": _Words("Preset file", "the music, the player and the look, without the disc"),
}

MOVING = ("lights", "message", "clip")
"""Outputs that can flash, and be made calmer."""

TEXTS = ("disc", "preset")
"""Outputs that are the document itself, as TOML."""


def takes() -> list[dict[str, Any]]:
    """All outputs, in the order of the writers' table, for the page."""
    from sonify.export import FOLDER, WRITERS
    from sonify.export.drawing import DRAWINGS

    offered: dict[str, list[str]] = {}
    for writer in WRITERS:
        # a folder of pictures is no download
        kinds = [s for s in writer.suffixes if s != FOLDER]
        offered.setdefault(writer.what, []).extend(kinds)
    offered["draw"] = list(DRAWINGS)
    offered.update({what: [".toml"] for what in TEXTS})
    out = []
    for what, suffixes in offered.items():
        words = _WORDS.get(what, _Words(what.replace("-", " ").capitalize(), ""))
        out.append(
            {
                "what": what,
                "label": words.label,
                "help": words.help,
                "suffixes": suffixes,
                "calm": what in MOVING,
            }
        )
    return out


def file_name(document: Document, what: str, suffix: str) -> str:
    """What a file is called.

    Raises
    ------
    InputError
        An output or a kind of file that is not offered.
    """
    from sonify.export import WRITERS
    from sonify.export.drawing import DRAWINGS
    from sonify.studio.document import safe_name

    stem = safe_name(document.name)
    if what == "draw" and suffix in DRAWINGS:
        return f"{stem}{suffix}"
    if what in TEXTS and suffix == ".toml":
        return f"{stem}{'' if what == 'disc' else '-preset'}.toml"
    for row in WRITERS:
        if row.what == what and suffix in row.suffixes:
            return f"{stem}{row.ending}{suffix}"
    raise InputError(f"'{what}' as '{suffix}' is not offered", place="what")


def take_text(document: Document, what: str) -> str:
    """The document's disc file or preset file."""
    from sonify.disc.file import disc_to_toml
    from sonify.studio.document import preset_toml, understand

    if what == "disc":
        return disc_to_toml(understand(document).disc)
    return preset_toml(document)


def take(
    document: Document, what: str, suffix: str, folder: Path, calm: bool = False
) -> tuple[Path, list[str]]:
    """Write one output into a folder.

    Returns
    -------
    tuple
        Where it is, and what is to be said of it.
    """
    from sonify.export import run
    from sonify.export.outcome import Outcome
    from sonify.studio.document import show_of

    path = folder / file_name(document, what, suffix)
    if what in TEXTS:
        path.write_text(take_text(document, what), encoding="utf-8")
        return path, []
    if what == "draw":
        path.write_bytes(drawn(document, suffix))
        return path, []
    options = {"calm": True} if calm and what in MOVING else {}
    outcome = run(show_of(document, audible_only=True), path, what, options)
    if not isinstance(outcome, Outcome):
        return path, []
    notes = [f"Made calmer: {'; '.join(outcome.changes)}."] if outcome.changes else []
    over = "It flashes more than WCAG 2.2 SC 2.3.1 allows" if outcome.flashing.over else "Flashing"
    return path, [*notes, f"{over}: {outcome.flashing.short}."]


def drawn(document: Document, suffix: str) -> bytes:
    """The drawing of the document's disc, with the defaults of the command `draw`."""
    import warnings

    from sonify.disc.geometry.cautions import geometry_of
    from sonify.errors import Caution
    from sonify.export.drawing import draw
    from sonify.export.drawing.drawing import drawing_of
    from sonify.studio.document import understand

    disc = understand(document).disc
    drawing = drawing_of(disc, geometry_of(disc)[0])
    for one in drawing.cautions:
        warnings.warn(one, Caution, stacklevel=2)
    return draw(drawing, suffix)
