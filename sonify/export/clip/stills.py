"""Clips as pictures: a folder of numbered PNGs, APNG, animated WebP and GIF."""

from __future__ import annotations

import os
import re
import secrets
import shutil
import zlib
from collections.abc import Iterator
from pathlib import Path
from struct import pack
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.atomic import cannot_write, make_folder
from sonify.errors import OutputError
from sonify.export.animation.apng import text_chunk
from sonify.export.animation.frames import Animation, Patch
from sonify.export.animation.patch_comment import PLACEHOLDER, stamp
from sonify.export.animation.webp import XMP, xmp_chunk
from sonify.export.clip.film import Film
from sonify.export.outcome import comment_of
from sonify.light.planes import Picture
from sonify.progress import report

__all__ = ["write_animation", "write_folder", "write_gif"]

_NUMBERED = re.compile(r"frame-\d{6,}\.png")


def whole_image(picture: Picture) -> NDArray[np.uint8]:
    """The picture as one array, shape (h, w, 3 or 4)."""
    return np.dstack(picture.planes)


def frames(film: Film) -> Iterator[tuple[int, bool]]:
    """The numbers of all frames, the picture brought to each, and whether it changed."""
    plan = film.plan
    second = max(1, round(plan.fps))
    for k in range(plan.frames):
        if k % second == 0:
            report(k / plan.frames)
        yield k, film.frame(k)
    report(1.0)


def write_folder(film: Film, folder: Path, title: str) -> None:
    """Write a folder of PNGs, one for each frame. They come in whole or not at all."""
    from PIL import Image, PngImagePlugin

    old = _checked(folder)
    make_folder(folder.parent)
    beside = folder.with_name(f".{folder.name[:40]}-{secrets.token_hex(4)}")
    try:
        beside.mkdir()
        info = PngImagePlugin.PngInfo()
        info.add_text("Title", title)
        info.add_text("Comment", PLACEHOLDER)
        last: Path | None = None
        for k, changed in frames(film):
            path = beside / f"frame-{k:06d}.png"
            if changed or last is None:
                image = Image.fromarray(whole_image(film.picture))
                image.save(path, pnginfo=info, compress_level=zlib.Z_BEST_SPEED)
                last = path
            else:
                _same(last, path)
        text = comment_of(title, film.meter.worst)
        for path in beside.iterdir():
            stamp(path, text)
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
    """The same picture once more, without its own space on the disk where that goes."""
    try:
        os.link(last, path)
    except OSError:
        shutil.copyfile(last, path)


