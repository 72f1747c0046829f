"""The page's document: the table of a disc file and the table of a preset file.

The document is the whole state. The page keeps it and the server does not, so that two tabs can't
disturb each other.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from sonify.disc.code.code import Code
from sonify.errors import InputError
from sonify.settings import Settings, convert, merge, to_builtins

if TYPE_CHECKING:
    from sonify.disc.disc import Disc
    from sonify.performance import Performance
    from sonify.performance_settings import Setup

MAX_POSITIONS = 400_000
"""The most positions that the page accepts; the command line accepts more."""

FIRST_DISC = "cairn-middle"
FIRST_PRESETS = ("hut-band",)

Recipe = tuple[str, tuple[str, ...], dict[str, Any]]
"""What makes a document's files: a disc, presets that ship, and single settings over them."""

Command = Callable[..., str]
"""Gives the command line of a verb, a recipe, an output file and whether to reduce flashing."""
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


def safe_name(text: str) -> str:
    """A text as a file stem: no separators, no leading dot, at most 60 characters."""
    return _SAFE.sub("-", text).strip(" .-")[:60] or "disc"


def names_that_ship(*kinds: str) -> set[str]:
    """The names of all discs or presets that ship, by kind."""
    from sonify.presets import shipped

    return {s.name for s in shipped() if s.kind in kinds}


def understand(document: Document) -> tuple[Disc, Setup]:
    """The disc and the settings of a document.

    Raises
    ------
    InputError
        With the place in the document; places in the disc begin with `disc.`.
    """
    from sonify.performance_settings import Setup
    from sonify.studio.bounds import check_bounds

    disc = disc_of(document)
    check_size(disc.grid.size, "disc.message")
    refuse_paths(document.setup)
    setup = convert(document.setup, Setup)
    check_bounds(disc, setup)
    return disc, setup


def check_size(positions: int, place: str | None = None) -> None:
    """Refuse discs that are too large for the page.

    Raises
    ------
    InputError
    """
    if positions > MAX_POSITIONS:
        raise InputError(
            f"{positions:,} positions are too many for the page; at most {MAX_POSITIONS:,}. "
            "The command line accepts more",
            place=place,
        )


def disc_of(document: Document) -> Disc:
    """The disc of a document, with calculated sizes if `fit` asks for them."""
    import json

    return _disc(json.dumps([document.disc, document.fit]), safe_name(document.name))


@lru_cache(maxsize=16)
def _disc(tables: str, name: str) -> Disc:
    """The same disc for the same tables, as most changes on the page are not of the disc."""
    import json

    from sonify.disc.file import disc_from_table
    from sonify.disc.geometry.fit import FitSpec, fit

    table, wanted = json.loads(tables)
    message = table.get("message")
    if isinstance(message, str) and len(message) > MAX_POSITIONS // 5:
        raise InputError("the message is too long for the page", place="disc.message")
    try:
        if wanted is None or not isinstance(message, str) or not message:
            return disc_from_table(table, name=name)
        plain = {k: v for k, v in table.items() if k != "geometry"}
        disc = disc_from_table(plain, name=name)
        spec = convert(wanted, FitSpec)
        try:
            found = fit(message, disc.code or Code(), disc.layout, spec)
        except InputError as e:
            key = (e.place or "message").rpartition(".")[2]
            place = f"fit.{key}" if key in to_builtins(FitSpec()) | wanted else key
            raise InputError(e.what, place=place) from None
        sizes = {"layout": to_builtins(found.layout), "geometry": to_builtins(found.geometry)}
        return disc_from_table({**plain, **sizes}, name=name)
    except InputError as e:
        place = (e.place or "").strip("[]")
        raise InputError(e.what, place=f"disc.{place}" if place else "disc") from None


_PATH_KEYS = frozenset({"soundfont", "letters", "font", "picture", "image", "overlay"})
_NO_PATHS = frozenset({"", "none", "cairn", "general-midi"})
_SUFFIXES = frozenset(
    {".sf2", ".sf3", ".ttf", ".otf", ".bdf", ".png", ".jpg", ".jpeg", ".webp"}
)  # fmt: skip

trusted: set[str] = set()
"""Paths from the presets that the studio was started with; the page may use them."""


def _texts(table: Any, place: str = "", key: str = "") -> Iterator[tuple[str, str, str]]:
    """The place, key and value of each text in a table."""
    if isinstance(table, dict):
        for name, value in table.items():
            yield from _texts(value, f"{place}.{name}" if place else name, name)
    elif isinstance(table, list):
        for n, value in enumerate(table):
            yield from _texts(value, f"{place}[{n}]", key)
    elif isinstance(table, str):
        yield place, key, table


def refuse_paths(table: dict[str, Any]) -> None:
    """Refuse settings that would make the server open a file of the page's choice.

    Raises
    ------
    InputError
    """
    for place, key, value in _texts(table):
        path = key in _PATH_KEYS and value not in _NO_PATHS
        file = "." in value and Path(value).suffix.casefold() in _SUFFIXES
        if (path or file) and value not in trusted:
            raise InputError(
                "the page can't open files by path; put the path in a preset and start the studio "
                "with it",
                place=place,
            )


