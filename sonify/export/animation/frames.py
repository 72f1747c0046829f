"""What the animation encoders take, and the plan of what they store.

A format stores times as whole ticks (GIF hundredths, WebP milliseconds). Each
moment is rounded on its own and a delay is the difference of two rounded
moments, so rounding never adds up and the total is exact to half a tick.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
T = TypeVar("T")

_CACHED_PICTURES, _CACHED_PIXELS = 1024, 16384  # at most 16 MB of keys


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """One change of the picture.

    Attributes
    ----------
    time_s
        Exact time in seconds at which it shows.
    x, y
        Top left corner in pixels.
    pixels
        Palette indices, uint8, shape (h, w).
    """

    time_s: float
    x: int
    y: int
    pixels: Pixels


@dataclass(frozen=True, eq=False)
class Animation:
    """A picture and its changes, as the encoders take it.

    Attributes
    ----------
    width, height
        Size in pixels, 1 to 65535.
    palette
        uint8, shape (n, 3) with 1 <= n <= 256, red, green, blue.
    patches
        Read once, in order of strictly increasing time. The first covers the
        whole picture, and its time is the start.
    end_s
        Time in seconds until which the last patch stays.
    loop
        How often it plays in all: 0 for ever, ``n`` times, None once.
    comment
        Free text kept in the file; "" for none.

    Raises
    ------
    InputError
        If the size is out of range.
    ValueError
        If the palette or the loop count is out of range.
    """

    width: int
    height: int
    palette: Pixels
    patches: Iterable[Patch]
    end_s: float
    loop: int | None = 0
    comment: str = ""

    def __post_init__(self) -> None:
        if not (1 <= self.width <= 65535 and 1 <= self.height <= 65535):
            raise InputError(
                f"animation: size is {self.width} x {self.height} pixels, a side must be 1 to 65535"
            )
        shape = self.palette.shape
        if self.palette.dtype != np.uint8 or len(shape) != 2 or shape[1] != 3:
            raise ValueError(
                f"animation: palette is {self.palette.dtype} of shape {shape}, "
                "must be uint8 of shape (n, 3)"
            )
        if not 1 <= shape[0] <= 256:
            raise ValueError(f"animation: palette has {shape[0]} colours, must be 1 to 256")
        if self.loop is not None and not 0 <= self.loop <= 65535:
            raise ValueError(f"animation: loop is {self.loop}, must be 0 to 65535")


@dataclass(frozen=True, eq=False, slots=True)
class Change:
    """One image to store: a rectangle and how long the picture then stays.

    ``new`` and ``same`` have the shape (h, w); ``same`` marks the pixels that
    the canvas shows already and is None for the first image, which has nothing
    under it.
    """

    ticks: int
    x: int
    y: int
    new: Pixels
    same: Mask | None


def checked(animation: Animation) -> Iterator[Patch]:
    """Yield the patches, refusing the first that breaks the rules.

    Raises
    ------
    ValueError
        If there is no patch, the first leaves part of the picture empty, a time
        does not increase or passes the end, or a patch or a palette index is
        out of bounds.
    """
    before: float | None = None
    colours = len(animation.palette)
    for number, patch in enumerate(animation.patches):
        height, width = patch.pixels.shape
        where = f"animation: patch {number}"
        if before is None:
            if (patch.x, patch.y, width, height) != (0, 0, animation.width, animation.height):
                raise ValueError(f"{where} must cover the whole picture")
        elif patch.time_s <= before:
            raise ValueError(f"{where} is at {patch.time_s} s, must be later than {before} s")
        if patch.time_s > animation.end_s:
            raise ValueError(
                f"{where} is at {patch.time_s} s, must not pass the end at {animation.end_s} s"
            )
        if (
            min(patch.x, patch.y) < 0
            or min(width, height) < 1
            or patch.x + width > animation.width
            or patch.y + height > animation.height
        ):
            raise ValueError(f"{where} must lie within the picture")
        if patch.pixels.dtype != np.uint8:
            raise ValueError(f"{where} is {patch.pixels.dtype}, must be uint8")
        if colours < 256 and int(patch.pixels.max()) >= colours:
            raise ValueError(f"{where} uses a colour past the {colours} of the palette")
        before = patch.time_s
        yield patch
    if before is None:
        raise ValueError("animation: has no patches, needs one that covers the picture")


def changes(
    animation: Animation, rate: int, *, shortest: int = 1, longest: int, even: bool = False
) -> Iterator[Change]:
    """Plan the images to store, with whole delays and cropped to what changed.

    A patch that comes less than ``shortest`` ticks after the image before joins
    it, so it shows early by less than that; the last image is moved early by as
    much where the end is too near. A patch that changes nothing lengthens the
    delay before it. A delay over ``longest`` is stored in pieces, with one
    unchanged pixel each. Memory is three pictures, whatever the length.

    Parameters
    ----------
    animation
        What to store.
    rate
        Ticks in a second.
    shortest, longest
        Bounds of a delay in ticks.
    even
        Whether x and y must be even numbers.
    """
    patches = checked(animation)
    first = next(patches)
    start = Fraction(first.time_s)

    def tick(time_s: float) -> int:
        return round((Fraction(time_s) - start) * rate)

    total = tick(animation.end_s)
    shown = np.array(first.pixels, dtype=np.uint8)
    canvas = shown.copy()
    ready: tuple[int, int, Pixels, Mask | None] = (0, 0, shown.copy(), None)
    ready_at = 0
    group_at = 0
    box = (0, 0, 0, 0)

    def settle(box: tuple[int, int, int, int]) -> tuple[int, int, Pixels, Mask] | None:
        left, top, right, bottom = box
        new, old = canvas[top:bottom, left:right], shown[top:bottom, left:right]
        differs = new != old
        rows = np.flatnonzero(differs.any(axis=1))
        if not rows.size:
            return None
        columns = np.flatnonzero(differs.any(axis=0))
        x, y = left + int(columns[0]), top + int(rows[0])
        right, bottom = left + int(columns[-1]) + 1, top + int(rows[-1]) + 1
        if even:
            x, y = x & ~1, y & ~1
        new = canvas[y:bottom, x:right].copy()
        same = np.equal(new, shown[y:bottom, x:right])
        shown[y:bottom, x:right] = new
        return x, y, new, same

    def emit(until: int) -> Iterator[Change]:
        x, y, new, same = ready
        left = until - ready_at
        yield Change(min(left, longest), x, y, new, same)
        while (left := left - longest) > 0:
            yield Change(min(left, longest), x, y, new[:1, :1], np.ones((1, 1), dtype=np.bool_))

    for patch in patches:
        at = min(tick(patch.time_s), total - shortest)
        if at - group_at >= shortest:
            if (settled := settle(box)) is not None:
                yield from emit(group_at)
                ready, ready_at = settled, group_at
            group_at = at
            box = (patch.x, patch.y, patch.x, patch.y)
        height, width = patch.pixels.shape
        if group_at == 0 and ready_at == 0:
            # Joined to the very first image: there is no image before it.
            shown[patch.y : patch.y + height, patch.x : patch.x + width] = patch.pixels
            canvas[patch.y : patch.y + height, patch.x : patch.x + width] = patch.pixels
            ready = (0, 0, shown.copy(), None)
            continue
        canvas[patch.y : patch.y + height, patch.x : patch.x + width] = patch.pixels
        box = (
            min(box[0], patch.x),
            min(box[1], patch.y),
            max(box[2], patch.x + width),
            max(box[3], patch.y + height),
        )
    if box[2] > box[0] and (settled := settle(box)) is not None:
        yield from emit(group_at)
        ready, ready_at = settled, group_at
    yield from emit(total)


def cached(code: Callable[[Pixels], T]) -> Callable[[Pixels], T]:
    """Keep the code of small pictures, as the same lamps change again and again."""

    @functools.lru_cache(maxsize=_CACHED_PICTURES)
    def kept(shape: tuple[int, int], pixels: bytes) -> T:
        return code(np.frombuffer(pixels, np.uint8).reshape(shape))

    @functools.wraps(code)
    def coded(pixels: Pixels) -> T:
        small = pixels.size <= _CACHED_PIXELS
        return kept(pixels.shape, pixels.tobytes()) if small else code(pixels)

    return coded
