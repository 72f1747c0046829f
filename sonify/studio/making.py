"""Makes a download, with the writers of the command line."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path
from typing import Any

import msgspec

from sonify.errors import Caution
from sonify.export.file_formats import MOVING, run
from sonify.studio.document import Document
from sonify.studio.downloads import EVERYTHING, FOLDERS, NO_OPTIONS, FileOptions, file_name

__all__ = ["drawn", "loudness_of", "write_download", "write_everything"]

ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""The first date that a zip file can hold."""

COMPARED_S = 60.0
"""How much of a piece its loudness is measured on, in s: a second of work."""


def write_download(
    document: Document, what: str, suffix: str, folder: Path, calm: bool = False,
    options: FileOptions = NO_OPTIONS,
) -> tuple[Path, list[str]]:  # fmt: skip
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
        path.write_bytes(drawn(document, suffix, options))
    else:
        given = _written_with(options.given(what, suffix), folder)
        if calm and what in MOVING:
            given["calm"] = True
        outcome = run(show_of(document, audible_only=True), path, what, given)
        if options.several(what):
            beside = outcome.beside if what in MOVING else _of_voices(given)
            path = _zipped(folder / file_name(document, what, suffix, options), path, *beside)
        if what in MOVING:
            over = "It flashes more than WCAG 2.2 SC 2.3.1 allows" * outcome.flashing.over
            notes = [f"{over or 'Flashing'}: {outcome.flashing.short}."]
            if outcome.changes:
                notes.insert(0, f"Reduced flashing: {'; '.join(outcome.changes)}.")
            return path, notes
    return path, []


def _written_with(given: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The options of a writer, from those that its command calls by other names."""
    names = {"from": "from_s", "to": "to_s"}
    out = {names.get(k, k): v for k, v in given.items() if k != "silent"}
    if "silent" in given:
        out["sound"] = False
    return out | {k: str(folder / name) for k, name in FOLDERS.items() if k in given}


def _of_voices(given: dict[str, Any]) -> list[Path]:
    """The files for single voices that were made with some options."""
    return sorted(f for k in FOLDERS if k in given for f in Path(given[k]).iterdir())


def _zip(path: Path, files: dict[str, bytes]) -> None:
    """Write files into a zip file: the same ones give the same bytes."""
    import zipfile

    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, data in files.items():
            out.writestr(zipfile.ZipInfo(name, ZIP_DATE), data, zipfile.ZIP_DEFLATED)


def _zipped(path: Path, *files: Path) -> Path:
    """Put files, and those of folders beside the zip file, into it, and remove them."""
    _zip(path, {str(file.relative_to(path.parent)): file.read_bytes() for file in files})
    for file in files:
        file.unlink()
    return path


def write_everything(
    document: Document, items: tuple[tuple[str, str], ...], folder: Path, calm: bool,
    options: FileOptions,
) -> tuple[Path, list[str]]:  # fmt: skip
    """Write several downloads and the project into one zip file.

    What can't be made is left out, and named in the notes.

    Returns
    -------
    tuple
        Its path, and notes on the files for the user.
    """
    from sonify.errors import SonifyError
    from sonify.progress import part, report
    from sonify.studio.naming import said
    from sonify.studio.project import Project, project_name, project_toml

    path = folder / file_name(document, EVERYTHING, ".zip")
    files, notes = {}, []
    project = Project(a=document)
    files[project_name(project)] = project_toml(project).encode()
    with tempfile.TemporaryDirectory(dir=folder) as inner:
        for n, (what, suffix) in enumerate(items):
            name = file_name(document, what, suffix)
            with part(n / len(items), (n + 1) / len(items)):
                try:
                    made, told = write_download(document, what, suffix, Path(inner), calm, options)
                except SonifyError as e:
                    notes.append(f"{name} was left out: {said(e)}.")
                    continue
            report((n + 1) / len(items))
            files[made.name] = made.read_bytes()
            made.unlink()
            notes += [f"{name}: {line}" for line in told]
    _zip(path, files)
    return path, notes


def drawn(document: Document, suffix: str, options: FileOptions) -> bytes:
    """The drawing of the document's disc, with the defaults of the command `draw`."""
    from sonify.disc.geometry.cautions import geometry_of
    from sonify.export.drawing.drawing import drawing_of
    from sonify.export.drawing.drawing_formats import draw
    from sonify.studio.document import understand

    disc, _ = understand(document)
    side, kerf = options.side, options.given("draw", suffix).get("kerf", 0.0)
    drawing = drawing_of(disc, geometry_of(disc)[0], side=side, kerf=kerf, engrave=options.engrave)
    for one in drawing.cautions:
        warnings.warn(one, Caution, stacklevel=2)
    return draw(drawing, suffix, paper=options.paper)


def loudness_of(document: Document) -> float | None:
    """The loudness of the audible voices as rendered, in LUFS; None for silence.

    Source: Recommendation ITU-R BS.1770-4 (2015), by way of `sonify.export.sound.loudness`.
    """
    from math import isfinite

    from sonify.export.sound.master import mastered
    from sonify.export.sound.options import SoundOptions
    from sonify.settings import merge
    from sonify.studio.document import show_of

    raw = merge(document.setup, {"sound": {"loudness": "off"}})
    show = show_of(msgspec.structs.replace(document, setup=raw), audible_only=True)
    lufs = mastered(show, SoundOptions(to_s=min(COMPARED_S, show.music_s))).level.lufs
    return round(lufs, 2) if isfinite(lufs) else None
