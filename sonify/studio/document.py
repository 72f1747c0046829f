"""The page's document: the table of a disc file and the table of a preset file.

The document is the whole state. It lives in the page and the server keeps none, so that two tabs
can't disturb each other.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from sonify.disc.code.code import Code
from sonify.errors import InputError
from sonify.settings import Settings, convert, merge, to_builtins

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.performance import Performance
    from sonify.setup import Setup

__all__ = [
    "MAX_POSITIONS",
    "Document",
    "Recipe",
    "lay",
    "preset_toml",
    "recipe",
    "show_of",
    "starting",
]

MAX_POSITIONS = 400_000
"""The most positions that the page accepts; the commands accept more."""

FIRST_DISC = "cairn-middle"
_SAFE = re.compile(r"[^\w .-]+", re.UNICODE)


class Document(Settings, frozen=True):
    """What the page sends.

    `disc` is the table of a disc file and `setup` that of a preset. Files are named after `name`.
    `shipped` is the shipped disc that `disc` still equals, `presets` are those that `setup` started
    from, and `muted` the silent voices, counted from 0. With a fit specification in `fit`, the
    positions and the geometry are calculated to hold the message.
    """

    disc: dict[str, Any]
    setup: dict[str, Any] = msgspec.field(default_factory=dict)
    name: str = "disc"
    shipped: str | None = None
    presets: tuple[str, ...] = ()
    muted: tuple[int, ...] = ()
    fit: dict[str, Any] | None = None


@dataclass(frozen=True)
class Made:
    """A document with its disc and settings."""

    document: Document
    disc: Disc
    setup: Setup

    @property
    def name(self) -> str:
        """A name that is safe for a file."""
        return safe_name(self.document.name)


def safe_name(text: str) -> str:
    """A text as a file stem: no separators, no leading dot, at most 60 characters."""
    return _SAFE.sub("-", text).strip(" .-")[:60] or "disc"


def understand(document: Document) -> Made:
    """The disc and the settings of a document.

    Raises
    ------
    InputError
        With the place in the document; places in the disc begin with `disc.`.
    """
    from sonify.setup import Setup
    from sonify.studio.bounds import check_bounds

    disc = disc_of(document)
    if disc.grid.size > MAX_POSITIONS:
        raise InputError(
            f"{disc.grid.size:,} positions are too many for the page; at most {MAX_POSITIONS:,}. "
            "The commands accept more: try `sonify midi`",
            place="disc.message",
        )
    refuse_paths(document.setup)
    data = {k: v for k, v in document.setup.items() if k != "about"}
    setup = convert(data, Setup)
    check_bounds(disc, setup)
    return Made(document, disc, setup)


def disc_of(document: Document) -> Disc:
    """The disc of a document, with calculated sizes if `fit` asks for them."""
    from sonify.disc.file import disc_from_table
    from sonify.disc.geometry.fit import FitSpec, fit

    name = safe_name(document.name)
    message = document.disc.get("message")
    if isinstance(message, str) and len(message) > MAX_POSITIONS // 5:
        raise InputError("the message is too long for the page", place="disc.message")
    try:
        if document.fit is None or not isinstance(message, str) or not message:
            return disc_from_table(document.disc, name=name)
        plain = {k: v for k, v in document.disc.items() if k != "geometry"}
        disc = disc_from_table(plain, name=name)
        wish = convert(document.fit, FitSpec)
        try:
            found = fit(message, disc.code or Code(), disc.layout, wish)
        except InputError as e:
            key = (e.place or "message").rpartition(".")[2]
            place = f"fit.{key}" if key in to_builtins(FitSpec()) | document.fit else key
            raise InputError(e.what, place=place) from None
        table = {
            **plain,
            "layout": to_builtins(found.layout),
            "geometry": to_builtins(found.geometry),
        }
        return disc_from_table(table, name=name)
    except InputError as e:
        place = (e.place or "").strip("[]")
        raise InputError(e.what, place=f"disc.{place}" if place else "disc") from None


# settings that name a file: the page must not be able to open files
_PATH_KEYS = frozenset({"soundfont", "letters", "font", "picture", "image", "overlay"})
_NO_PATHS = frozenset({"", "none", "cairn", "general-midi"})

trusted: set[str] = set()
"""Paths from the command's own arguments, which the page may use."""


