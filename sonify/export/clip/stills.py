"""Clips as pictures: a folder of numbered PNGs, APNG, animated WebP and GIF."""

from __future__ import annotations

import os
import re
import secrets
import shutil
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import cannot_write, make_folder
from sonify.errors import OutputError
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.patch_comment import PLACEHOLDER, patch_comment
from sonify.export.clip.film import Film
from sonify.export.outcome import comment_of
from sonify.light.look import colour
from sonify.progress import report

__all__ = ["write_animation", "write_folder"]

# The colours of a file by its kind and how coarsely it is compressed; None for all.
_COLOURS: dict[str, tuple[int | None, ...]] = {
    ".gif": (256, 64, 32, 16),
    ".png": (None, 256, 64, 16),
}
_NUMBERED = re.compile(r"frame-\d{6,}\.png")


def write_folder(film: Film, folder: Path) -> None:
    """Write a folder of PNGs, one for each frame; all of them or none."""
    from PIL import Image, PngImagePlugin

    title = film.job.show.disc.display_name

    old = _checked(folder)
    make_folder(folder.parent)
    beside = folder.with_name(f".{folder.name[:40]}-{secrets.token_hex(4)}")
    try:
        beside.mkdir()
        info = PngImagePlugin.PngInfo()
        if title.isascii():
            info.add_text("Title", title)
        else:
            info.add_itxt("Title", title)
        info.add_text("Comment", PLACEHOLDER)
        last = beside
        for k, changed in enumerate(film.frames()):
            report(k / film.plan.frames)
            path = beside / f"frame-{k:06d}.png"
            if changed:
                image = Image.fromarray(np.dstack(film.picture.planes))
                image.save(path, pnginfo=info, compress_level=zlib.Z_BEST_SPEED)
                last = path
            else:
                _same(last, path)
        report(1.0)
        text = comment_of(title, film.meter.worst)
        for path in beside.iterdir():
            patch_comment(path, text)
        for path in old:
            path.unlink()
        if folder.is_dir():
            folder.rmdir()
        os.replace(beside, folder)
    except OSError as e:
        raise cannot_write(e, folder) from None
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _same(last: Path, path: Path) -> None:
    """Store the same picture again, as a hard link where possible."""
    try:
        os.link(last, path)
    except OSError:
        shutil.copyfile(last, path)


def _checked(folder: Path) -> list[Path]:
    """The pictures of an earlier clip in a folder, to be replaced.

    Raises
    ------
    OutputError
        It is a file, or holds anything else.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError("this is a file; a folder is needed", file=folder)
    old = sorted(folder.iterdir()) if folder.is_dir() else []
    for path in old:
        if not _NUMBERED.fullmatch(path.name):
            raise OutputError(
                f"the folder holds other things ({path.name}); give a new or empty one",
                file=folder,
            )
    return old


def write_animation(film: Film, path: Path) -> None:
    """Write a GIF (at most 256 colours in all, without dithering), an APNG or an animated WebP."""
    from sonify.export.animation.moving import encode

    picture, plan, job = film.picture, film.plan, film.job
    suffix, coarse = path.suffix.casefold(), job.options.coarse
    count = _COLOURS.get(suffix, (None,) * 4)[coarse]
    colours = None if count is None or job.look.clear else _palette(film, count)

    def patches() -> Iterator[Patch]:
        for k, changed in enumerate(film.frames()):
            if not changed:
                continue
            x, y = (min(box[i] for box in film.changed) for i in (0, 1))
            w, h = (max(box[i] + box[i + 2] for box in film.changed) - (x, y)[i] for i in (0, 1))
            part = picture.cut(picture.planes, x, y, w, h)
            pixels = np.dstack(part) if colours is None else _indexed(part, colours[1])
            yield Patch(float(k / plan.fps), x, y, pixels)

    animation = Animation(
        picture.width, picture.height, colours and colours[0], patches(), plan.seconds,
        loop=job.options.loop or 0, quality=job.quality, coarse=coarse,
    )  # fmt: skip
    encode(animation, path, lambda: comment_of(job.show.disc.display_name, film.meter.worst))


def _indexed(planes: list[NDArray[Any]], table: NDArray[np.uint8]) -> NDArray[np.uint8]:
    red, green, blue = (p.astype(np.uint32) >> 2 for p in planes[:3])
    out: NDArray[np.uint8] = table[(red << 12) | (green << 6) | blue]
    return out


def _palette(film: Film, count: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Up to `count` colours that suit a clip, and for each colour of six bits the nearest one."""
    from PIL import Image

    look = film.around.look
    fixed = [colour(look.ground), colour(look.lamp), colour(look.off), film.around.text]
    image = Image.fromarray(film.sample())
    found = image.quantize(count - len(fixed), method=Image.Quantize.MEDIANCUT)
    colours = np.array(found.getpalette() or [0, 0, 0], np.uint8).reshape(-1, 3)
    palette = np.unique(np.vstack([np.array(fixed, np.uint8), colours]), axis=0)
    at = (np.arange(64, dtype=np.float32) * 4) + 2
    table = np.empty(1 << 18, np.uint8)
    own = palette.astype(np.float32)
    for r in range(64):
        grid = np.stack(np.meshgrid([at[r]], at, at, indexing="ij"), -1).reshape(-1, 3)
        distance = (own**2).sum(1)[None] - 2 * grid @ own.T
        table[r << 12 : (r + 1) << 12] = distance.argmin(1)
    # colours that must come out exactly
    for rgb in fixed:
        k = int(np.flatnonzero((palette == np.array(rgb)).all(axis=1))[0])
        r, g, b = (v >> 2 for v in rgb)
        table[(r << 12) | (g << 6) | b] = k
    return palette, table
