"""Moving pictures of a limited size: the best look that fits.

What is given up, in this order: fine compression (in two steps), every other frame, a quarter and
then half of each side, compression once more, more of each side, and in the end the length. A
picture that is painted with a palette has only its lamps' pitch and its length to give. Own choice,
by eye: what is seen least goes first.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from sonify.atomic import atomic_write
from sonify.errors import InputError, OutputError
from sonify.export.animation.options import ClipOptions
from sonify.export.outcome import Outcome

if TYPE_CHECKING:
    from sonify.performance import Performance

__all__ = ["bytes_of", "write_within"]

Write = Callable[["Performance", Path, ClipOptions], Outcome]

# Compression, frames kept of each that are asked for, and sides; then shares of the length.
_STEPS = (
    (1, 1, 1.0), (2, 1, 1.0), (2, 2, 1.0), (2, 2, 0.75), (2, 2, 0.5), (3, 2, 0.5), (3, 2, 0.35),
    (3, 2, 0.25),
)  # fmt: skip
_SIDES = (0.8, 0.65, 0.5, 0.4, 0.3, 0.2)
_LENGTHS = (0.75, 0.5, 0.35, 0.25, 0.15, 0.1)
_LEAST_FPS = 12.0
_LEAST_SIDE = 64

_UNITS = {"": 1, "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "kib": 1 << 10, "mib": 1 << 20}
_COMPRESSION = {
    ".gif": ("64 colours", "32 colours", "16 colours"),
    ".png": ("256 colours", "64 colours", "16 colours"),
    ".webp": ("lossy", "more lossy", "most lossy"),
    "": ("",) * 3,
}
_VIDEO = ("compressed more", "compressed much more", "compressed most")


def bytes_of(text: str) -> int:
    """A size such as 5MB or 500kB in bytes.

    Raises
    ------
    InputError
        It is not a size.
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([a-zA-Z]*)\s*", text)
    unit = _UNITS.get(found[2].casefold()) if found else None
    if found is None or unit is None or float(found[1]) * unit < 1:
        raise InputError(
            f"'{text}' is not a size; write 5MB, 500kB or 2MiB, for example", key="max-size"
        )
    return int(float(found[1]) * unit)


@dataclass(frozen=True)
class _Rung:
    show: Performance
    options: ClipOptions
    told: tuple[str, ...]


def write_within(
    show: Performance, path: Path, options: ClipOptions, write: Write, size: tuple[int, int] | None
) -> Outcome:
    """Write a moving picture with the least given up that keeps it within `options.max_size`.

    Parameters
    ----------
    show : Performance
    path : Path
    options : ClipOptions
    write : callable
        Writes it once, whatever size that gives.
    size : tuple of int, optional
        Width and height in pixels; None for a picture that is painted with a palette.

    Raises
    ------
    InputError
        The limit is not a size.
    OutputError
        Even the smallest file is larger.
    """
    limit = bytes_of(options.max_size or "")
    plain = msgspec.structs.replace(options, max_size=None)
    with tempfile.TemporaryDirectory() as folder:
        done: dict[int, tuple[Outcome, Path, int]] = {}

        def tried(k: int, rung: _Rung) -> int:
            place = Path(folder, str(k), path.name)
            place.parent.mkdir(exist_ok=True)
            outcome = write(rung.show, place, rung.options)
            done[k] = outcome, place, _size(place)
            return done[k][2]

        def possible(rung: _Rung) -> bool:
            setup, options = rung.show.setup, rung.options
            views = tuple(name for name in setup.clip.views if name != "title") or setup.clip.views
            clip = msgspec.structs.replace(setup.clip, views=views)
            bare = replace(rung.show, setup=msgspec.structs.replace(setup, clip=clip))
            short = msgspec.structs.replace(options, duration=0.01, sound=False, poster=None)
            try:
                write(bare, Path(folder, path.name), short)
            except InputError as e:
                return e.key != "size"
            return True

        rungs = [_Rung(show, plain, ())]
        best = 0
        if tried(0, rungs[0]) > limit:
            smaller = _smaller(show, plain, path.suffix.casefold(), size)
            # what is possible at one size is possible at all larger ones
            while smaller and not possible(smaller[-1]):
                smaller.pop()
            rungs += smaller
            rungs += _shorter(rungs[-1], done[0][0].seconds)
            low, best = 0, len(rungs) - 1
            while True:
                try:
                    least = tried(best, rungs[best])
                    break
                except InputError as e:
                    # titles take longer than that
                    if e.key != "duration" or best == 1:
                        raise
                    best -= 1
            if least > limit:
                raise OutputError(
                    f"even with {', '.join(rungs[best].told)} it takes {least:,} bytes; "
                    f"{limit:,} are allowed",
                    file=path,
                    hint="give {max-size} more, or choose a shorter range",
                )
            while best - low > 1:
                middle = (low + best) // 2
                if tried(middle, rungs[middle]) <= limit:
                    best = middle
                else:
                    low = middle
        outcome, place, _ = done[best]
        if place.is_dir():
            outcome = write(rungs[best].show, path, rungs[best].options)
        else:
            _move(place, path)
            for one in outcome.beside:
                _move(one, path.with_name(one.name))
    beside = tuple(path.with_name(one.name) for one in outcome.beside)
    return replace(outcome, beside=beside, given_up=rungs[best].told)


def _size(path: Path) -> int:
    files = path.iterdir() if path.is_dir() else [path]
    return sum(f.stat().st_size for f in files)


def _move(source: Path, target: Path) -> None:
    with atomic_write(target) as beside:
        shutil.copyfile(source, beside)


def _smaller(
    show: Performance, options: ClipOptions, suffix: str, size: tuple[int, int] | None
) -> list[_Rung]:
    out: list[_Rung] = []
    if size is None:
        light = show.setup.light
        for side in _SIDES:
            pixels = max(2, round(light.pixels * side))
            setup = msgspec.structs.replace(
                show.setup, light=msgspec.structs.replace(light, pixels=pixels)
            )
            if pixels < light.pixels:
                told = (f"lamps {pixels} px apart",)
                out.append(_Rung(replace(show, setup=setup), options, told))
    else:
        out = [_squeezed(show, options, suffix, size, *step) for step in _STEPS]
    return out


def _shorter(last: _Rung, full: float) -> list[_Rung]:
    out = []
    for share in _LENGTHS:
        seconds = round(full * share, 2)
        cut = msgspec.structs.replace(last.options, duration=seconds)
        out.append(_Rung(last.show, cut, (*last.told, f"only {seconds:g} s")))
    return out


def _squeezed(
    show: Performance, options: ClipOptions, suffix: str, size: tuple[int, int],
    coarse: int, every: int, side: float,
) -> _Rung:  # fmt: skip
    told = [_COMPRESSION.get(suffix, _VIDEO)[coarse - 1]]
    fps = options.fps or (show.setup.clip.fps if suffix not in _COMPRESSION else 25.0)
    new = msgspec.structs.replace(options, coarse=coarse)
    if every > 1 and fps / every >= _LEAST_FPS:
        slow = round(fps / every, 3) if fps != int(fps) else float(int(fps / every))
        new = msgspec.structs.replace(new, fps=slow)
        told.append(f"{slow:g} frames/s")
    if side < 1:
        side = max(side, _LEAST_SIDE / min(size))
        width, height = (round(v * side / 2) * 2 for v in size)
        new = msgspec.structs.replace(new, size=f"{width}x{height}")
        told.append(f"{width}x{height}")
    return _Rung(show, new, tuple(t for t in told if t))
