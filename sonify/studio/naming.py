"""Errors and cautions in the page's words: a setting is called by the label of its control."""

from __future__ import annotations

import re

from sonify.errors import Caution, SonifyError

__all__ = ["naming", "place_of", "said"]

_READ = " of `sonify read`"
_HELP = "under “Help the reader”"
_READER = {
    "positions": f"“Positions per turn” {_HELP}",
    "rows": f"“Rows of the disc” {_HELP}",
    "sample-rate": f"“Samples per second” {_HELP}",
    "preset": "the music and player presets it was played with",
}
"""What the page calls the arguments of its readers."""


def naming(key: str) -> str:
    """What the page calls the setting or argument of a key."""
    from sonify.studio.tables import tables

    if key in _READER:
        return _READER[key]
    section, _, name = key.rpartition(".")
    if not section:
        return f"`{key}`{_READ}"
    rows = tables()["sections"].get(section, ())
    return next((f"“{row['label']}”" for row in rows if row["key"] == name), key)


def said(e: SonifyError | Caution) -> str:
    """The text to show; the page marks the place at its control."""
    text = type(e)(e.what, key=e.key, hint=e.hint).say(naming)
    # in a list of arguments the last one says whose they are
    return re.sub(f"{re.escape(_READ)}(?=.*{re.escape(_READ)})", "", text)


def place_of(e: SonifyError) -> str | None:
    """The setting that the page marks as wrong."""
    return e.place or (e.key.split(", ")[0] if e.key else None)
