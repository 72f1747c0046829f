"""The table of animation encoders, one for each suffix."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from sonify.atomic import atomic_write
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.patch_comment import PLACEHOLDER, patch_comment
from sonify.progress import report

__all__ = ["ENCODERS", "encode"]

ENCODERS = {
    ".gif": ("sonify.export.animation.gif", "encode_gif"),
    ".png": ("sonify.export.animation.apng", "encode_apng"),
    ".webp": ("sonify.export.animation.webp", "encode_webp"),
}


def encode(animation: Animation, path: Path, comment: Callable[[], str]) -> None:
    """Write an animation with a comment; `comment` is called when all the rest is written."""
    module, function = ENCODERS[path.suffix.casefold()]
    encoder = getattr(importlib.import_module(module), function)

    def reported() -> Iterator[Patch]:
        for patch in animation.patches:
            report(min(patch.time_s / animation.end_s, 1.0) if animation.end_s else 1.0)
            yield patch

    with atomic_write(path) as beside:
        with open(beside, "wb") as out:
            encoder(replace(animation, patches=reported(), comment=PLACEHOLDER), out)
        patch_comment(beside, comment())
