"""The flash meter: compares a moving picture with the thresholds for general and red flashes.

Source: Web Content Accessibility Guidelines (WCAG) 2.2, W3C Recommendation, success criterion
2.3.1, with its definitions of "general flash and red flash thresholds" and "relative luminance":

- a general flash is a pair of opposing changes in relative luminance of 0.1 or more, where the
  darker picture is below 0.8;
- a red flash is a pair of opposing changes that go to or from a saturated red, R / (R + G + B) at
  least 0.8, by more than 0.2 in the CIE 1976 UCS chromaticity diagram;
- more than three of either within one second, on more than 25 % of any field of 10 degrees at
  once, are over the threshold. That field is 341 by 256 pixels of a display of 1024 by 768.
- a fine, balanced pattern of squares under 0.1 degree does not count.

The unit is a cell: a pixel of a small picture, or a square under 0.1 degree of a large one, with
its mean light. A picture larger than 1024 by 768 is assumed to fill such a display, a smaller one
to be shown at its own size. Places that flash by themselves count, and so do places that flash in
turn within one field.

Only the picture is measured. This does not replace the rules of a broadcaster or a venue.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from sonify.light.look import F32, LUMINANCE
from sonify.light.planes import bounds

__all__ = ["MOST_FLASHES", "FlashMeter", "Flashing", "Tally", "relative_luminance", "window_start"]

SCREEN = (1024, 768)
# A field of 10 degrees on that screen, in pixels.
FIELD = (341, 256)
FIELD_SHARE = 0.25
# Flashes per second that are still within the threshold.
MOST_FLASHES = 3
CHANGE = 0.1
BRIGHT = 0.8
RED_SHARE = 0.8
RED_CHANGE = 0.2
WINDOW_S = 1.0

_WHITE_U, _WHITE_V = 0.19784, 0.46834  # D65, used for black, which has no colour
_EDGE = 1e-6
_FINEST = 0.07  # degrees; squares under 0.1 may be averaged

Mask = NDArray[np.bool_]
Time = TypeVar("Time", float, NDArray[np.float64])


def relative_luminance(red: F32, green: F32, blue: F32) -> F32:
    """Relative luminance of linear sRGB light, 0 to 1 (WCAG 2.2, "relative luminance")."""
    r, g, b = LUMINANCE
    out: F32 = red * np.float32(r)
    out += green * np.float32(g)
    out += blue * np.float32(b)
    return out


def window_start(time_s: Time) -> Time:
    """What is no later than this is not within the second that ends at a time."""
    return time_s - WINDOW_S + _EDGE


@dataclass(frozen=True)
class Flashing:
    """The worst second of a moving picture.

    Attributes
    ----------
    kind : str
        "general" or "red".
    time_s : float
        When that second begins.
    flashes : int
        The most flashes in it, if possible on more than a quarter of a field.
    share : float
        The largest share of a field of 10 degrees that flashed that often at once.
    over : bool
        Whether that is over the threshold.
    """

    kind: str
    time_s: float
    flashes: int
    share: float
    over: bool

    @property
    def short(self) -> str:
        """Its time and figures."""
        if not self.flashes:
            return "no flashes"
        kind = "red " if self.kind == "red" else ""
        share = f"{self.share:.0%}" if self.share >= 0.01 else "under 1%"
        return (
            f"{self.flashes} {kind}flash{'es' if self.flashes != 1 else ''} on {share} of "
            f"a 10-degree field in the second from {self.time_s:.2f} s"
        )

    def __str__(self) -> str:
        if not self.flashes:
            return self.short
        return f"{self.short} (threshold: more than {MOST_FLASHES} on more than {FIELD_SHARE:.0%})"

    @property
    def rank(self) -> tuple[bool, bool, int, float]:
        """Higher for worse flashing."""
        return (self.over, self.share > FIELD_SHARE, self.flashes, self.share)


class Tally:
    """Counts opposing changes cell by cell, and field by field, over one second."""

    def __init__(self, kind: str, shape: tuple[int, int], field: tuple[int, int], area: float):
        self.kind = kind
        self.field = field
        self.area = area  # cells of a quarter of a field
        self.count = np.zeros(shape, np.uint16)
        # how many cells have each count; the number with none is not kept
        self.cells = np.zeros(2, np.int64)
        self.recent: deque[tuple[float, slice, slice, Mask]] = deque()
        self.worst = Flashing(kind, 0.0, 0, 0.0, False)
        down, across = (np.arange(0, max(n - f, 0) + f // 4 + 1, max(f // 4, 1))
                        for n, f in zip(shape, field, strict=True))  # fmt: skip
        self.tops = np.minimum(down, max(shape[0] - field[0], 0))
        self.lefts = np.minimum(across, max(shape[1] - field[1], 0))
        places = (len(self.tops), len(self.lefts))
        self.last = np.zeros(places, np.int8)
        self.turns = np.zeros(places, np.int32)
        self.turned: deque[tuple[float, Mask]] = deque()

    def add(self, time_s: float, ys: slice, xs: slice, up: Mask, down: Mask) -> None:
        self._forget(time_s)
        ups, downs = int(np.count_nonzero(up)), int(np.count_nonzero(down))
        if not ups and not downs:
            return
        changed = up | down
        self.recent.append((time_s, ys, xs, changed))
        self._recount(ys, xs, changed, 1)
        self._by_cell(time_s)
        if max(ups, downs) > self.area:
            self._by_field(time_s, ys, xs, up, down)

    def _forget(self, time_s: float) -> None:
        # changes exactly one second apart are not within one second
        old = window_start(time_s)
        while self.recent and self.recent[0][0] <= old:
            _, ys, xs, changed = self.recent.popleft()
            self._recount(ys, xs, changed, -1)
        while self.turned and self.turned[0][0] <= old:
            self.turns -= self.turned.popleft()[1]

    def _recount(self, ys: slice, xs: slice, changed: Mask, by: int) -> None:
        part = self.count[ys, xs]
        before = part[changed].astype(np.int64)
        part[changed] = after = before + by
        if (most := int(before.max(initial=0)) + 2) > len(self.cells):
            self.cells = np.append(self.cells, np.zeros(most, np.int64))
        self.cells -= np.bincount(before, minlength=len(self.cells))
        self.cells += np.bincount(after, minlength=len(self.cells))

    def _by_cell(self, time_s: float) -> None:
        # no field has more than all cells
        at_least = np.cumsum(self.cells[:0:-1])[::-1].tolist()
        for flashes in range(np.count_nonzero(at_least) // 2, 0, -1):
            cells = at_least[2 * flashes - 1]
            if self._found(time_s, flashes, self._share(cells)).rank > self.worst.rank:
                mask = self.count >= 2 * flashes
                found = self._found(time_s, flashes, self._share(self._largest(mask)))
                if found.rank > self.worst.rank:
                    self.worst = found
            if self.worst.share > FIELD_SHARE and flashes <= self.worst.flashes:
                return  # fewer flashes on more of the field are not worse

    def _share(self, cells: float) -> float:
        """The share of a field that some cells are."""
        return cells * FIELD_SHARE / self.area

    def _found(self, time_s: float, flashes: int, share: float) -> Flashing:
        over = flashes > MOST_FLASHES and share > FIELD_SHARE
        return Flashing(self.kind, max(time_s - WINDOW_S, 0.0), flashes, min(share, 1.0), over)

    def _largest(self, mask: Mask) -> float:
        """The most marked cells in any one field."""
        if mask.shape[0] <= self.field[0]:
            # each field has whole columns of it
            across = np.cumsum(np.append(0, np.count_nonzero(mask, axis=0)))
            w = min(self.field[1], mask.shape[1])
            return float((across[w:] - across[:-w]).max())
        rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        mask = mask[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        table = _summed(mask)
        h, w = min(self.field[0], mask.shape[0]), min(self.field[1], mask.shape[1])
        sums = table[h:, w:] - table[:-h, w:] - table[h:, :-w] + table[:-h, :-w]
        return float(sums.max())

    def _by_field(self, time_s: float, ys: slice, xs: slice, up: Mask, down: Mask) -> None:
        """Count changes in one direction that fill a quarter of a field, wherever they are."""
        now = np.zeros_like(self.last)
        for sign, mask in ((1, up), (-1, down)):
            whole = np.zeros(self.count.shape, bool)
            whole[ys, xs] = mask
            table = _summed(whole)
            top, left = self.tops[:, None], self.lefts[None, :]
            below = np.minimum(top + self.field[0], whole.shape[0])
            right = np.minimum(left + self.field[1], whole.shape[1])
            sums = table[below, right] - table[top, right] - table[below, left] + table[top, left]
            filled = sums > self.area
            now[filled & (now == 0) & (self.last != sign)] = sign
        turn = now != 0
        if not turn.any():
            return
        self.last[turn] = now[turn]
        self.turns += turn
        self.turned.append((time_s, turn))
        flashes = int(self.turns.max()) // 2
        if flashes > MOST_FLASHES:
            cells = max(int(np.count_nonzero(up)), int(np.count_nonzero(down)))
            found = self._found(time_s, flashes, self._share(cells))
            if found.rank > self.worst.rank:
                self.worst = found


def _summed(mask: Mask) -> NDArray[np.int32]:
    """The marked cells above and to the left of each corner of a cell."""
    out = np.zeros((mask.shape[0] + 1, mask.shape[1] + 1), np.int32)
    np.cumsum(mask.astype(np.int32), axis=0, out=out[1:, 1:])
    return np.cumsum(out, axis=1, out=out)


class FlashMeter:
    """Measures a moving picture as it is made.

    Parameters
    ----------
    width, height : int
        Of the picture, in pixels.
    zoom : float
        How many pixels on the screen one pixel of this picture stands for.

    Attributes
    ----------
    cell : int
        Side of a cell in pixels. `shape` is the number of cells down and across.
    field : tuple of int
        Cells of a field down and across. `area` is a quarter of their number.
    """

    def __init__(self, width: int, height: int, zoom: float = 1.0, *, coarse: bool = False) -> None:
        scale = max(1.0, width * zoom / SCREEN[0], height * zoom / SCREEN[1]) / zoom
        self.scale = scale
        self.cell = 1
        while (scale > 1 or coarse) and 2 * self.cell * 10 / FIELD[0] / scale <= _FINEST:
            self.cell *= 2
        c = self.cell
        self.shape = (-(-height // c), -(-width // c))
        self.area = FIELD_SHARE * FIELD[0] * FIELD[1] * (scale / c) ** 2
        self.field = (max(1, round(FIELD[1] * scale / c)), max(1, round(FIELD[0] * scale / c)))
        general, red = (
            Tally(kind, self.shape, self.field, self.area) for kind in ("general", "red")
        )
        self._begin(self.shape, general, red)

    def _begin(self, shape: tuple[int, int], general: Tally, red: Tally) -> None:
        """Begin to measure so many cells down and across."""
        self._dark = np.full(shape, np.inf, np.float32)
        self._light = np.full(shape, -np.inf, np.float32)
        self._way = np.zeros(shape, np.int8)
        self._rgb: F32 = np.zeros((3, *shape), np.float32)
        self._general, self._red = general, red
        self._red_seen = False
        self._is_red = np.zeros(shape, bool)
        self._ref: F32 = np.zeros((3, *shape), np.float32)  # share of red, u', v'

    def add(self, time_s: float, x: int, y: int, rgb: F32) -> None:
        """Measure a part of the picture that has changed.

        Parameters
        ----------
        time_s : float
            When it changed; never before the last time.
        x, y : int
            Its top left cell.
        rgb : ndarray of float32, shape (3, h, w)
            Linear light from 0 to 1, the mean of each cell.
        """
        _, h, w = rgb.shape
        ys, xs = slice(y, y + h), slice(x, x + w)
        red, green, blue = rgb
        self._add_general(time_s, ys, xs, relative_luminance(red, green, blue))
        # without this, none is a saturated red; all that follows takes longer
        if self._red_seen or (red > np.float32(3.99) * green).any():
            saturated = red >= 4 * (green + blue)
            saturated &= red > 0
            if self._red_seen or saturated.any():
                self._add_red(time_s, ys, xs, rgb, saturated)
        self._rgb[:, ys, xs] = rgb

    def add_plain(self, time_s: float, x: int, y: int, luminance: F32) -> None:
        """Measure a changed part of a picture in which no colour is a saturated red.

        Parameters
        ----------
        time_s, x, y
            As for `add`.
        luminance : ndarray of float32, shape (h, w)
            Relative luminance, the mean of each cell.
        """
        h, w = luminance.shape
        self._add_general(time_s, slice(y, y + h), slice(x, x + w), luminance)

    def _add_general(self, time_s: float, ys: slice, xs: slice, now: F32) -> None:
        dark, light, way = self._dark[ys, xs], self._light[ys, xs], self._way[ys, xs]
        # the extremes since the last change that counted
        np.minimum(dark, now, out=dark)
        np.maximum(light, now, out=light)
        # only where they are this far apart can a change count
        x, y, right, below = bounds(light - dark >= np.float32(CHANGE - _EDGE))
        part = slice(y, below), slice(x, right)
        dark, light, way, now = dark[part], light[part], way[part], now[part]
        up = (now - dark) >= np.float32(CHANGE - _EDGE)
        up &= dark < np.float32(BRIGHT)
        up &= way <= 0
        down = (light - now) >= np.float32(CHANGE - _EDGE)
        down &= now < np.float32(BRIGHT)
        down &= way >= 0
        if up.any():
            np.copyto(way, 1, where=up)
            np.copyto(light, now, where=up)
        if down.any():
            np.copyto(way, -1, where=down)
            np.copyto(dark, now, where=down)
        ys = slice(ys.start + y, ys.start + below)
        self._general.add(time_s, ys, slice(xs.start + x, xs.start + right), up, down)

    def _add_red(self, time_s: float, ys: slice, xs: slice, rgb: F32, saturated: Mask) -> None:
        if not self._red_seen:
            self._red_seen = True
            self._ref[:] = _chromaticity(self._rgb)
        share, u, v = _chromaticity(rgb)
        ref, is_red = self._ref[:, ys, xs], self._is_red[ys, xs]
        far = np.hypot(u - ref[1], v - ref[2]) > RED_CHANGE
        to_red = ~is_red & saturated & far
        from_red = is_red & far
        # remember the least red of what is not red, and the reddest of what is red
        less = ~is_red & ~to_red & (share < ref[0])
        more = is_red & ~from_red & (share > ref[0])
        new = to_red | from_red | less | more
        for k, value in enumerate((share, u, v)):
            ref[k][new] = value[new]
        is_red[to_red] = True
        is_red[from_red] = False
        self._red.add(time_s, ys, xs, to_red, from_red)

    @property
    def worst(self) -> Flashing:
        """The worst second, of general or of red flashes."""
        general, red = self._general.worst, self._red.worst
        return red if red.rank > general.rank else general

    @property
    def over(self) -> bool:
        """Whether the picture is over the threshold."""
        return self.worst.over


def _chromaticity(rgb: F32) -> tuple[F32, F32, F32]:
    """Share of red, and u', v' of CIE 1976 UCS, of linear sRGB light."""
    red, green, blue = rgb
    total = red + green + blue
    x = 0.4124 * red + 0.3576 * green + 0.1805 * blue
    y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    z = 0.0193 * red + 0.1192 * green + 0.9505 * blue
    whole = x + 15 * y + 3 * z
    black = total <= 1e-9
    safe = np.where(black, 1, whole)
    u: F32 = np.where(black, _WHITE_U, 4 * x / safe).astype(np.float32)
    v: F32 = np.where(black, _WHITE_V, 9 * y / safe).astype(np.float32)
    share: F32 = np.where(black, 1 / 3, red / np.where(black, 1, total)).astype(np.float32)
    return share, u, v