def show_of(document: Document, *, audible_only: bool = False) -> Performance:
    """The performance of a document; without its muted voices if `audible_only`."""
    from sonify.performance import perform

    disc, setup = understand(without_muted(document) if audible_only else document)
    return perform(disc, setup=setup)


def without_muted(document: Document) -> Document:
    """A document that has only its audible voices.

    Raises
    ------
    InputError
        All voices are muted.
    """
    voices = document.setup.get("music", {}).get("voice")
    if not document.muted or voices is None:
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

    setup, music = document.setup, document.setup.get("music", {})
    parts = [document.disc, document.fit, *(setup.get(k) for k in ("player", "light"))]
    parts += [music.get(k) for k in ("step", "timing", "metre")]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:24]


def lay(setup: dict[str, Any], name: str) -> dict[str, Any]:
    """A shipped preset laid over a settings table.

    A music preset replaces all music settings, and a look all settings of the look.
    """
    from sonify.performance_settings import Setup
    from sonify.presets import shipped
    from sonify.settings import load_toml

    one = next((s for s in shipped() if s.name == name and s.kind != "disc"), None)
    if one is None:
        raise InputError(f"no shipped preset is called '{name}'", place="preset")
    table = load_toml(one.path)
    convert(table, Setup, name)
    replaced = {"music": "music", "look": "light"}.get(one.kind)
    out = merge({k: v for k, v in setup.items() if k != replaced}, table)
    out.pop("about", None)
    return out


def starting(source: str | None, presets: tuple[str, ...]) -> dict[str, Any]:
    """The document that a page opens with, as builtins."""
    from sonify.performance_settings import load_setup

    setup = to_builtins(load_setup(presets))
    setup.pop("about", None)
    trusted.update(value for _, key, value in _texts(setup) if key in _PATH_KEYS)
    known = names_that_ship("music", "player", "look")
    return {
        **disc_document(source or FIRST_DISC),
        "setup": setup,
        "presets": [p for p in presets if p in known],
        "muted": [],
    }


def disc_document(source: str) -> dict[str, Any]:
    """The disc half of a document, from the name of a shipped disc or a path given to the command
    (never one from the page)."""
    from sonify.load import load_disc

    disc = load_disc(source)
    return {
        "disc": disc_table(disc),
        "name": disc.name,
        "shipped": source if source in names_that_ship("disc") else None,
        "fit": None,
    }


def disc_table(disc: Disc) -> dict[str, Any]:
    """A disc as the table of its file."""
    import tomllib

    from sonify.disc.file import disc_to_toml

    check_size(disc.grid.size)
    return tomllib.loads(disc_to_toml(disc))


def preset_toml(document: Document) -> str:
    """The settings as a preset file."""
    import tomli_w

    _, setup = understand(without_muted(document))
    table = preset_table(setup)
    table.pop("about", None)
    about = f"made in the studio for {safe_name(document.name)}"
    return tomli_w.dumps({"about": about, **table})


def preset_table(setup: Setup) -> dict[str, Any]:
    """Settings as the table of a preset."""
    from sonify.performance_settings import Setup

    table = trimmed(to_builtins(setup), to_builtins(Setup()))
    if "tempo" in table.get("music", {}):
        table["music"].pop("step", None)  # a tempo chooses the step
    return table


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
    from sonify.performance_settings import load_setup

    known = names_that_ship("music", "player", "look")
    for name in presets:
        if name not in known:
            raise InputError(f"no shipped preset is called '{name}'", place="presets")
    out: dict[str, Any] = to_builtins(load_setup(presets))
    return out


def recipe(document: Document) -> Recipe:
    """The shortest recipe for a document without its muted voices.

    The disc is the name of one that ships, or that of the document's own disc file.
    """
    document = without_muted(document)
    disc = document.shipped or f"{safe_name(document.name)}.toml"
    setup, shipped = to_builtins(understand(document)[1]), _shipped_settings(document.presets)
    settings = dict(differences(setup, shipped))
    if "tempo" in setup["music"]:
        settings.pop("music.step", None)  # a tempo chooses the step
    elif "tempo" in shipped["music"]:
        settings["music.step"] = setup["music"]["step"]  # takes the preset's tempo away
    return disc, document.presets, settings


def differences(
    new: dict[str, Any], old: dict[str, Any], at: str = ""
) -> Iterator[tuple[str, Any]]:
    """Dotted keys and values that turn one settings table into another."""
    for key, value in new.items():
        dotted, before = f"{at}.{key}" if at else key, old.get(key)
        if key == "about" or value == before:
            continue
        if isinstance(value, dict) and isinstance(before, dict) and dotted.count(".") < 2:
            yield from differences(value, before, dotted)
        elif _same_but_values(value, before):
            for n, (a, b) in enumerate(zip(value, before or (), strict=True)):
                yield from differences(a, b, f"{dotted}.{n}")
        else:
            yield dotted, value


def _same_but_values(new: Any, old: Any) -> bool:
    """Whether two lists of tables differ only by values that single settings can change."""
    return (
        isinstance(new, list)
        and isinstance(old, list)
        and len(new) == len(old)
        and all(isinstance(v, dict) for v in [*new, *old])
        and all(set(b) <= set(a) for a, b in zip(new, old, strict=True))
    )
