"""The downloads: one for each output of `WRITERS`, the drawing, and the document's own files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.studio.document import Document

__all__ = ["downloads", "file_name", "write_download"]


class _Words(NamedTuple):
    label: str
    help: str


_WORDS: dict[str, _Words] = {
    "midi": _Words("MIDI file", "the notes, for music software"),
    "sound": _Words("Sound", "the music as an audio file"),
    "lights": _Words("Matrix", "the matrix filling with bits, as an animation"),
    "message": _Words("Message", "the message scrolling across the matrix, as an animation"),
    "clip": _Words("Clip", "matrix, disc and notes with sound, as a video"),
    "score": _Words("Score", "the music in staff notation"),
    "draw": _Words("Drawing", "the disc at 1:1, for cutting"),
    "subtitles": _Words("Captions", "each character at the time it is read"),
    "disc": _Words("Disc file", "message, code and sizes; all commands read it"),
    "preset": _Words("Preset file", "music, player and look, without the disc"),
}

MOVING = ("lights", "message", "clip")
"""Outputs that can flash and can be calmed."""

TEXTS = ("disc", "preset")
"""Outputs that are the document itself, as TOML."""


def downloads() -> list[dict[str, Any]]:
    """All downloads for the page, in the order of `WRITERS`."""
    from sonify.export import FOLDER, WRITERS
    from sonify.export.drawing import DRAWINGS

    offered: dict[str, list[str]] = {}
    for writer in WRITERS:
        # a folder can't be downloaded
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
    """The name of a download.

    Raises
    ------
    InputError
        There is no such output, or not as this type of file.
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


def _text(document: Document, what: str) -> str:
    """The document's disc file or preset file."""
    from sonify.disc.file import disc_to_toml
    from sonify.studio.document import preset_toml, understand

    if what == "disc":
        return disc_to_toml(understand(document).disc)
    return preset_toml(document)


def write_download(
    document: Document, what: str, suffix: str, folder: Path, calm: bool = False
) -> tuple[Path, list[str]]:
    """Write a download into a folder.

    Returns
    -------
    tuple
        Its path, and notes on it for the user.
    """
    from sonify.export import run
    from sonify.export.outcome import Outcome
    from sonify.studio.document import show_of

    path = folder / file_name(document, what, suffix)
    if what in TEXTS:
        path.write_text(_text(document, what), encoding="utf-8")
        return path, []
    if what == "draw":
        path.write_bytes(drawn(document, suffix))
        return path, []
    options = {"calm": True} if calm and what in MOVING else {}
    outcome = run(show_of(document, audible_only=True), path, what, options)
    if not isinstance(outcome, Outcome):
        return path, []
    notes = [f"Reduced flashing: {'; '.join(outcome.changes)}."] if outcome.changes else []
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
