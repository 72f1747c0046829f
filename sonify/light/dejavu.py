"""The typeface of paper, titles and captions: DejaVu, from matplotlib."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from pathlib import Path

from sonify.extras import require

__all__ = ["dejavu"]


@lru_cache(maxsize=1)
def _folder() -> Path:
    require("video")
    spec = importlib.util.find_spec("matplotlib")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"


def dejavu(name: str) -> Path:
    """The file of a font such as "DejaVuSerif-Bold".

    Raises
    ------
    NotInstalled
        matplotlib is missing.
    """
    return _folder() / f"{name}.ttf"