def refuse_paths(table: dict[str, Any], place: str = "") -> None:
    """Refuse settings that would open a file by a path from the page.

    Raises
    ------
    InputError
    """
    for key, value in table.items():
        where = f"{place}.{key}" if place else key
        if isinstance(value, dict):
            refuse_paths(value, where)
        elif isinstance(value, list):
            for n, one in enumerate(value):
                if isinstance(one, dict):
                    refuse_paths(one, f"{where}[{n}]")
        elif isinstance(value, str):
            named = key in _PATH_KEYS and value not in _NO_PATHS | trusted
            pathlike = Path(value).suffix.casefold() in _KINDS_OF_FILES
            if named or (pathlike and value not in trusted):
                raise InputError(
                    "the page can't open files by path; put the path in a preset and start with "
                    "`sonify studio -p your.toml`",
                    place=where,
                )


_KINDS_OF_FILES = frozenset(
    {".sf2", ".sf3", ".ttf", ".otf", ".bdf", ".png", ".jpg", ".jpeg", ".webp"}
)


def trust(table: dict[str, Any]) -> None:
    """Trust the paths in a table that came from the command's arguments."""
    for key, value in table.items():
        if isinstance(value, dict):
            trust(value)
        elif isinstance(value, str) and key in _PATH_KEYS:
            trusted.add(value)


def show_of(document: Document, *, audible_only: bool = False) -> Performance:
    """The performance of a document; without its muted voices if `audible_only`."""
    from sonify.performance import perform

    made = understand(_without_muted(document) if audible_only else document)
    return perform(made.disc, setup=made.setup)


def _without_muted(document: Document) -> Document:
    if not document.muted:
        return document
    voices = document.setup.get("music", {}).get("voice")
    if voices is None:
        return document
    kept = [v for n, v in enumerate(voices) if n not in document.muted]
    if not kept:
        raise InputError("all voices are muted; unmute one to make a file", place="music.voice")
    setup = merge(document.setup, {"music": {"voice": kept}})
    return msgspec.structs.replace(document, setup=setup, muted=())


