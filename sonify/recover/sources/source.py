"""Sources of a disc: the reader of each kind of file, by suffix and by content."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sonify.errors import InputError, close_matches
from sonify.extras import require
from sonify.input_file import input_file
from sonify.log import info
from sonify.plugins import plugged
from sonify.recover.sighting import Sighting
from sonify.recover.sources.options import ReadOptions

if TYPE_CHECKING:
    from sonify.recover.sources.drawing.rounds import Rounds

__all__ = ["KINDS", "READERS", "Source", "kind_of", "read_source", "rounds_in", "suffix_of"]

SNIFF = 8192


Reader = Callable[[Path, ReadOptions], Sighting]


class Source(NamedTuple):
    """A kind of source of another package: its name, its suffixes, and what reads it."""

    kind: str
    suffixes: tuple[str, ...]
    read: Reader


def _grid(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.grid import read_grid_array, read_grid_text
    from sonify.recover.sources.log.files import load_array

    if suffix_of(path) == ".npy":
        return read_grid_array(load_array(path), path)
    return read_grid_text(path)


def _log(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.log.log import sighting_of_trace
    from sonify.recover.sources.log.trace import trace_log

    player = options.setup().player if options.presets or options.settings else None
    trace = trace_log(path, options.sample_rate)
    return sighting_of_trace(trace, path, options.positions, player)


def rounds_in(path: Path) -> Rounds:
    """The circles of a drawing."""
    from sonify.recover.sources.drawing.dxf import read_dxf
    from sonify.recover.sources.drawing.svg import read_svg
    from sonify.recover.sources.drawing.table import read_table

    return {".svg": read_svg, ".dxf": read_dxf, ".csv": read_table}[suffix_of(path)](path)


def _drawing(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.drawing.plan import sighting_of_rounds

    return sighting_of_rounds(rounds_in(path), path)


def _kind_of_array(path: Path, options: ReadOptions) -> str:
    """A .npy file: a grid, or the samples of a log."""
    from sonify.recover.sources.log.files import load_array

    array = load_array(path)
    narrow = array.ndim == 2 and min(array.shape) <= 3 and max(array.shape) >= 512
    return "log" if array.dtype.names or narrow or options.sample_rate is not None else "grid"


def _kind_of_table(path: Path) -> str:
    """A .csv file: a drawing's holes, the samples of a log, or a grid."""
    from sonify.recover.sources.drawing.table import NEEDED
    from sonify.recover.sources.log.table import PREAMBLE, is_log_header

    with path.open("rb") as f:
        head = f.read(SNIFF).decode("utf-8", "replace").lstrip("\ufeff")
    lines = [x for x in head.splitlines() if x.strip() and not x.lstrip().startswith("#")]
    first = lines[0].casefold() if lines else ""
    if all(name in first for name in NEEDED):
        return "drawing"
    if any(map(is_log_header, lines[:PREAMBLE])):
        return "log"
    if any(c.isalpha() for c in first) and len(set(first) - set(" ,;\t|?")) > 4:
        raise InputError(
            "its header matches no known table: a table of holes has x_mm, y_mm, diameter_mm; a "
            "detector log has time, clock, data; a grid has no header",
            file=path,
            place="line 1",
        )
    if any("." in cell and cell.strip(".") for cell in first.split(",")):
        raise InputError(
            "its columns have no names; a detector log begins with the line time,clock,data",
            file=path,
            place="line 1",
        )
    return "grid"


def _photograph(path: Path, options: ReadOptions) -> Sighting:
    require("photo")
    from sonify.recover.sources.image.photo import read_photograph

    return read_photograph(path, positions=options.positions, overlay=options.overlay)


def _recording(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.midi.recording import read_recording

    return read_recording(path, options)


# The reader of each kind of source.
READERS: dict[str, Reader] = {
    "grid": _grid,
    "drawing": _drawing,
    "photograph": _photograph,
    "log": _log,
    "recording": _recording,
}

# The kind of each suffix; what arrays and tables hold is seen inside. Pictures are those that
# Pillow opens.
KINDS = {
    ".txt": "grid",
    ".npy": "array",
    ".csv": "table",
    ".svg": "drawing",
    ".dxf": "drawing",
    ".wav": "log",
    ".vcd": "log",
    ".mid": "recording",
    ".midi": "recording",
}

KINDS |= dict.fromkeys(
    (".jpg", ".jpeg", ".jfif", ".mpo", ".png", ".webp", ".bmp", ".tif", ".tiff", ".gif", ".ppm",
     ".pgm", ".jp2", ".avif", ".heic", ".tga"),
    "photograph",
)  # fmt: skip

# The first bytes of a file (RIFF without its length), and the suffix that it should have.
MAGIC = {
    b"\xff\xd8\xff": ".jpg",
    b"\x89PNG": ".png",
    b"GIF8": ".gif",
    b"BM": ".bmp",
    b"II*\0": ".tif",
    b"MM\0*": ".tif",
    b"MThd": ".mid",
    b"\x93NUMPY": ".npy",
    b"RIFFWEBP": ".webp",
    b"RIFFWAVE": ".wav",
}


def suffix_of(path: Path) -> str:
    """The suffix of a file, or if that says nothing, the one that its first bytes ask for."""
    suffix = path.suffix.casefold()
    if suffix and suffix not in KINDS and suffix != ".toml":
        for source in plugged("sources"):
            READERS.setdefault(source.kind, source.read)
            for own in source.suffixes:
                KINDS.setdefault(own, source.kind)
    if suffix not in KINDS and os.path.isfile(path):
        with path.open("rb") as f:
            head = f.read(12)
        if head.startswith(b"RIFF"):
            head = head[:4] + head[8:]
        suffix = next((s for magic, s in MAGIC.items() if head.startswith(magic)), "")
    return suffix


def kind_of(path: Path, options: ReadOptions | None = None) -> str:
    """Which of `READERS` a file is for.

    Raises
    ------
    InputError
        A missing file, a folder, an empty or an unknown kind of file.
    """
    with input_file(path):
        kind = KINDS.get(suffix_of(path), "")
        if not kind:
            near = close_matches(path.suffix.casefold(), KINDS) if path.suffix else ""
            raise InputError(
                f"this kind of file can't be read{near}; a disc file is .toml, a grid .txt .csv "
                ".npy, a drawing .svg .dxf, a photograph .jpg .png and the like, a detector log "
                ".csv .npy .wav .vcd, a recording .mid",
                file=path,
            )
        if path.stat().st_size == 0:
            raise InputError("it is empty", file=path)
        if kind == "table":
            return _kind_of_table(path)
        return _kind_of_array(path, options or ReadOptions()) if kind == "array" else kind


def read_source(path: str | Path, options: ReadOptions | None = None) -> Sighting:
    """Read any source of a disc except a disc file.

    Parameters
    ----------
    path : path
    options : ReadOptions, optional

    Returns
    -------
    Sighting

    Raises
    ------
    InputError
        As `kind_of`, or what its reader could not find.
    """
    path, options = Path(path), options or ReadOptions()
    with input_file(path):
        kind = kind_of(path, options)
        info(__name__, "%s: read as a %s", path, kind)
        return READERS[kind](path, options)
