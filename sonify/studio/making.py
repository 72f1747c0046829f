"""Makes a download, with the writers of the command line."""

from __future__ import annotations

import warnings
from pathlib import Path

import msgspec

from sonify.errors import Caution
from sonify.export.file_formats import MOVING, run
from sonify.studio.document import Document
from sonify.studio.downloads import file_name

__all__ = ["loudness_of", "write_download"]

COMPARED_S = 60.0
"""How much of a piece its loudness is measured on, in s: a second of work."""


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
