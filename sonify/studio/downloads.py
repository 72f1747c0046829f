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

__all__ = [
    "EVERYTHING",
    "FOLDERS",
    "NO_OPTIONS",
    "FileOptions",
    "command_for",
    "downloads",
    "file_name",
]

LONGEST_COMMAND = 160
"""Longer commands read a project file in place of settings: two lines of a terminal."""

_WORDS = {
    "midi": ("MIDI file", "the notes, for music software"),
    "tuning": ("Tuning", "the scale, for instruments that can be retuned"),
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

_UNUSED = {
    "midi": ("light", "clip", "sound"),
    "score": ("light", "clip", "sound"),
    "tuning": ("light", "clip", "sound"),
    "sound": ("light", "clip"),
    "lights": ("sound",),
    "message": ("sound",),
    "explain": ("clip", "sound"),
    "page": ("clip",),
    "draw": ("music", "note", "player", "light", "clip", "sound"),
}
"""The sections of settings that can't change a download."""

EVERYTHING = "everything"
_RANGE = ("from", "to")
OPTIONS = {
    "midi": ("split", "tracks", "lyrics", "mixer", "only-notes"),
    "lights": (*_RANGE, "size", "loop"),
    "message": ("size", "loop"),
    "clip": (*_RANGE, "loop", "subtitles", "silent"),
    "sound": (*_RANGE, "loop", "stems", "stems-as"),
    "explain": ("worksheet", "paper"),
    "score": ("rows", "paper"),
    "draw": ("side", "kerf", "engrave", "paper"),
}
"""The options that downloads take, as the commands call them."""

_MORE = ("tracks", "lyrics", "mixer", "only-notes")
"""The options that few need, which the page folds away."""

_MUSIC = {"midi": ("tuning-output",)}
"""The settings of the music that are about a kind of file."""

FOLDERS = {"stems": "stems", "split": "voices"}
"""The options that make a folder of files, one for each voice, and its name."""

_SEVERAL = {*FOLDERS, "subtitles"}
"""The options that make files beside the first; all are then taken away as a zip file."""


class FileOptions(Settings, frozen=True):
    """How to make files: which part of the piece, how often, in what parts, how the disc is drawn.

    Attributes
    ----------
    from_ : From
        Where the part of the piece begins, in s.
    to
        Where it ends, in s.
    rows : Rows
        Such as 2-5, counted from 1. Empty: all.
    size
        Empty: the lamps as they are, without enlargement.
    loop : Times played
        Empty: once, and animations again and again. 0: again and again; sound then begins with the
        ringing of its end, so that no seam is heard, and .wav and .flac have loop points.
    stems : A file for each voice too
        In one zip file. Together they make up the mix.
    stems_as : Voices' files
        What they are made with.

        - wet: with reverberation and chorus
        - dry: without
        - both: each voice twice
    split : A file for each voice too
        In one zip file.
    tracks
        What gets a track of its own.

        - voices: each voice
        - apart: each channel, and each drum
        - one: nothing; all in a single track (format 0)
    lyrics : Message as lyrics
        Where music software shows the characters.

        - first: on the first track, when they are read
        - melody: at the notes of the first voice with pitches
        - both: at both places
    mixer
        What sets up the instrument that plays the file.

        - usual: programs, volumes and pans
        - full: also a General MIDI reset and all other settings
        - none: nothing, for tracks that have their own sounds
    only_notes
        Leaves out everything but the notes and the tempo.
    subtitles : Subtitle files too
        The message as .srt and .vtt, in one zip file with the clip.
    silent : Without sound
        For a video that gets other sound.
    worksheet : Worksheet
        Leaves blanks to fill in; the solution follows.
    side : Side that faces up
        The back is drawn mirrored.
    kerf : Kerf
        The width of the cut: holes are drawn smaller by it, and the outline larger.
    engrave : Engraved text
        Below the bore.
    paper
        Empty: as large as the disc, and A4 for a sheet or score.
    """

    from_: float | None = msgspec.field(name="from", default=None)
    to: float | None = None
    rows: str | None = None
    size: Literal["landscape", "portrait", "square", "720p", "1440p", "2160p"] | None = None
    loop: Annotated[int, control(step=1, ge=0, le=65535)] | None = None
    stems: bool = False
    stems_as: Literal["wet", "dry", "both"] = "wet"
    split: bool = False
    tracks: Literal["voices", "apart", "one"] = "voices"
    lyrics: Literal["first", "melody", "both"] = "first"
    mixer: Literal["usual", "full", "none"] = "usual"
    only_notes: bool = False
    subtitles: bool = False
    silent: bool = False
    worksheet: bool = False
    side: Literal["front", "back"] = "front"
    kerf: Annotated[float, control(step=0.01, unit="mm", ge=0, le=5)] | None = None
    engrave: Literal["title", "message", "none"] = "title"
    paper: Literal["a2", "a3", "a4", "a5", "letter", "legal", "tabloid"] | None = None

    def given(self, what: str, suffix: str) -> dict[str, Any]:
        """Those that a download takes, if they are given."""
        out = {}
        for name in OPTIONS.get(what, ()):
            attribute = "from_" if name == "from" else name.replace("-", "_")
            value = getattr(self, attribute)
            if what == "score" and name == "paper":
                # pictures of several pages would be several files
                value = value if suffix == ".pdf" else {".png": "roll"}.get(suffix)
            fits = what != "draw" or {"paper": suffix == ".pdf", "kerf": suffix != ".png"}.get(
                name, True
            )
            fits &= name != "stems-as" or self.stems
            if fits and value not in (None, getattr(NO_OPTIONS, attribute)):
                out[name] = value
        return out

    def several(self, what: str) -> bool:
        """Whether a download is more than one file."""
        return any(getattr(self, name) for name in _SEVERAL & set(OPTIONS.get(what, ())))


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
        row["more"] = _MORE
        row["music"] = _MUSIC.get(what, ())
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
        As in `downloads`. Disc and preset files have no command: the line is empty then.
    calm : bool
    command : callable
    options : FileOptions
    """
    from sonify.studio.document import names_that_ship, recipe, safe_name
    from sonify.studio.project import ENDING

    if what in ("disc", "preset"):
        return "", []
    output = file_name(document, what, suffix)
    calm = calm and what in MOVING
    disc, presets, settings = recipe(document)
    unused = _UNUSED.get(what, ())
    settings = {k: v for k, v in settings.items() if k.partition(".")[0] not in unused}
    if "light" in unused:
        looks = names_that_ship("look")
        presets = tuple(p for p in presets if p not in looks)
    if what == "draw":
        presets = ()
    more = options.given(what, suffix)
    more |= {name: folder for name, folder in FOLDERS.items() if name in more}
    line = command(what, disc, presets, settings, output, calm, more)
    if len(line) > LONGEST_COMMAND:
        project = f"{safe_name(document.name)}{ENDING}"
        return command(what, project, (), {}, output, calm, more), [project]
    return line, [] if document.shipped else [disc]


def file_name(document: Document, what: str, suffix: str, options: FileOptions = NO_OPTIONS) -> str:
    """The name of a download; a zip file if it is more than one file.

    Raises
    ------
    InputError
        There is no such output, or not as this type of file.
    """
    from sonify.studio.document import safe_name

    ending = _offered().get(what, {}).get(suffix)
    if ending is None:
        raise InputError(f"'{what}' as '{suffix}' is not offered", place="what")
    return f"{safe_name(document.name)}{ending}{'.zip' if options.several(what) else suffix}"
