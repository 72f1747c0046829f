"""Drawings of a disc: one file per kind, found by suffix. `DRAWINGS` is the table."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sonify.errors import InputError

if TYPE_CHECKING:
    from sonify.export.drawing.drawing import Drawing

__all__ = ["DRAWINGS", "Kind", "draw", "kind_of"]


class Kind(NamedTuple):
    """One kind of drawing: where its function of the same name is, the options that it takes
    beside the drawing, what it is for, and whether it is made to cut by."""

    module: str
    options: tuple[str, ...]
    about: str
    to_cut: bool = True


DRAWINGS: dict[str, Kind] = {
    ".svg": Kind("svg", (), "real size, hairlines, a group for each kind of line"),
    ".dxf": Kind("dxf", (), "R2010 in mm, a layer for each kind of line"),
    ".pdf": Kind("pdf", ("paper",), "1:1 with a bar to check the printer by, on one page or many"),
    ".png": Kind("png", ("size", "material"), "a picture of the finished disc", False),
    ".csv": Kind("csv", (), "centres and diameters: x_mm, y_mm, diameter_mm, kind"),
}


def kind_of(path: str | Path) -> Kind:
    """The kind of drawing of a file's suffix.

    Raises
    ------
    InputError
        With the suffixes that are offered.
    """
    suffix = Path(path).suffix
    found = DRAWINGS.get(suffix.casefold())
    if found is None:
        shown = f"'{suffix}' is not offered" if suffix else "a suffix is needed"
        raise InputError(f"{shown} for a drawing; one of: {', '.join(DRAWINGS)}", file=path)
    return found


def draw(drawing: Drawing, suffix: str, **options: object) -> bytes:
    """The bytes of a drawing's file.

    `options` are those of its kind; the others are left aside.
    """
    kind = kind_of(Path(f"drawing{suffix}"))
    module = importlib.import_module(f"sonify.export.drawing.{kind.module}")
    given = {k: v for k, v in options.items() if k in kind.options and v is not None}
    out: bytes = getattr(module, kind.module)(drawing, **given)
    return out
