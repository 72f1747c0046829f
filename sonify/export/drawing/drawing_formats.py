"""The table of drawing formats, `DRAWINGS`: a module for each suffix."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sonify.errors import InputError
from sonify.extras import require

if TYPE_CHECKING:
    from sonify.export.drawing.drawing import Drawing

__all__ = ["DRAWINGS", "SAFETY", "Kind", "draw", "kind_of"]

SAFETY = (
    "Caution: cutting machines, their fumes and dust, and spinning discs can injure people. Follow "
    "the machine's manual and your local rules. Know what your material gives off (never cut PVC "
    "with a laser: it gives off chlorine) and extract the fumes. Never leave a laser cutter "
    "unattended. Wear eye protection and remove burrs. Guard a spinning disc, and keep hair, "
    "sleeves and fingers away from it. Ask a qualified person when in doubt."
)
"""What whoever cuts a disc should know."""


class Kind(NamedTuple):
    """One kind of drawing: its module and function (of the same name), the options it takes,
    whether a machine can cut from it, and the extra that it needs."""

    module: str
    options: tuple[str, ...] = ()
    to_cut: bool = True
    extra: str | None = None


DRAWINGS: dict[str, Kind] = {
    ".svg": Kind("svg", ("stroke",)),
    ".dxf": Kind("dxf", ("dxf-version",), extra="drawing"),
    ".pdf": Kind("pdf", ("paper", "stroke"), extra="drawing"),
    ".png": Kind("png", ("size", "material"), False, "photo"),
    ".csv": Kind("csv"),
}


def kind_of(path: str | Path) -> Kind:
    """The kind of drawing of a file's suffix.

    Raises
    ------
    InputError
        With the suffixes that are known.
    """
    suffix = Path(path).suffix
    found = DRAWINGS.get(suffix.casefold())
    if found is None:
        wrong = f"'{suffix}' is not a kind of drawing" if suffix else "a drawing needs a suffix"
        raise InputError(f"{wrong}; use one of: {', '.join(DRAWINGS)}", file=path)
    return found


def draw(drawing: Drawing, suffix: str, **options: object) -> bytes:
    """The bytes of a drawing's file.

    Options that its kind does not take are ignored.
    """
    kind = kind_of(Path(f"drawing{suffix}"))
    if kind.extra is not None:
        require(kind.extra)
    module = importlib.import_module(f"sonify.export.drawing.{kind.module}")
    given = {
        k.replace("-", "_"): v for k, v in options.items() if k in kind.options and v is not None
    }
    out: bytes = getattr(module, kind.module)(drawing, **given)
    return out
