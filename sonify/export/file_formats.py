"""The table of file formats, `WRITERS`: each output, its suffixes, and the module that writes it.

A writer is a module with `write(show, path, options)` and `Options`, imported when it is used.
Drawings of the disc have a table of their own in `drawing/drawing_formats.py`.
"""

from __future__ import annotations

import importlib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sonify.atomic import Target, save_to
from sonify.errors import InputError, close_matches, look_up
from sonify.plugins import plugged

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = [
    "FOLDER", "MOVING", "WRITERS", "Writer", "find_writer", "run", "save", "voice_path",
    "writer_of",
]  # fmt: skip


@dataclass(frozen=True)
class Writer:
    """One kind of output.

    Attributes
    ----------
    what : str
        What of the performance it writes.
    suffixes : tuple of str
        The kinds of file it makes; the first is the usual one.
    module : str
        Where its `write` and `Options` are.
    ending : str
        What follows the disc's name in a default file name.
    """

    what: str
    suffixes: tuple[str, ...]
    module: str
    ending: str = ""


_MOVING = (".gif", ".png", ".webp", ".mp4", ".webm", ".mov", "/")

WRITERS: tuple[Writer, ...] = (
    Writer("midi", (".mid", ".midi"), "sonify.export.midi"),
    Writer("tuning", (".scl", ".kbm"), "sonify.export.tuning"),
    Writer("lights", _MOVING, "sonify.export.lights", "-lights"),
    Writer("message", _MOVING, "sonify.export.message", "-message"),
    Writer(
        "clip",
        (".mp4", ".webm", ".mov", ".gif", ".png", ".webp", "/"),
        "sonify.export.clip",
        "-clip",
    ),
    Writer("sound", (".wav", ".flac", ".opus", ".mp3", ".m4a"), "sonify.export.sound.file"),
    Writer("score", (".musicxml", ".svg", ".png", ".pdf"), "sonify.export.score", "-score"),
    Writer("explain", (".pdf", ".svg", ".html", ".png"), "sonify.export.sheet", "-sheet"),
)


FOLDER = "/"
"""Stands in the table for a folder of pictures: a path that ends with a slash."""

MOVING = tuple(w.what for w in WRITERS if FOLDER in w.suffixes)
"""The moving pictures."""


def writer_of(what: str) -> Writer:
    """The writer of an output, also of other packages.

    Raises
    ------
    InputError
        There is none; the message lists similar names.
    """
    table = {w.what: w for w in WRITERS}
    if what not in table:
        table |= {w.what: w for w in plugged("exports")}
    return look_up(table, what, "output", None)


def find_writer(path: str | Path, what: str | None = None) -> Writer:
    """The writer for a file's suffix (the first in the table that has it).

    Raises
    ------
    InputError
        With the suffixes that are offered.
    """
    rows = [w for w in WRITERS if what is None or w.what == what]
    suffix = FOLDER if str(path).endswith(("/", os.sep)) else Path(path).suffix.casefold()
    if not any(suffix in w.suffixes for w in rows):
        rows += [w for w in plugged("exports") if what is None or w.what == what]
    if not rows:
        near = close_matches(what or "", {w.what for w in WRITERS})
        raise InputError(f"there is no output '{what}'{near}")
    for row in rows:
        if suffix in row.suffixes:
            return row
    path = Path(path)
    offered = ", ".join(dict.fromkeys(s for w in rows for s in w.suffixes if s != FOLDER))
    shown = f"'{path.suffix}' is not offered" if path.suffix else "a suffix is needed"
    raise InputError(f"{shown}{f' for {what}' if what else ''}; one of: {offered}", file=path)


def voice_path(folder: str, show: Performance, number: int, suffix: str, kind: str = "") -> Path:
    """The path of a file for one voice: the disc's name, the voice's number from 1 and its name."""
    name = re.sub(r"[^\w.-]+", "-", show.parts[number].name).strip("-") or "voice"
    return Path(folder, f"{show.disc.name}-{number + 1:02d}-{name}{kind}{suffix}")


def save(
    show: Performance, target: Target, what: str | None, suffix: str | None,
    options: Mapping[str, Any],
) -> Path | None:  # fmt: skip
    """Write a performance to a file or buffer. See `Performance.save`."""
    return save_to(target, suffix, lambda path: run(show, path, what, options))


def run(show: Performance, path: str | Path, what: str | None, options: Mapping[str, Any]) -> Any:
    """Write a performance to a file, and return what its writer reports."""
    from sonify.settings import convert, keyed

    module = importlib.import_module(find_writer(path, what).module)
    return module.write(show, Path(path), convert(keyed(options), module.Options))
