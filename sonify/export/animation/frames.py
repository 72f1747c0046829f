"""What the animation encoders take, and the plan of what they store.

A format stores times as whole ticks (GIF hundredths, WebP milliseconds). Each moment is rounded
by itself and a delay is the difference of two rounded moments, so rounding errors never add up
and the total is exact to half a tick.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.light.planes import bounds

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
T = TypeVar("T")

_CACHED_PICTURES, _CACHED_PIXELS = 1024, 16384  # at most 16 MB of keys
_LARGEST = 65535  # pixels a side in GIF; the largest that any format here takes


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
        uint8: palette indices, shape (h, w); or colours, shape (h, w, 3), with coverage
        (h, w, 4).
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
        uint8, shape (n, 3) with 1 <= n <= 256, red, green, blue; None if patches hold colours,
        which GIF can't store.
    patches
        Read once, by strictly increasing time up to the end. The first covers the whole picture,
        and its time is the start; the others lie within it.
    end_s
        Time in seconds until which the last patch stays.
    loop
        How often it plays in all, at most 65535: 0 forever, None once.
    comment
        Free text kept in the file; "" for none.
    quality
        "rough" is lossy if the format allows it; "fine" takes longest and makes the smallest file.
    coarse
        0, or how lossy it is in three steps, if the format allows it.

    Raises
    ------
    InputError
        If the size is out of range.
    """

    width: int
    height: int
    palette: Pixels | None
    patches: Iterable[Patch]
    end_s: float
    loop: int | None = 0
    comment: str = ""
    quality: str = "fine"
    coarse: int = 0

    def __post_init__(self) -> None:
        if not 1 <= min(self.width, self.height) <= max(self.width, self.height) <= _LARGEST:
            raise InputError(
                f"animation: size is {self.width} x {self.height} pixels; "
                f"a side must be 1 to {_LARGEST}"
            )


@dataclass(frozen=True, eq=False, slots=True)
class Change:
    """One image to store: a rectangle and how long the picture then stays.

    ``same`` marks the pixels that the canvas shows already and is None for the first image, which
    has nothing under it.
    """

    ticks: int
    x: int
    y: int
    new: Pixels
    same: Mask | None


def changes(
    animation: Animation, rate: int, *, shortest: int = 1, longest: int, even: bool = False
) -> Iterator[Change]:
    """Plan the images to store, with whole delays, cropped to what changed.

    A patch less than ``shortest`` ticks after the previous image joins it, so it shows early by
    less than that; the last image is moved early by as much if the end is too near. A patch that
    changes nothing lengthens the delay before it. A delay over ``longest`` is stored in pieces,
    with one unchanged pixel each. Memory is three pictures, whatever the length.

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
    patches = iter(animation.patches)
    first = next(patches)

    start = Fraction(first.time_s)

    def tick(time_s: float) -> int:
        return round((Fraction(time_s) - start) * rate)

    def changed() -> tuple[int, int, Pixels, Mask] | None:
        left, top, right, bottom = box
        if even:
            left, top = left & ~1, top & ~1
        apart = canvas[top:bottom, left:right] != shown[top:bottom, left:right]
        x, y, x1, y1 = bounds(apart.any(axis=2) if apart.ndim == 3 else apart)
        if x1 <= x:
            return None
        if even:
            x, y = x & ~1, y & ~1
        same = ~apart[y:y1, x:x1]
        x, y, right, bottom = left + x, top + y, left + x1, top + y1
        new = canvas[y:bottom, x:right].copy()
        shown[y:bottom, x:right] = new
        return x, y, new, same

    def stored(left: int) -> Iterator[Change]:
        x, y, new, same = ready
        yield Change(min(left, longest), x, y, new, same)
        while (left := left - longest) > 0:
            yield Change(min(left, longest), x, y, new[:1, :1], np.ones((1, 1), dtype=np.bool_))

    total = tick(animation.end_s)
    canvas = np.array(first.pixels, dtype=np.uint8)
    shown = canvas.copy()
    ready: tuple[int, int, Pixels, Mask | None] = (0, 0, shown.copy(), None)
    ready_at = group_at = 0
    box = (0, 0, 0, 0)
    for patch in itertools.chain(patches, (None,)):
        at = total if patch is None else min(tick(patch.time_s), total - shortest)
        if patch is None or at - group_at >= shortest:
            if group_at == 0:
                # what joins the first image belongs to it
                shown[...] = canvas
                ready = (0, 0, shown.copy(), None)
            elif (found := changed()) is not None:
                yield from stored(group_at - ready_at)
                ready, ready_at = found, group_at
            group_at = at
            box = (animation.width, animation.height, 0, 0)
        if patch is not None:
            (height, width), x, y = patch.pixels.shape[:2], patch.x, patch.y
            under = canvas[y : y + height, x : x + width]
            # many pictures are as the one before; to see that takes a tenth of what follows
            if (under != patch.pixels).any():
                under[...] = patch.pixels
                x1, y1 = x + width, y + height
                box = min(box[0], x), min(box[1], y), max(box[2], x1), max(box[3], y1)
    yield from stored(total - ready_at)


def cached(code: Callable[[Pixels], T]) -> Callable[[Pixels], T]:
    """Cache the code of small pictures, because the same lamps change again and again."""

    @functools.lru_cache(maxsize=_CACHED_PICTURES)
    def kept(shape: tuple[int, ...], pixels: bytes) -> T:
        return code(np.frombuffer(pixels, np.uint8).reshape(shape))

    @functools.wraps(code)
    def coded(pixels: Pixels) -> T:
        small = pixels.size <= _CACHED_PIXELS
        return kept(pixels.shape, pixels.tobytes()) if small else code(pixels)

    return coded
