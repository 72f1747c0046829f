"""The disc file: TOML, read and written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from sonify.disc.code.code import Code
from sonify.disc.disc import Disc, grid_to_strings
from sonify.disc.layout import Layout
from sonify.disc.sizes import Geometry
from sonify.errors import InputError
from sonify.settings import Settings, convert, load_toml, to_builtins

__all__ = ["DiscFile", "disc_from_table", "disc_to_toml", "read_disc_file"]


class DiscFile(Settings, frozen=True):
    """All of a disc file."""

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
    if spec.message is not None and spec.bits is not None:
        raise InputError("it gives both message and bits; keep one of them", file=file)
    try:
        if spec.message is not None:
            return Disc.from_message(
                spec.message,
                code=spec.code,
                layout=spec.layout,
                geometry=spec.geometry,
                title=spec.title,
                credits=spec.credits,
                name=name,
            )
        if spec.bits is not None:
            given = "positions" in data.get("layout", {})
            layout = spec.layout
            if layout is not None and not given and spec.bits:
                layout = msgspec.structs.replace(layout, positions=max(1, len(spec.bits[0])))
            return Disc.from_bits(
                spec.bits,
                code=spec.code,
                layout=layout,
                geometry=spec.geometry,
                title=spec.title,
                credits=spec.credits,
                name=name,
            )
    except InputError as e:
        raise e.at(file) from None
    raise InputError("it gives neither message nor bits; a disc needs one of them", file=file)


def read_disc_file(path: str | Path) -> Disc:
    """Read a disc file.

    Raises
    ------
    InputError
        With the file, the place in it, what is wrong and what would be right.
    """
    path = Path(path)
    return disc_from_table(load_toml(path), name=path.stem, file=path)


def disc_to_toml(disc: Disc) -> str:
    """The disc file of a disc, as text. Reading it back gives the same disc."""
    import tomli_w

    data: dict[str, Any] = {}
    if disc.title:
        data["title"] = disc.title
    if disc.credits:
        data["credits"] = list(disc.credits)
    if disc.given_message is not None:
        data["message"] = disc.given_message
    else:
        data["bits"] = grid_to_strings(disc.grid)
    for key in ("code", "layout", "geometry"):
        section = getattr(disc, key)
        if section is not None:
            data[key] = to_builtins(section)
    return tomli_w.dumps(data)
