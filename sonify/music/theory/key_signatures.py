"""Key signatures: the sharps or flats of a scale on its root."""

from __future__ import annotations

import re

from sonify.music.theory.scale_table import Scale

__all__ = ["key_signature"]

_FIFTHS = (0, 7, 2, -3, 4, -1, 6, 1, -4, 3, -2, 5)
"""Sharps (or, below 0, flats) of the major key on each pitch class from C on."""

_LETTERS = "FCGDAEB"


def key_signature(scale: Scale, root: int, name: str = "") -> tuple[int, bool] | None:
    """Sharps (flats below 0) and whether the key is minor; None where the scale has none.

    Parameters
    ----------
    scale : Scale
    root : int
        MIDI note number.
    name : str, optional
        The root as it is written, so that Db has flats and C# sharps.

    Examples
    --------
    >>> from sonify.music.theory.scales import SCALES
    >>> key_signature(SCALES["major"], 61, "Db4"), key_signature(SCALES["dorian"], 62)
    ((-5, False), (0, False))
    """
    if scale.key is None:
        return None
    found = re.match(r"([A-Ga-g])(##?|bb?|x)?", name.strip())
    if found:
        sign = {"#": 1, "##": 2, "x": 2, "b": -1, "bb": -2}.get(found[2] or "", 0)
        sharps = _LETTERS.index(found[1].upper()) - 1 + 7 * sign
    else:
        sharps = _FIFTHS[root % 12]
    sharps += scale.key
    while sharps > 7:
        sharps -= 12
    while sharps < -7:
        sharps += 12
    return sharps, scale.mode == "minor"
