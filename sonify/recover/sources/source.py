"""Sources of a disc: the reader of each kind of file, by suffix and by content."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sonify.errors import InputError, close_matches
from sonify.input_file import input_file
from sonify.recover.sighting import Sighting
from sonify.recover.sources.options import ReadOptions

__all__ = ["KINDS", "Reader", "kind_of", "read_source"]

SNIFF = 8192


Reader = Callable[[Path, ReadOptions], Sighting]


def _grid_text(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.grid import read_grid_text

    return read_grid_text(path)


def _array(path: Path, options: ReadOptions) -> Sighting:
    """A .npy file: a grid, or the samples of a log."""
    from sonify.recover.sources.log.files import load_array

    array = load_array(path)
    narrow = array.ndim == 2 and min(array.shape) <= 3 and max(array.shape) >= 512
    if array.dtype.names or narrow or options.sample_rate is not None:
        return _log(path, options)
    from sonify.recover.sources.grid import read_grid_array

    return read_grid_array(array, path)


def _log(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.log.log import sighting_of_trace
    from sonify.recover.sources.log.trace import trace_log

    player = options.setup().player if options.presets or options.settings else None
    trace = trace_log(path, options.sample_rate)
    return sighting_of_trace(trace, path, options.positions, player)


def _drawing(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.drawing.dxf import read_dxf
    from sonify.recover.sources.drawing.plan import sighting_of_rounds
    from sonify.recover.sources.drawing.svg import read_svg

    read = read_svg if path.suffix.casefold() == ".svg" else read_dxf
    return sighting_of_rounds(read(path), path)


def _table(path: Path, options: ReadOptions) -> Sighting:
    """A .csv file: a drawing's holes, the samples of a log, or a grid."""
    from sonify.recover.sources.drawing.plan import sighting_of_rounds
    from sonify.recover.sources.drawing.table import NEEDED, read_table
    from sonify.recover.sources.log.table import PREAMBLE, is_log_header

    with path.open("rb") as f:
        head = f.read(SNIFF).decode("utf-8", "replace").lstrip("\ufeff")
    lines = [x for x in head.splitlines() if x.strip() and not x.lstrip().startswith("#")]
    first = lines[0].casefold() if lines else ""
    if all(name in first for name in NEEDED):
        return sighting_of_rounds(read_table(path), path)
    if any(map(is_log_header, lines[:PREAMBLE])):
        return _log(path, options)
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
    return _grid_text(path, options)


def _photograph(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.image.photo import read_photograph

    return read_photograph(path, positions=options.positions, overlay=options.overlay)


def _recording(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.midi.recording import read_recording

    return read_recording(path, options)


KINDS: dict[str, Reader] = {
    ".txt": _grid_text,
    ".npy": _array,
    ".csv": _table,
    ".svg": _drawing,
    ".dxf": _drawing,
    ".wav": _log,
    ".vcd": _log,
    ".mid": _recording,
    ".midi": _recording,
}
"""The reader of each suffix. Pictures are those that Pillow opens."""

KINDS |= dict.fromkeys(
    (".jpg", ".jpeg", ".jfif", ".mpo", ".png", ".webp", ".bmp", ".tif", ".tiff", ".gif", ".ppm",
     ".pgm", ".jp2", ".avif", ".heic", ".tga"),
    _photograph,
)  # fmt: skip

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
"""The first bytes of a file (RIFF without its length), and the suffix that it should have."""


def kind_of(path: Path) -> Reader | None:
    """The reader of a file, by its suffix or else by its first bytes."""
    suffix = path.suffix.casefold()
    if suffix not in KINDS and path.is_file():
        with path.open("rb") as f:
            head = f.read(12)
        if head.startswith(b"RIFF"):
            head = head[:4] + head[8:]
        suffix = next((s for magic, s in MAGIC.items() if head.startswith(magic)), "")
    return KINDS.get(suffix)


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
        A missing file, a folder, an unknown kind of file, or what its reader could not find.
    """
    path = Path(path)
    with input_file(path):
        reader = kind_of(path)
        if reader is None:
            near = close_matches(path.suffix.casefold(), KINDS) if path.suffix else ""
            raise InputError(
                f"this kind of file can't be read{near}; a disc file is .toml, a grid .txt .csv "
                ".npy, a drawing .svg .dxf, a photograph .jpg .png and the like, a detector log "
                ".csv .npy .wav .vcd, a recording .mid",
                file=path,
            )
        if path.stat().st_size == 0:
            raise InputError("it is empty", file=path)
        return reader(path, options or ReadOptions())