def _checked(folder: Path) -> list[Path]:
    """The pictures of an earlier clip in a folder, which are replaced.

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


_FFMPEG = {
    ".png": ("apng", "apng", "rgb24", "rgba", {"pred": "mixed"}),
    ".webp": ("libwebp_anim", "webp", "bgra", "bgra", {}),
}
_WEBP_QUALITY = {
    "rough": {"quality": "80", "compression_level": "2"},
    "normal": {"lossless": "1", "compression_level": "2", "quality": "40"},
    "fine": {"lossless": "1", "compression_level": "4", "quality": "75"},
}


def write_animation(film: Film, path: Path, suffix: str, quality: str, loop: int) -> None:
    """Write an APNG or an animated WebP; only frames that changed are kept."""
    import av

    encoder, container, plain, clear, options = _FFMPEG[suffix]
    picture, plan = film.picture, film.plan
    alpha = picture.format.alpha
    settings = dict(options)
    if suffix == ".webp":
        settings |= _WEBP_QUALITY[quality]
        settings["loop"] = str(loop)
    muxer = {"plays": str(loop)} if suffix == ".png" else {"loop": str(loop)}
    if suffix == ".png":
        muxer["final_delay"] = "0"
    with av.open(str(path), "w", format=container, options=muxer) as out:
        stream: Any = out.add_stream(encoder, rate=plan.fps)
        stream.width, stream.height = picture.width, picture.height
        stream.pix_fmt = clear if alpha else plain
        stream.options = settings
        stream.codec_context.time_base = 1 / plan.fps

        def send(pts: int) -> None:
            image = whole_image(picture)
            kind = "rgba" if alpha else "rgb24"
            frame = av.VideoFrame.from_ndarray(image, format=kind)
            if stream.pix_fmt != kind:
                frame = frame.reformat(format=stream.pix_fmt)
            frame.pts, frame.time_base = pts, 1 / plan.fps
            out.mux(stream.encode(frame))

        last = -1
        for k, changed in frames(film):
            if changed:
                send(k)
                last = k
        if last < plan.frames - 1:
            send(plan.frames - 1)  # so that the last picture stays its time
        out.mux(stream.encode())


def add_comment(path: Path, suffix: str, comment: str) -> None:
    """Put a comment at the end of a finished APNG (as tEXt) or animated WebP (as XMP)."""
    if suffix == ".png":
        # the last twelve bytes are IEND
        chunk = text_chunk(comment)
        with open(path, "r+b") as file:
            file.seek(-12, os.SEEK_END)
            end = file.read()
            file.seek(-12, os.SEEK_END)
            file.write(chunk + end)
        return
    # RFC 9649, 2.7: a flag in VP8X says that XMP follows
    chunk = xmp_chunk(comment)
    with open(path, "r+b") as file:
        head = bytearray(file.read(30))
        if head[12:16] != b"VP8X":
            return  # a single picture has no place for it
        head[20] |= XMP
        file.seek(0, os.SEEK_END)
        file.write(chunk)
        head[4:8] = pack("<I", file.tell() - 8)
        file.seek(0)
        file.write(head)


def write_gif(film: Film, out: Any, loop: int, comment: str) -> None:
    """Write a GIF: at most 256 colours for the whole clip, without dithering."""
    from sonify.export.animation.gif import encode_gif

    picture, plan = film.picture, film.plan
    palette, table = _palette(film)

    def patches() -> Iterator[Patch]:
        for k, changed in frames(film):
            if not changed:
                continue
            if k == 0:
                x, y, right, below = 0, 0, picture.width, picture.height
            else:
                x = min(b[0] for b in film.changed)
                y = min(b[1] for b in film.changed)
                right = max(b[0] + b[2] for b in film.changed)
                below = max(b[1] + b[3] for b in film.changed)
            part = picture.cut(picture.planes, x, y, right - x, below - y)
            yield Patch(float(k / plan.fps), x, y, _indexed(part, table))

    encode_gif(
        Animation(
            width=picture.width, height=picture.height, palette=palette, patches=patches(),
            end_s=plan.seconds, loop=loop, comment=comment,
        ),
        out,
    )  # fmt: skip


def _indexed(planes: list[NDArray[Any]], table: NDArray[np.uint8]) -> NDArray[np.uint8]:
    red, green, blue = (p.astype(np.uint32) >> 2 for p in planes[:3])
    out: NDArray[np.uint8] = table[(red << 12) | (green << 6) | blue]
    return out


def _palette(film: Film) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Up to 256 colours that suit a clip, and the nearest for each colour of six bits."""
    from PIL import Image

    from sonify.light.look import colour

    look = film.around.look
    fixed = [colour(look.ground), colour(look.lamp), colour(look.unlit), film.around.text]
    image = Image.fromarray(film.sample())
    found = image.quantize(256 - len(fixed), method=Image.Quantize.MEDIANCUT)
    colours = np.array(found.getpalette() or [0, 0, 0], np.uint8).reshape(-1, 3)
    palette = np.unique(np.vstack([np.array(fixed, np.uint8), colours]), axis=0)[:256]
    at = (np.arange(64, dtype=np.float32) * 4) + 2
    table = np.empty(1 << 18, np.uint8)
    own = palette.astype(np.float32)
    for r in range(64):
        grid = np.stack(np.meshgrid([at[r]], at, at, indexing="ij"), -1).reshape(-1, 3)
        distance = (own**2).sum(1)[None] - 2 * grid @ own.T
        table[r << 12 : (r + 1) << 12] = distance.argmin(1)
    # colours that must come out as they are
    for rgb in fixed:
        k = int(np.flatnonzero((palette == np.array(rgb)).all(axis=1))[0])
        r, g, b = (v >> 2 for v in rgb)
        table[(r << 12) | (g << 6) | b] = k
    return palette, table
