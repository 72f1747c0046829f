"""The disc file: TOML, read and written."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from sonify.disc.code.code import Code
from sonify.disc.code.encoding import encode_grid
from sonify.disc.disc import Disc, grid_to_strings
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from sonify.settings import Settings, convert, to_builtins

__all__ = ["disc_from_table", "disc_to_toml"]


class DiscFile(Settings, frozen=True):
    """A whole disc file."""

    title: str = ""
    credits: tuple[str, ...] = ()
    message: str | None = None
    bits: tuple[str, ...] | None = None
    code: Code | None = None
    layout: Layout | None = None
    geometry: Geometry | None = None


def disc_from_table(data: dict[str, Any], *, name: str = "disc", file: object = None) -> Disc:
    """The disc of a disc file's table.

    Raises
    ------
    InputError
        An unknown key, a wrong type or value, both or neither of message and bits.
    """
    spec = convert(data, DiscFile, file)
    if (spec.message is None) == (spec.bits is None):
        wrong = "neither message nor bits" if spec.bits is None else "both message and bits"
        raise InputError(f"it gives {wrong}; a disc needs one of them", file=file)
    layout = spec.layout
    if layout is not None and spec.bits and "positions" not in data["layout"]:
        layout = msgspec.structs.replace(layout, positions=max(1, len(spec.bits[0])))
    rest: dict[str, Any] = {
        key: getattr(spec, key) for key in ("code", "geometry", "title", "credits")
    }
    try:
        if spec.message is not None:
            return Disc.from_message(spec.message, layout=layout, name=name, **rest)
        return Disc.from_bits(spec.bits or (), layout=layout, name=name, **rest)
    except InputError as e:
        raise e.at(file) from None


def _says_its_message(disc: Disc) -> bool:
    """Whether the message that the disc was made from makes its bits, which may be others now."""
    text, code = disc.given_message, disc.code
    if text is None or code is None:
        return False
    try:
        return np.array_equal(encode_grid(text, code, disc.positions), disc.grid)
    except InputError:
        return False


def disc_to_toml(disc: Disc) -> str:
    """The disc file of a disc, as text. Reading it back gives the same disc."""
    import tomli_w

    data: dict[str, Any] = {"title": disc.title, "credits": list(disc.credits)}
    data = {key: value for key, value in data.items() if value}
    if _says_its_message(disc):
        data["message"] = disc.given_message
    else:
        data["bits"] = grid_to_strings(disc.grid)
    for key in ("code", "layout", "geometry"):
        section = getattr(disc, key)
        if section is not None:
            data[key] = to_builtins(section)
    return tomli_w.dumps(data)
