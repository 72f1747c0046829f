"""sonify: from a punched disc to the music and the light show that its player makes.

>>> import sonify
>>> disc = sonify.Disc.from_message("FOG LIFTS 9")
>>> show = sonify.perform(disc, settings={"music.root": "E3"})
>>> show.save("out/fog.mid")                                            # doctest: +SKIP
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from sonify import hooks

if TYPE_CHECKING:
    from pathlib import Path

    from sonify.disc.code.code import Code
    from sonify.disc.disc import Disc
    from sonify.disc.layout import Layout
    from sonify.disc.sizes import Geometry, KeepOut
    from sonify.errors import Caution, InputError, OutputError, SonifyError
    from sonify.load import load_disc, save_disc
    from sonify.performance import Performance, perform
    from sonify.performance_settings import Setup, load_setup

__version__ = "0.1.0"

# the package's public names by module, imported on first use
_PUBLIC = {
    "disc.code.code": ("Code",),
    "disc.disc": ("Disc",),
    "disc.layout": ("Layout",),
    "disc.sizes": ("Geometry", "KeepOut"),
    "errors": ("Caution", "InputError", "OutputError", "SonifyError"),
    "load": ("load_disc", "save_disc"),
    "performance": ("Performance", "perform"),
    "performance_settings": ("Setup", "load_setup"),
}

__all__ = [
    "Caution", "Code", "Disc", "Geometry", "InputError", "KeepOut", "Layout", "OutputError",
    "Performance", "Setup", "SonifyError", "__version__", "load_disc", "load_setup", "perform",
    "save_disc",
]  # fmt: skip


def _save(*args: Any) -> Any:
    from sonify.export.file_formats import save

    return save(*args)


def _disc_of_project(path: Path) -> Disc | None:
    from sonify.studio.project import project_at

    project = project_at(path)
    return None if project is None else project.played()[0]


hooks.save = _save
hooks.disc_of_project = _disc_of_project


def __getattr__(name: str) -> Any:
    for module, names in _PUBLIC.items():
        if name in names:
            return getattr(importlib.import_module(f"sonify.{module}"), name)
    raise AttributeError(f"module 'sonify' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
