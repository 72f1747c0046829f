"""sonify: from a punched disc to the music and the light show that its player makes.

>>> import sonify
>>> disc = sonify.encode("FOG LIFTS 9")
>>> show = sonify.perform(disc, "music-box", {"music.root": "E3"})
>>> show.save("out/fog.mid")                                            # doctest: +SKIP
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sonify import hooks

if TYPE_CHECKING:
    from sonify.disc.code.code import Code
    from sonify.disc.disc import Disc
    from sonify.disc.layout import Layout
    from sonify.disc.sizes import FitSpec, Geometry, KeepOut
    from sonify.errors import Caution, InputError, OutputError, SonifyError
    from sonify.library import (
        audition,
        compare,
        compose,
        draw,
        encode,
        firmware,
        fit,
        read,
        schema,
    )
    from sonify.load import load_disc, save_disc
    from sonify.performance import Performance, perform
    from sonify.performance_settings import Setup, load_setup
    from sonify.rendering import Sound, frames, page, render

__version__ = "0.1.0"

# the package's public names by module, imported on first use
_PUBLIC = {
    "disc.code.code": ("Code",),
    "disc.disc": ("Disc",),
    "disc.layout": ("Layout",),
    "disc.sizes": ("FitSpec", "Geometry", "KeepOut"),
    "errors": ("Caution", "InputError", "OutputError", "SonifyError"),
    "library": (
        "audition", "compare", "draw", "encode", "firmware", "fit", "read", "schema",
    ),
    "load": ("load_disc", "save_disc"),
    "performance": ("Performance", "perform"),
    "performance_settings": ("Setup", "load_setup"),
    "rendering": ("Sound", "frames", "page", "render"),
}  # fmt: skip

__all__ = [
    "Caution", "Code", "Disc", "FitSpec", "Geometry", "InputError", "KeepOut", "Layout",
    "OutputError", "Performance", "Setup", "SonifyError", "Sound", "__version__", "audition",
    "compare", "compose", "draw", "encode", "firmware", "fit", "frames", "load_disc", "load_setup",
    "page", "perform", "read", "render", "save_disc",
    "schema",
]  # fmt: skip


def _later(module: str, name: str) -> Callable[..., Any]:
    """A function that is imported when it is called."""

    def called(*args: Any, **options: Any) -> Any:
        return getattr(importlib.import_module(f"sonify.{module}"), name)(*args, **options)

    return called


hooks.version = __version__
hooks.save = _later("export.file_formats", "save")
hooks.load_disc = _later("load", "load_disc")
hooks.disc_of_project = _later("studio.project", "disc_at")
hooks.compose = _later("library", "compose")
hooks.shown = _later("rendering", "shown")


def __getattr__(name: str) -> Any:
    if name == "compose":  # a package, which is a function too
        return importlib.import_module("sonify.compose")
    for module, names in _PUBLIC.items():
        if name in names:
            return getattr(importlib.import_module(f"sonify.{module}"), name)
    raise AttributeError(f"module 'sonify' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
