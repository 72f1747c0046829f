"""Drafts: a quick look at a download before it is made, by the writers that make it."""

from __future__ import annotations

import base64
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from sonify.ranges import row_range
from sonify.settings import merge
from sonify.studio.document import Document, show_of
from sonify.studio.downloads import FileOptions, file_name
from sonify.studio.making import drawn, write_download
from sonify.studio.page import BITRATE
from sonify.studio.receive import MOST_PIXELS, picture_of

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["draft_of"]

MOST_HEARD_S = 12.0
"""The most of a sound that is rendered, in s: half a second of work (own choice)."""

ROWS = 2
"""How many rows of a score are engraved: what the page has room for."""

FRAME_S = 0.04
"""How long the frame of a moving picture stands, in s: one frame at 25 a second."""

LINES_ACROSS = 300
"""How many lines side by side would fill a drawing's draft: about a pixel each (own choice)."""

MOST_TEXT = 2400
"""Characters of a text that are shown: some 40 lines."""


def draft_of(
    document: Document, what: str, suffix: str, options: FileOptions, at: float
) -> dict[str, Any]:
    """A draft of a download.

    Parameters
    ----------
    document : Document
    what, suffix : str
        As in `downloads`.
    options : FileOptions
    at : float
        The moment of the piece that a picture of it shows, if it is in the chosen part, in s.

    Returns
    -------
    dict
        What there is to see or hear, as `image` or `sound` (a data URL) or as `text`, and `about`,
        a line on it. A picture of pixels also has the file's own `pixels`, width and height.
    """
    if what in ("disc", "preset"):
        with tempfile.TemporaryDirectory() as folder:
            path, _ = write_download(document, what, suffix, Path(folder))
            text = path.read_text(encoding="utf-8")
        return {
            "text": text[:MOST_TEXT],
            "about": f"The first {MOST_TEXT:,} characters" * (len(text) > MOST_TEXT),
        }
    if what == "draw":
        return _drawing(document, suffix, options)
    if what == "midi":
        return _tracks(show_of(document, audible_only=True))
    with tempfile.TemporaryDirectory() as folder:
        if what == "sound":
            return _sound(document, options)
        if what in ("score", "explain"):
            return _pages(document, what, options, Path(folder, "draft.svg"))
        if what == "page":
            return {}
        file_name(document, what, suffix)
        return _frame(document, what, options, at, Path(folder, "draft.png"))


def _data(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _drawing(document: Document, suffix: str, options: FileOptions) -> dict[str, Any]:
    from sonify.disc.geometry.cautions import geometry_of
    from sonify.export.drawing.svg import STROKE
    from sonify.studio.document import understand

    wide = geometry_of(understand(document)[0])[0].outer_diameter
    # the other kinds hold the same outlines
    kind = ".png" if suffix == ".png" else ".svg"
    data = drawn(document, kind, options)
    if kind == ".svg":  # hairlines can't be seen on a small picture
        thick = f'stroke-width="{wide / LINES_ACROSS:.3f}"'
        data = data.replace(f'stroke-width="{STROKE:g}"'.encode(), thick.encode())
    image = _data("image/png" if kind == ".png" else "image/svg+xml", data)
    return {"image": image, "about": f"{wide:g} mm across, {options.side}"}


def _tracks(show: Performance) -> dict[str, Any]:
    from sonify.midi.channels import DRUM_CHANNEL
    from sonify.midi.general_midi import PROGRAMS

    lines = [
        f"{p.name}: {'drums' if p.channel == DRUM_CHANNEL else PROGRAMS[p.program]}, "
        f"{len(p):,} notes"
        for p in show.parts
    ]
    return {"text": "\n".join(lines), "about": f"{show.tempo_bpm:.1f} bpm"}


def _sound(document: Document, options: FileOptions) -> dict[str, Any]:
    from sonify.export.sound.file import compressed
    from sonify.export.sound.options import SoundOptions

    show = show_of(document, audible_only=True)
    start = options.from_ or 0.0
    end = min(start + MOST_HEARD_S, show.music_s if options.to is None else options.to)
    data = compressed(show, ".mp3", BITRATE, SoundOptions(from_s=start, to_s=end))
    about = f"{start:.1f} s to {end:.1f} s; the whole file may be a little louder or softer"
    return {"sound": _data("audio/mpeg", data), "about": about}


def _pages(document: Document, what: str, options: FileOptions, path: Path) -> dict[str, Any]:
    from sonify.export.file_formats import run

    show = show_of(document, audible_only=True)
    given, about = options.given(what, ".svg"), ""
    if what == "score":
        first, last = row_range(given.get("rows", "1-"), show.disc.rows)
        if last - first >= ROWS:
            given = {"rows": f"{first + 1}-{first + ROWS}"}
            about = f"The first {ROWS} rows of {last - first + 1}"
    run(show, path, what, given)
    return {"image": _data("image/svg+xml", path.read_bytes()), "about": about}


def _frame(
    document: Document, what: str, options: FileOptions, at: float, path: Path
) -> dict[str, Any]:
    """One frame of a moving picture, at the file's own size."""
    from PIL import Image

    from sonify.export import clip
    from sonify.export.animation.options import needed_scroll

    views = document.setup.get("clip", {}).get("views", ())
    # titles stand for seconds before the piece begins
    others = [v for v in views if v != "title"]
    setup = merge(document.setup, {"clip": {"views": others}} if others else {})
    show = show_of(msgspec.structs.replace(document, setup=setup), audible_only=True)
    start, end = options.from_ or 0.0, show.message_s if options.to is None else options.to
    if what == "message":
        scroll = needed_scroll(show)
        start, end = scroll.start_s, scroll.end_s
    end -= FRAME_S
    at = at if start <= at <= end else (start + max(start, end)) / 2
    made = clip.Options(
        size=options.given(what, ".png").get("size"), from_s=at, to_s=at + FRAME_S,
        quality="rough", sound=False,
    )  # fmt: skip
    clip.write(show, path, made, "matrix" if what == "message" else what)
    with Image.open(path) as picture:
        wide, high = picture.size
    small = max(wide, high) <= MOST_PIXELS
    image = _data("image/png", path.read_bytes()) if small else picture_of(path)
    return {
        "image": image,
        "about": f"{wide} × {high} pixels, at {at:.1f} s",
        "pixels": [wide, high],
    }
