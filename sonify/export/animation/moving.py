"""Moving pictures to the file that their suffix asks for. A table, one row a suffix."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from sonify.atomic import whole
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.patch_comment import PLACEHOLDER, stamp
from sonify.progress import report

__all__ = ["ENCODERS", "encode"]

ENCODERS = {
    ".gif": ("sonify.export.animation.gif", "encode_gif"),
    ".png": ("sonify.export.animation.apng", "encode_apng"),
    ".webp": ("sonify.export.animation.webp", "encode_webp"),
}


def encode(animation: Animation, path: Path, comment: Callable[[], str]) -> None:
    """Write an animation with a comment, which is asked for when all the rest is written."""
    module, function = ENCODERS[path.suffix.casefold()]
    encoder = getattr(importlib.import_module(module), function)

    def reported() -> Iterator[Patch]:
        for patch in animation.patches:
            report(min(patch.time_s / animation.end_s, 1.0) if animation.end_s else 1.0)
            yield patch

    with whole(path) as beside:
        with open(beside, "wb") as out:
            encoder(replace(animation, patches=reported(), comment=PLACEHOLDER), out)
        stamp(beside, comment())