def flash_key(document: Document) -> str:
    """What decides how a document flashes, as a short text: disc, player, look and timing."""
    import hashlib
    import json

    setup = {k: v for k, v in document.setup.items() if k in ("player", "light")}
    music = {
        k: v for k, v in document.setup.get("music", {}).items() if k in ("step", "timing", "metre")
    }
    text = json.dumps([document.disc, document.fit, setup, music], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def lay(setup: dict[str, Any], name: str) -> dict[str, Any]:
    """A shipped preset laid over a settings table.

    A music preset replaces all music settings, and a look all settings of the look.
    """
    from sonify.presets import shipped
    from sonify.settings import load_toml
    from sonify.setup import Setup

    one = next((s for s in shipped() if s.name == name and s.kind != "disc"), None)
    if one is None:
        raise InputError(f"no shipped preset is called '{name}'", place="preset")
    table = load_toml(one.path)
    convert(table, Setup, name)
    below = dict(setup)
    for section in {"music": ("music",), "look": ("light",)}.get(one.kind, ()):
        below.pop(section, None)
    out = merge(below, table)
    out.pop("about", None)
    return out


def starting(source: str | None, presets: tuple[str, ...]) -> dict[str, Any]:
    """The document that a page opens with, as builtins."""
    from sonify.presets import shipped
    from sonify.setup import load_setup

    setup = load_setup(presets)
    data = to_builtins(setup)
    data.pop("about", None)
    trust(data)
    names = {s.name for s in shipped() if s.kind != "disc"}
    document = disc_document(source or FIRST_DISC)
    return {
        **document,
        "setup": data,
        "presets": [p for p in presets if p in names],
        "muted": [],
        "fit": None,
    }


def disc_document(source: str) -> dict[str, Any]:
    """The disc half of a document, from the name of a shipped disc or a path given to the command
    (never one from the page)."""
    from sonify.load import load_disc
    from sonify.presets import shipped

    disc = load_disc(source)
    known = any(s.name == source and s.kind == "disc" for s in shipped())
    return {
        "disc": disc_table(disc),
        "name": disc.name,
        "shipped": source if known else None,
        "fit": None,
    }


def disc_table(disc: Disc) -> dict[str, Any]:
    """A disc as the table of its file."""
    import tomllib

    from sonify.disc.file import disc_to_toml

    if disc.grid.size > MAX_POSITIONS:
        raise InputError(
            f"{disc.grid.size:,} positions are too many for the page; at most {MAX_POSITIONS:,}. "
            "The commands accept more: try `sonify midi`"
        )
    return tomllib.loads(disc_to_toml(disc))


def preset_toml(document: Document) -> str:
    """The settings as a preset file."""
    import tomli_w

    from sonify.setup import Setup

    made = understand(_without_muted(document))
    table = trimmed(to_builtins(made.setup), to_builtins(Setup()))
    table.pop("about", None)
    return tomli_w.dumps({"about": f"made in the studio for {made.name}", **table})


def trimmed(table: dict[str, Any], plain: dict[str, Any]) -> dict[str, Any]:
    """The part of a table that differs from the defaults."""
    out: dict[str, Any] = {}
    for key, value in table.items():
        if key in plain and value == plain[key]:
            continue
        if isinstance(value, dict) and isinstance(plain.get(key), dict):
            out[key] = trimmed(value, plain[key])
        else:
            out[key] = value
    return out


@lru_cache(maxsize=64)
def _shipped_settings(presets: tuple[str, ...]) -> dict[str, Any]:
    """The settings of shipped presets."""
    from sonify.presets import shipped
    from sonify.setup import load_setup

    known = {s.name for s in shipped() if s.kind != "disc"}
    for name in presets:
        if name not in known:
            raise InputError(f"no shipped preset is called '{name}'", place="presets")
    out: dict[str, Any] = to_builtins(load_setup(presets))
    return out


class Recipe(NamedTuple):
    """What makes a document's files: a disc, presets that ship, and single settings over them."""

    disc: str
    presets: tuple[str, ...]
    settings: dict[str, Any]


def recipe(document: Document) -> Recipe:
    """The shortest recipe for a document without its muted voices.

    The disc is the name of one that ships, or that of the document's own disc file.
    """
    document = _without_muted(document)
    disc = document.shipped or f"{safe_name(document.name)}.toml"
    setup = to_builtins(understand(document).setup)
    changes = differences(setup, _shipped_settings(document.presets))
    return Recipe(disc, document.presets, dict(changes))


def differences(new: dict[str, Any], old: dict[str, Any], at: str = "") -> list[tuple[str, Any]]:
    """Dotted keys and values that turn one settings table into another."""
    out: list[tuple[str, Any]] = []
    for key, value in new.items():
        dotted = f"{at}.{key}" if at else key
        if key == "about" or value == old.get(key):
            continue
        if isinstance(value, dict) and isinstance(old.get(key), dict) and dotted.count(".") < 2:
            out += differences(value, old[key], dotted)
        elif _same_but_values(value, old.get(key)):
            for n, (a, b) in enumerate(zip(value, old[key], strict=True)):
                out += differences(a, b, f"{dotted}.{n}")
        else:
            out.append((dotted, value))
    return out


def _same_but_values(new: Any, old: Any) -> bool:
    """Whether two lists of tables differ only by values that single settings can change."""
    return (
        isinstance(new, list)
        and isinstance(old, list)
        and len(new) == len(old)
        and all(isinstance(v, dict) for v in [*new, *old])
        and all(set(b) <= set(a) for a, b in zip(new, old, strict=True))
    )
