"""The renderer of the lamps: it paints tiles, and only those with a changed lamp on or near them.

The picture of a tile depends on only nine levels (see `lamp_grid`). It is made once for each
pattern of nine lamps that are lit or dark, and then copied. A back end decides what a tile consists
of: colours of a palette in `paint`, planes of a video encoder in `panel`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import as_strided, sliding_window_view
from numpy.typing import NDArray

from sonify.light.colours import lamp_colours
from sonify.light.exposure import MOST_LIGHT, shade
from sonify.light.lamp_grid import Box, LampGrid
from sonify.light.lamp_shapes import DARKER
from sonify.light.look import F32, Look

__all__ = ["Arrays", "Renderer", "Shown", "cover_levels", "shades", "tiled"]

# Levels of lamps, with their hues times 256 where there are any.
Shown = NDArray[np.uint8] | NDArray[np.uint16]

Arrays = list[NDArray[Any]]

# Light is looked up by its square root, about as the eye works, in so many steps.
_FINE = 8191
_PATTERNS = 1 << 9
_BITS = 1 << np.arange(9)
_OWN = 4  # the middle one of nine lamps
# Bytes of tiles to keep; beyond that they are made again (own choice).
_MOST_KEPT = 32 << 20
# Views of rectangles that are kept.
_MOST_WINDOWS = 1024
# Whole columns are kept where more than so many change at once, as they do in a scroll: one lamp
# changes three. Bytes for those of one kind (own choice).
_FEW_COLUMNS, _MOST_COLUMNS = 3, 4 << 20


def cover_levels(look: Look, count: int) -> NDArray[np.float64]:
    """The steps of coverage that are told apart; see `Lamp.cover`."""
    steps = np.linspace(0, 1, count)
    return np.append(DARKER, steps) if look.panel == "grille" else steps


def shades(look: Look, covers: int, lights: NDArray[np.float64]) -> tuple[NDArray[Any], ...]:
    """All mixtures of coverage and light that a pixel can have.

    Returns
    -------
    tuple of ndarray
        Coverage by the unlit lamp and light from lit ones, and their colours on the look's ground
        in linear light: shapes (covers * lights,) twice and (covers * lights, 3).
    """
    levels = cover_levels(look, covers)
    cover, light = (a.ravel() for a in np.meshgrid(levels, lights, indexing="ij"))
    return cover, light, shade(look, cover, light)


def tiled(plane: NDArray[Any], n: int, m: int) -> NDArray[Any]:
    """A plane seen as n by m tiles, shape (n, m, h, w)."""
    h, w = plane.shape[0] // n, plane.shape[1] // m
    down, right = plane.strides
    return as_strided(plane, (n, m, h, w), (h * down, w * right, down, right))


@dataclass(eq=False)
class _Tiles:
    """The tiles of one kind: what they are made from, and the finished ones by pattern."""

    kernels: F32
    lens: F32
    cover: F32
    shade: NDArray[np.uint16]
    slot: NDArray[np.int32] = field(default_factory=lambda: np.full(_PATTERNS, -1, np.int32))
    used: int = 0
    arrays: Arrays = field(default_factory=list)
    # those of many hues, by what their nine lamps show
    mixed: dict[bytes, Arrays] = field(default_factory=dict)

    def keep(self, patterns: NDArray[np.int64], arrays: Arrays) -> None:
        if not self.arrays:
            # room for all: untouched memory costs nothing
            self.arrays = [np.empty((_PATTERNS, *a.shape[1:]), a.dtype) for a in arrays]
        last = self.used + len(patterns)
        for kept, new in zip(self.arrays, arrays, strict=True):
            kept[self.used : last] = new
        self.slot[patterns] = np.arange(self.used, last)
        self.used = last

    def forget(self) -> None:
        """Drop all that was made."""
        self.slot[:] = -1
        self.used = 0
        self.arrays = []
        self.mixed.clear()


@dataclass(eq=False)
class _Columns:
    """Finished columns of one kind, from the top to the bottom, by what they and their neighbours
    show."""

    arrays: Arrays
    room: int
    slot: dict[bytes, int] = field(default_factory=dict)


class Renderer(ABC):
    """Paints a matrix; what lamps show, their levels and hues times 256, is given in the player's
    order of lamps.

    Parameters
    ----------
    grid : LampGrid
    covers : int
        Steps of coverage that a back end tells apart.
    lights : ndarray of float64
        Levels of light that it tells apart, in ascending order.
    faint : float
        Light around lamps that is left out.
    """

    # whether columns are kept: beside an encoder of video, painting them takes no time to speak of
    _keeps_columns = False

    def __init__(
        self, grid: LampGrid, covers: int, lights: NDArray[np.float64], faint: float = 0.0
    ) -> None:
        self.grid, self.look, self.mounting = grid, grid.look, grid.mounting
        self._covers, self._lights, self._faint = covers, lights, np.float32(faint)
        light = (np.arange(_FINE + 1) / _FINE) ** 2 * MOST_LIGHT
        self._steps = np.searchsorted((lights[1:] + lights[:-1]) / 2, light).astype(np.uint16)
        # of all hues in linear light; None if there is but one
        hues = lamp_colours(self.look)
        self._hues: F32 | None = hues.astype(np.float32) if len(hues) > 1 else None
        self._tiles: dict[tuple[int, int], _Tiles] = {}
        self._columns: dict[int, _Columns] = {}
        self._windows: dict[tuple[Box, int], Arrays] = {}
        self._kept = 0
        self._shown: NDArray[np.uint8] | None = None

    # ---- what back ends do ----

    @abstractmethod
    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        """The finished arrays of tiles, each of shape (n, ...), from the indices of their shades,
        cover * lights + light, shape (n, h, w)."""

    @abstractmethod
    def _finish_mixed(self, cover: F32, light: F32, lamp: F32) -> Arrays:
        """The same from coverage, shape (h, w), light, (n, h, w), and its colour, (n, h, w, 3)."""

    @abstractmethod
    def _windows_of(self, part: Box, down: int) -> Arrays:
        """Views of what is painted on as `down` rows of tiles, shapes (down, columns, ...). `part`
        is in columns and rows of lamps: left, top, width and height."""

    def _place(self, part: Box, arrays: Arrays) -> None:
        """Put arrays of shape (n, m, ...) where n by m tiles are."""
        for window, tile in zip(self._window(part, part[3]), arrays, strict=True):
            window[...] = tile

    def _index(self, step: NDArray[np.uint16], cover: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """The indices of shades, from steps of light and the indices of cover without light."""
        step += cover
        return step

    # ---- painting ----

    @property
    def _spills(self) -> bool:
        """Whether light falls on what is next to a lamp."""
        return self.look.glow > 0 or self.look.bloom > 0

    def forget(self) -> None:
        """Paint everything again next time."""
        self._shown = None

    def _update(self, shown: Shown) -> Box | None:
        """Paint lamps, shape (height, width), and return the rectangle of pixels painted."""
        seen = self.mounting.levels(shown)
        if self._hues is None:
            seen = seen.astype(np.uint8)
        near = np.zeros((seen.shape[0] + 2, seen.shape[1] + 2), seen.dtype)
        near[1:-1, 1:-1] = seen
        changed = np.ones(seen.shape, bool)
        if self._shown is not None:
            changed = near != self._shown
            if self._spills:
                changed = changed[:-2] | changed[1:-1] | changed[2:]
                changed = changed[:, :-2] | changed[:, 1:-1] | changed[:, 2:]
            else:
                changed = changed[1:-1, 1:-1]
        self._shown = near
        ys, xs = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
        if not len(ys):
            return None
        top, below, left, right = int(ys[0]), int(ys[-1]) + 1, int(xs[0]), int(xs[-1]) + 1
        binary = self._hues is None and bool(((seen == 0) | (seen == 255)).all())
        whole = below - top == len(seen) and right - left > _FEW_COLUMNS
        if binary and whole and self._keeps_columns:
            self._paint_columns(near, left, right)
        else:
            self._paint((left, top, right - left, below - top), near, binary, changed)
        columns, rows = self.grid.columns, self.grid.rows
        x, y = int(columns.edge[left]), int(rows.edge[top])
        return x, y, int(columns.edge[right]) - x, int(rows.edge[below]) - y

    def _paint(
        self, part: Box, near: Shown, binary: bool, changed: NDArray[np.bool_] | None = None
    ) -> None:
        """Paint the runs of like tiles in which one has changed, or all.

        Parameters
        ----------
        part : tuple of int
            The tiles, in columns and rows of lamps.
        near : ndarray
            What lamps show, with a dark border.
        binary : bool
            Whether each is lit or dark.
        changed : ndarray of bool, optional
            Which tiles have changed.
        """
        left, top, n, m = part
        near = near[top : top + m + 2, left : left + n + 2]
        around: Any = self._patterns(near) if binary else sliding_window_view(near, (3, 3))
        rows, columns = self.grid.rows, self.grid.columns
        for r0, r1 in rows.runs:
            a, b = max(r0, top), min(r1, top + m)
            for c0, c1 in columns.runs:
                d, e = max(c0, left), min(c1, left + n)
                if a < b and d < e and (changed is None or changed[a:b, d:e].any()):
                    tiles = self._of_kind((rows.alike[a], columns.alike[d]))
                    run = slice(a - top, b - top), slice(d - left, e - left)
                    if binary:
                        arrays = self._gather_patterns(tiles, around[run])
                    else:
                        arrays = self._gather(tiles, around[run].reshape(-1, 9))
                        arrays = [one.reshape(b - a, e - d, *one.shape[1:]) for one in arrays]
                    self._place((d, a, e - d, b - a), arrays)

    def _paint_columns(self, near: Shown, left: int, right: int) -> None:
        """Copy whole columns that were painted before, and paint the others."""
        lit, high = near.T.tobytes(), len(near)
        for c0, c1 in self.grid.columns.runs:
            d, e = max(c0, left), min(c1, right)
            if d >= e:
                continue
            keys = [lit[k * high : (k + 3) * high] for k in range(d, e)]
            kept = self._columns_of(d)
            new = {key: d + k for k, key in enumerate(keys) if key not in kept.slot}
            if new and len(kept.slot) + len(new) > kept.room:
                kept.slot.clear()
                new = {key: d + k for k, key in enumerate(keys)}
            for key, column in new.items():
                part = column, 0, 1, high - 2
                self._paint(part, near, binary=True)
                slot = kept.slot[key] = len(kept.slot)
                for array, one in zip(kept.arrays, self._window(part, 1), strict=True):
                    array[slot] = one[0, 0]
            slots = [kept.slot[key] for key in keys]
            window = self._window((d, 0, e - d, high - 2), 1)
            for one, array in zip(window, kept.arrays, strict=True):
                one[...] = array.take(slots, axis=0)

    def _columns_of(self, column: int) -> _Columns:
        """The columns like one of the lamps' columns."""
        kind = self.grid.columns.alike[column]
        if kind not in self._columns:
            views = self._window((column, 0, 1, len(self.grid.rows.bands)), 1)
            room = _MOST_COLUMNS // sum(one.nbytes for one in views)
            room = max(room, len(self.grid.columns.bands))
            # untouched memory costs nothing
            arrays = [np.empty((room, *one.shape[2:]), one.dtype) for one in views]
            self._columns[kind] = _Columns(arrays, room)
        return self._columns[kind]

    def _window(self, part: Box, down: int) -> Arrays:
        key = part, down
        if key not in self._windows:
            if len(self._windows) > _MOST_WINDOWS:
                self._windows.clear()
            self._windows[key] = self._windows_of(part, down)
        return self._windows[key]

    def _patterns(self, near: Shown) -> NDArray[np.int64]:
        """Which of nine lamps are lit, as bits, for each lamp of a matrix with a dark border."""
        lit = (near > 0).astype(np.int64)
        h, w = lit.shape[0] - 2, lit.shape[1] - 2
        out = lit[1:-1, 1:-1] << _OWN
        if self._spills:
            for k in range(9):
                if k != _OWN:
                    y, x = divmod(k, 3)
                    out |= lit[y : y + h, x : x + w] << k
        return out

    def _gather(self, tiles: _Tiles, nine: Shown) -> Arrays:
        """The arrays of tiles for nine lamps each, shape (n, 9)."""
        if not self._spills:
            nine = np.where(np.arange(9) == _OWN, nine, nine.dtype.type(0))
        first, back = _distinct(nine)
        make = self._make if self._hues is None else self._known
        return [a[back] for a in make(tiles, nine[first])]

    def _gather_patterns(self, tiles: _Tiles, patterns: NDArray[np.int64]) -> Arrays:
        """The arrays of tiles for patterns, shape (n, m)."""
        slots = tiles.slot[patterns]
        if slots.min() < 0:
            if self._kept > _MOST_KEPT:
                self._kept = 0
                for kept in self._tiles.values():
                    kept.forget()
            new = np.unique(patterns[tiles.slot[patterns] < 0])
            bits = (new[:, None] & _BITS > 0) * np.uint8(255)
            made = self._make(tiles, bits)
            self._kept += sum(a.nbytes for a in made)
            tiles.keep(new, made)
            slots = tiles.slot[patterns]
        return [a.take(slots, axis=0, mode="clip") for a in tiles.arrays]

    def _known(self, tiles: _Tiles, nine: Shown) -> Arrays:
        """The arrays of tiles of many hues, each made once."""
        keys = [one.tobytes() for one in nine]
        if self._kept > _MOST_KEPT:
            self._kept = 0
            for kept in self._tiles.values():
                kept.forget()
        missing = [k for k, key in enumerate(keys) if key not in tiles.mixed]
        if missing:
            made = self._make(tiles, nine[missing])
            self._kept += sum(a.nbytes for a in made)
            for n, k in enumerate(missing):
                tiles.mixed[keys[k]] = [a[n] for a in made]
        found = [tiles.mixed[key] for key in keys]
        return [np.stack(arrays) for arrays in zip(*found, strict=True)]

    def _of_kind(self, kind: tuple[int, int]) -> _Tiles:
        """The tiles like the one in a row and a column of lamps."""
        if kind not in self._tiles:
            row, column = kind
            kernels, cover, lens = self.grid.tile(
                (self.grid.rows.bands[row], self.grid.columns.bands[column])
            )
            if self._faint:
                around = np.maximum(kernels - self._faint, 0)
                around[_OWN] = np.where(lens > 0, kernels[_OWN], around[_OWN])
                kernels = around
            at = cover_levels(self.look, self._covers)
            steps = np.searchsorted((at[1:] + at[:-1]) / 2, cover).astype(np.uint16)
            self._tiles[kind] = _Tiles(
                kernels, lens, cover.astype(np.float32), steps * np.uint16(len(self._lights))
            )
        return self._tiles[kind]

    def _make(self, tiles: _Tiles, nine: Shown) -> Arrays:
        levels = (nine & 255).astype(np.float32) / np.float32(255)
        light = self._lit(tiles, levels)
        if self._hues is not None:
            lamp = np.stack(
                [self._lit(tiles, levels * one[nine >> 8]) for one in self._hues.T], axis=-1
            )
            lamp /= np.maximum(light, 1e-6)[..., None]
            return self._finish_mixed(tiles.cover, light, lamp)
        np.minimum(light, MOST_LIGHT, out=light)
        light *= 1 / MOST_LIGHT
        np.sqrt(light, out=light)
        light *= _FINE
        light += 0.5
        return self._finish(self._index(self._steps[light.astype(np.int16)], tiles.shade))

    def _lit(self, tiles: _Tiles, levels: F32) -> F32:
        """The light on tiles, shape (n, h, w), from nine levels each."""
        own = levels[:, _OWN, None, None]
        others = levels.copy()
        others[:, _OWN] = 0
        # not a matrix product, whose threads would keep spinning while the encoder needs the cores
        light: F32 = np.einsum("nk,kyx->nyx", others, tiles.kernels)
        # what falls on a lit lens is lost in its own light
        light *= 1 - own * tiles.lens
        light += own * tiles.kernels[_OWN]
        return light


def _distinct(nine: Shown) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each distinct row of nine lamps occurs first, and which of these each row is."""
    present = np.zeros(int(nine.max(initial=0)) + 1, bool)
    present[nine] = True
    rank = np.cumsum(present) - 1
    if rank[-1] >= 1 << 7:
        own = np.arange(len(nine))
        return own, own
    # nine numbers of 7 bits fit in one of 63
    keys = rank[nine] @ (1 << 7 * np.arange(9))
    _, first, back = np.unique(keys, return_index=True, return_inverse=True)
    return first, back
