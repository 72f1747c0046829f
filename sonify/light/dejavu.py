"""The typeface of paper, titles and captions: DejaVu, from matplotlib, which music21 needs."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path

from sonify.errors import OutputError

__all__ = ["dejavu"]


@lru_cache(maxsize=1)
def _folder() -> Path:
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or spec.origin is None:
        raise OutputError("the fonts of matplotlib are missing; install it")
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"


def dejavu(name: str) -> Path:
    """The file of a font such as "DejaVuSerif-Bold".

    Raises
    ------
    OutputError
        matplotlib is missing.
    """
    return _folder() / f"{name}.ttf"
