"""Moving pictures to the file that their suffix asks for. A table, one row a suffix."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from sonify.atomic import whole
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.patch_comment import stamp
from sonify.progress import report

__all__ = ["ENCODERS", "encode"]

ENCODERS = {
    ".gif": ("sonify.export.animation.gif", "encode_gif"),
    ".png": ("sonify.export.animation.apng", "encode_apng"),
    ".webp": ("sonify.export.animation.webp", "encode_webp"),
}


def encode(animation: Animation, path: Path, comment: Callable[[], str]) -> None:
    """Write an animation.

    `comment` is called when all is written; its text takes the place of `PLACEHOLDER`.
    """
    module, function = ENCODERS[path.suffix.casefold()]
    encoder = getattr(importlib.import_module(module), function)
    with whole(path) as beside:
        with open(beside, "wb") as out:
            encoder(replace(animation, patches=_told(animation)), out)
        stamp(beside, comment())


def _told(animation: Animation) -> Iterator[Patch]:
    """The patches, each telling how far the work has come."""
    for patch in animation.patches:
        report(min(patch.time_s / animation.end_s, 1.0) if animation.end_s else 1.0)
        yield patch
