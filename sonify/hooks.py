"""What a lower layer calls in a higher one; `sonify/__init__.py` sets it.

`save` is the function of `sonify.export.file_formats`, so `Performance.save` imports no export.
`disc_of_project` gives the disc of a project file, and None for other files; `load_disc` is that of
`sonify.load`. `shown` is what a notebook shows of an object, by media type. `version` is that of
the package.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["compose", "disc_of_project", "load_disc", "save", "shown", "version"]

version: str
save: Callable[..., Any]
disc_of_project: Callable[[Path], Any]
load_disc: Callable[..., Any]
compose: Callable[..., Any]
shown: Callable[[Any], dict[str, Any]]
