"""What helps to choose a preset: how each measures on the page's disc, and which are alike."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import msgspec

from sonify.studio.document import Document, lay, understand

if TYPE_CHECKING:
    from sonify.disc.disc import Disc

__all__ = ["measures_of_presets"]

MOST_POSITIONS = 4096
"""Longer discs are measured by their first rows, about 2 s of work for 25 presets."""


def measures_of_presets(document: Document) -> list[dict[str, Any]]:
    """The measures of each musical preset on a document's disc and player.

    Returns
    -------
    list of dict
        `name`, `density` in notes per second, `key`, `clarity` from -1 to 1, `letters` (how far
        the notes tell the letters, 0 to 1), `drums`, and `like`: the other presets with their
        distances from 0 to 1, the nearest first. Presets that the disc can't be played with are
        left out.

    Raises
    ------
    InputError
        Whatever is wrong in the document.
    """
    from sonify.errors import InputError
    from sonify.music.measures.nearness import piece_distance, profile_of_parts
    from sonify.music.measures.piece import measured
    from sonify.performance import perform
    from sonify.presets import shipped

    disc = _start_of(understand(document)[0])
    found: list[dict[str, Any]] = []
    profiles = {}
    for name in [s.name for s in shipped() if s.kind == "music"]:
        try:
            laid = msgspec.structs.replace(document, setup=lay(document.setup, name))
            show = perform(disc, setup=understand(laid)[1])
            m = measured(show.parts, show.bit_stream, show.grid, show.setup.music)
        except InputError:
            continue
        profiles[name] = profile_of_parts(show.parts, show.grid, show.tick_s)
        facts = {"density": m.density, "key": m.key, "clarity": m.clarity}
        found.append({"name": name, **facts, "letters": m.traceability, "drums": m.drums})
    for one in found:
        mine = profiles[one["name"]]
        away = [(n, piece_distance(mine, p)) for n, p in profiles.items() if n != one["name"]]
        one["like"] = [[n, round(d, 4)] for n, d in sorted(away, key=lambda pair: pair[1])]
    return found


def _start_of(disc: Disc) -> Disc:
    rows = max(1, MOST_POSITIONS // disc.positions)
    return disc if rows >= disc.rows else replace(disc, grid=disc.grid[:rows].copy(), geometry=None)
