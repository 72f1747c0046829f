"""Sources by their kind: the reader of each, picked by suffix and by content."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sonify.errors import InputError, close_matches
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

    told = options.presets or options.settings
    player = options.setup().player if told else None
    trace = trace_log(path, options.sample_rate)
    return sighting_of_trace(trace, path, options.positions, player)


def _drawing(path: Path, options: ReadOptions) -> Sighting:
    from sonify.recover.sources.drawing.plan import sighting_of_rounds

    if path.suffix.casefold() == ".svg":
        from sonify.recover.sources.drawing.svg import read_svg

        return sighting_of_rounds(read_svg(path), path)
    from sonify.recover.sources.drawing.dxf import read_dxf

    return sighting_of_rounds(read_dxf(path), path)


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
            "its header fits no kind of table: a drawing's holes have x_mm, y_mm, diameter_mm; "
            "a detector log has time, clock, data; a grid has no header",
            file=path,
            place="line 1",
        )
    if any("." in cell and cell.strip(".") for cell in first.split(",")):
        raise InputError(
            "its columns have no names; begin a detector log with the line time,clock,data",
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


KINDS: dict[str, tuple[str, Reader]] = {
    ".txt": ("grid", _grid_text),
    ".npy": ("grid or detector log", _array),
    ".csv": ("grid, holes or detector log", _table),
    ".svg": ("drawing", _drawing),
    ".dxf": ("drawing", _drawing),
    ".wav": ("detector log", _log),
    ".vcd": ("detector log", _log),
    ".mid": ("recording", _recording),
    ".midi": ("recording", _recording),
}
"""Suffix to what it may hold and its reader. Pictures are those that Pillow opens."""

PICTURES = (
    *(".jpg", ".jpeg", ".jfif", ".mpo", ".png", ".webp", ".bmp", ".tif", ".tiff", ".gif"),
    *(".ppm", ".pgm", ".jp2", ".avif", ".heic", ".tga"),
)


def kind_of(path: Path) -> tuple[str, Reader] | None:
    """What a file holds and its reader, by its suffix, or else by its first bytes."""
    suffix = path.suffix.casefold()
    if suffix in KINDS:
        return KINDS[suffix]
    if suffix in PICTURES:
        return ("photograph", _photograph)
    if path.is_file():
        with path.open("rb") as f:
            head = f.read(16)
        for magic in (b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"BM", b"II*\0", b"MM\0*"):
            if head.startswith(magic):
                return ("photograph", _photograph)
        if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
            return ("photograph", _photograph)
        if head.startswith(b"MThd"):
            return KINDS[".mid"]
        if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
            return KINDS[".wav"]
        if head.startswith(b"\x93NUMPY"):
            return KINDS[".npy"]
    return None


def read_source(path: str | Path, options: ReadOptions | None = None) -> Sighting:
    """Read any source of a disc but a disc file.

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
        A missing file, a folder, a kind that is not read, or what its reader could not find.
    """
    path = Path(path)
    if path.is_dir():
        raise InputError("this is a folder; a file is needed", file=path)
    if not path.exists():
        raise InputError("there is no such file", file=path)
    try:
        found = kind_of(path)
        if found is None:
            known = [*KINDS, *PICTURES]
            near = close_matches(path.suffix.casefold(), known) if path.suffix else ""
            raise InputError(
                f"this kind of file is not read{near}; a disc file is .toml, a grid .txt .csv "
                ".npy, a drawing .svg .dxf, a photograph .jpg .png and the like, a detector log "
                ".csv .npy .wav .vcd, a recording .mid",
                file=path,
            )
        if path.stat().st_size == 0:
            raise InputError("it is empty", file=path)
        return found[1](path, options or ReadOptions())
    except PermissionError:
        raise InputError("it may not be read (permission denied)", file=path) from None
    except OSError as e:
        raise InputError(f"it can't be read ({e.strerror or e})", file=path) from None
