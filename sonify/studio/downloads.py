"""The downloads: one for each output of `WRITERS`, the drawing, and the document's own files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

import msgspec

from sonify.controls import control
from sonify.errors import InputError
from sonify.export.drawing.drawing_formats import SAFETY
from sonify.export.file_formats import FOLDER, MOVING, WRITERS
from sonify.settings import Settings
from sonify.studio.costs import COSTS

if TYPE_CHECKING:
    from sonify.studio.document import Command, Document

__all__ = ["EVERYTHING", "NO_OPTIONS", "FileOptions", "command_for", "downloads", "file_name"]

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
    "explain": ("Sheet", "how text becomes holes, bits, lamps and notes, to teach with"),
    "subtitles": ("Captions", "each character at the time it is read"),
    "page": ("Page", "the whole show as one web page, to share"),
    "disc": ("Disc file", "message, code and sizes; all commands read it"),
    "preset": ("Preset file", "music, player and look, without the disc"),
    "everything": ("Everything", "all that you choose here, and the project, in one zip file"),
}
"""Label and help."""

_SETTINGS = {"sound": ("sound",), "page": ("sound",), "clip": ("clip", "sound")}
"""The sections that only these downloads use."""

EVERYTHING = "everything"
_RANGE = ("from", "to")
_DRAWN = ("side", "kerf", "paper")
OPTIONS = {"sound": _RANGE, "lights": _RANGE, "clip": _RANGE, "draw": _DRAWN}
"""The options that downloads take, as the commands call them."""


class FileOptions(Settings, frozen=True):
    """How to make files: which part of the piece, and how the disc is drawn.

    Attributes
    ----------
    from_ : From
        Where the part of the piece begins, in s.
    to
        Where it ends, in s.
    side : Side that faces up
        The back is drawn mirrored.
    kerf : Kerf
        The width of the cut: holes are drawn smaller by it, and the outline larger.
    paper : Paper
        For .pdf. Empty: as large as the disc.
    """

    from_: float | None = msgspec.field(name="from", default=None)
    to: float | None = None
    side: Literal["front", "back"] = "front"
    kerf: Annotated[float, control(step=0.01, unit="mm", ge=0, le=5)] | None = None
    paper: Literal["a2", "a3", "a4", "a5", "letter", "legal", "tabloid"] | None = None

    def given(self, what: str, suffix: str) -> dict[str, Any]:
        """Those that a download takes, if they are given."""
        out = {}
        for name in OPTIONS.get(what, ()):
            value = getattr(self, "from_" if name == "from" else name)
            fits = (name != "paper" or suffix == ".pdf") and (name != "kerf" or suffix != ".png")
            if value not in (None, "front") and fits:
                out[name] = value
        return out


NO_OPTIONS = FileOptions()


def _offered() -> dict[str, dict[str, str]]:
    """The suffixes of each download, each with what follows the disc's name in a file name."""
    from sonify.export.drawing.drawing_formats import DRAWINGS

    out: dict[str, dict[str, str]] = {}
    for w in WRITERS:
        # a folder can't be downloaded
        kinds = dict.fromkeys((s for s in w.suffixes if s != FOLDER), w.ending)
        out.setdefault(w.what, {}).update(kinds)
    own = {"page": {".html": ""}, "disc": {".toml": ""}, "preset": {".toml": "-preset"}}
    own[EVERYTHING] = {".zip": "-everything"}
    return {**out, "draw": dict.fromkeys(DRAWINGS, ""), **own}


def downloads() -> list[dict[str, Any]]:
    """All downloads for the page, in the order of `WRITERS`."""
    out = []
    for what, suffixes in _offered().items():
        label, help = _WORDS.get(what, (what.replace("-", " ").capitalize(), ""))
        calm = what in (*MOVING, EVERYTHING)
        row = {"what": what, "label": label, "help": help, "suffixes": list(suffixes), "calm": calm}
        row["settings"] = _SETTINGS.get(what, ())
        row["options"] = OPTIONS.get(what, ())
        row["costs"] = {x: COSTS[what, x] for x in suffixes if (what, x) in COSTS}
        row["caution"] = SAFETY if what in ("draw", EVERYTHING) else ""
        out.append(row)
    return out


def command_for(
    document: Document,
    what: str,
    suffix: str,
    calm: bool,
    command: Command,
    options: FileOptions = NO_OPTIONS,
) -> tuple[str, list[str]]:
    """The shortest command line that makes the same file, and the files that it reads.

    Parameters
    ----------
    document : Document
    what, suffix : str
        As in `downloads`. Disc and preset files have no command; it makes the whole show then.
    calm : bool
    command : callable
    options : FileOptions
    """
    from sonify.studio.document import recipe, safe_name
    from sonify.studio.project import ENDING

    own = what not in ("disc", "preset")
    output = file_name(document, what, suffix) if own else None
    calm = calm and what in MOVING
    disc, presets, settings = recipe(document)
    if what == "draw":
        presets, settings = (), {}
    verb = what if own else "make"
    more = options.given(what, suffix)
    line = command(verb, disc, presets, settings, output, calm, more)
    if len(line) > LONGEST_COMMAND:
        project = f"{safe_name(document.name)}{ENDING}"
        return command(verb, project, (), {}, output, calm, more), [project]
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
