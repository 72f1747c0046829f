"""A page to share: disc, lamps, notes, message and sound in one file that needs no network."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import mimetypes
import re
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from sonify.atomic import write_data
from sonify.errors import OutputError

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["studio_files", "write_page"]

BITRATE = 96
"""Of the sound, in kbit/s: a one-minute page stays well under 3 MB."""

_STATIC = Path(__file__).parent / "static"
_IMPORT = re.compile(r'(from|import) "\./([\w-]+\.js)"')
_PLAYER = re.compile(r'<section class="player".*?</section>', re.DOTALL)
_PLAY = re.compile(r'<button type="button" id="play".*?</button>', re.DOTALL)
"""The parts of the studio's page that the shared page has too."""
_URL = re.compile(r'url\("(fonts/[\w.-]+)"\)')


def write_page(show: Performance, path: Path) -> None:
    """Write a page that plays a performance.

    Parameters
    ----------
    show : Performance
    path : Path

    Raises
    ------
    OutputError
        The place can't be written.
    """
    from sonify.export.sound.file import compressed
    from sonify.studio.answer import arrays_of, facts
    from sonify.studio.flashing import check
    from sonify.studio.packing import pack

    if path.suffix.casefold() not in (".html", ".htm"):
        raise OutputError("a page ends in .html", file=path)
    found = check(show)
    flash = {"over": found["over"], "text": found["text"]}
    told = pack({**facts(show), "flash": flash}, arrays_of(show))
    modules = {
        f"sonify/{name}": _data("text/javascript", text) for name, text in _modules("shared.js")
    }
    studio = _text("index.html")
    parts = {
        "PLAYER": _part(_PLAYER, studio),
        "PLAY": _part(_PLAY, studio),
        "TITLE": html.escape(show.disc.display_name),
        "STYLE": _URL.sub(_font, _text("player.css")),
        "MODULES": json.dumps({"imports": modules}),
        "SOUND": _data("audio/mpeg", compressed(show, ".mp3", BITRATE)),
        "SHOW": base64.b64encode(told).decode(),
    }
    page = _text("shared.html")
    page = re.sub(r"<!--([A-Z]+)-->", lambda found: parts[found[1]], page)
    write_data(path, page)


@lru_cache(maxsize=1)
def studio_files() -> dict[str, tuple[bytes, str, str]]:
    """The files of the studio's page by their paths: content, media type and entity tag.

    They are kept in memory: looking each up on the disk takes longer than all else until the page
    is ready. The page names all its scripts at its top, so that the browser need not find them one
    level of imports after the other.
    """
    out = {}
    for path in sorted(p for p in _STATIC.rglob("*") if p.is_file()):
        name, content = path.relative_to(_STATIC).as_posix(), path.read_bytes()
        if name == "index.html":
            scripts = [f'<link rel="modulepreload" href="{s}">' for s, _ in _modules("main.js")]
            content = content.replace(b"<script", "\n".join([*scripts, "<script"]).encode(), 1)
        # a system's own table may lack these or differ
        kind = {".js": "text/javascript", ".woff2": "font/woff2"}.get(path.suffix)
        kind = kind or mimetypes.guess_type(name)[0] or "application/octet-stream"
        out[name] = content, kind, f'"{hashlib.sha256(content).hexdigest()[:32]}"'
    return {**out, "": out["index.html"]}


def _modules(first: str) -> list[tuple[str, bytes]]:
    """A script and those that it needs, which import each other by bare names."""
    out: dict[str, bytes] = {}
    wanted = [first]
    while wanted:
        name = wanted.pop()
        if name in out:
            continue
        text = _text(name)
        wanted += [other for _, other in _IMPORT.findall(text)]
        out[name] = _IMPORT.sub(r'\1 "sonify/\2"', text).encode()
    return sorted(out.items())


def _part(pattern: re.Pattern[str], text: str) -> str:
    found = pattern.search(text)
    assert found is not None
    return found[0]


def _text(name: str) -> str:
    return (_STATIC / name).read_text(encoding="utf-8")


def _data(kind: str, data: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def _font(found: re.Match[str]) -> str:
    return f'url("{_data("font/woff2", (_STATIC / found[1]).read_bytes())}")'
