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

from sonify.light.lamp_grid import Box, Kind, LampGrid
from sonify.light.look import BRIGHTEST, F32, Look, linear

__all__ = ["EVEN", "Arrays", "Renderer", "shades", "tiled"]

Arrays = list[NDArray[Any]]

# Steps of light are even in light ** (1 / EVEN), which is roughly how the eye works, so that a glow
# shows no rings (the exponent of common displays, common practice).
EVEN = 2.2
_FINE = 4096
_PATTERNS = 1 << 9
_BITS = 1 << np.arange(9)
# Bytes of tiles to keep; beyond that they are made again (own choice).
_MOST_KEPT = 32 << 20


def shades(look: Look, covers: int, lights: int) -> tuple[NDArray[np.float64], ...]:
    """All mixtures of coverage and light that a pixel can have.

    Returns
    -------
    tuple of ndarray
        Coverage by the unlit lamp, shape (covers, 1, 1); light from lit ones, shape (1, lights, 1);
        and their colours on the look's ground in linear light, shape (covers * lights, 3).
    """
    lamp, unlit, ground = (linear(c) for c in (look.lamp, look.unlit, look.ground))
    cover = np.linspace(0, 1, covers)[:, None, None]
    light = (np.linspace(0, 1, lights) ** EVEN * (look.brightness / BRIGHTEST))[None, :, None]
    base = ground + (unlit - ground) * cover
    return cover, light, (base + (lamp - base) * light).reshape(-1, 3)


def tiled(plane: NDArray[Any], n: int, m: int) -> NDArray[Any]:
    """A plane seen as n by m tiles, shape (n, m, h, w)."""
    h, w = plane.shape[0] // n, plane.shape[1] // m
    down, right = plane.strides
    return as_strided(plane, (n, m, h, w), (h * down, w * right, down, right))


@dataclass(eq=False)
class _Tiles:
    """The tiles of one kind: what they are made from, and the finished ones by pattern."""

    kernels: F32
    cover: NDArray[np.uint16]
    slot: NDArray[np.int32] = field(default_factory=lambda: np.full(_PATTERNS, -1, np.int32))
    used: int = 0
    arrays: Arrays = field(default_factory=list)

    def keep(self, patterns: NDArray[np.int64], arrays: Arrays) -> None:
        if not self.arrays:
            # room for all: untouched memory costs nothing
            self.arrays = [np.empty((_PATTERNS, *a.shape[1:]), a.dtype) for a in arrays]
        last = self.used + len(patterns)
        for kept, new in zip(self.arrays, arrays, strict=True):
            kept[self.used : last] = new
        self.slot[patterns] = np.arange(self.used, last)
        self.used = last


class Renderer(ABC):
    """Paints a matrix; levels are given in the player's order of lamps.

    Parameters
    ----------
    grid : LampGrid
    covers, lights : int
        Steps of coverage and of light that a back end tells apart.
    """

    def __init__(self, grid: LampGrid, covers: int, lights: int) -> None:
        self.grid, self.look, self.mounting = grid, grid.look, grid.mounting
        self._covers, self._lights = covers, lights
        self._steps = np.rint((np.arange(_FINE + 1) / _FINE) ** (1 / EVEN) * (lights - 1)).astype(
            np.uint16
        )
        self._tiles: dict[Kind, _Tiles] = {}
        self._kept = 0
        self._shown: NDArray[np.uint8] | None = None

    # ---- what back ends do ----

    @abstractmethod
    def _finish(self, index: NDArray[np.uint16]) -> Arrays:
        """The finished arrays of tiles, each of shape (n, ...), from the indices of their shades,
        cover * lights + light, shape (n, h, w)."""

    @abstractmethod
    def _place(self, part: Box, arrays: Arrays) -> None:
        """Put arrays of shape (n, m, ...) where n by m tiles are. `part` is in columns and rows of
        lamps: left, top, width and height."""

    def _index(self, step: NDArray[np.uint16], cover: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """The indices of shades, from steps of light and the indices of cover without light."""
        step += cover
        return step

    # ---- painting ----

    def forget(self) -> None:
        """Paint everything again next time."""
        self._shown = None

    def _update(self, levels: NDArray[np.uint8]) -> Box | None:
        """Paint levels of shape (height, width), and return the rectangle of pixels painted."""
        seen = self.mounting.levels(levels)
        near = np.pad(seen, 1)
        changed = np.ones(seen.shape, bool)
        if self._shown is not None:
            changed = near != self._shown
            if self.look.glow > 0:
                changed = changed[:-2] | changed[1:-1] | changed[2:]
                changed = changed[:, :-2] | changed[:, 1:-1] | changed[:, 2:]
            else:
                changed = changed[1:-1, 1:-1]
        self._shown = near
        ys, xs = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
        if not len(ys):
            return None
        top, below, left, right = int(ys[0]), int(ys[-1]) + 1, int(xs[0]), int(xs[-1]) + 1
        binary = bool(((seen == 0) | (seen == 255)).all())
        nine = sliding_window_view(near, (3, 3))
        rows, columns = self.grid.rows, self.grid.columns
        for r0, r1 in rows.runs:
            a, b = max(r0, top), min(r1, below)
            for c0, c1 in columns.runs:
                d, e = max(c0, left), min(c1, right)
                if a < b and d < e and changed[a:b, d:e].any():
                    kind = (rows.bands[a], columns.bands[d])
                    arrays = self._gather(kind, nine[a:b, d:e].reshape(-1, 9), binary)
                    shape = (b - a, e - d)
                    self._place(
                        (d, a, e - d, b - a), [p.reshape(*shape, *p.shape[1:]) for p in arrays]
                    )
        x, y = int(columns.edge[left]), int(rows.edge[top])
        return x, y, int(columns.edge[right]) - x, int(rows.edge[below]) - y

    def _gather(self, kind: Kind, nine: NDArray[np.uint8], binary: bool) -> Arrays:
        """The arrays of tiles for nine levels each, shape (n, 9)."""
        if not self.look.glow:
            nine = np.where(np.arange(9) == 4, nine, np.uint8(0))
        if not binary:
            first, back = _distinct(nine)
            made = self._make(self._of_kind(kind), nine[first])
            return [a[back] for a in made]
        patterns = (nine > 0) @ _BITS
        tiles = self._of_kind(kind)
        if int(tiles.slot[patterns].min()) < 0:
            if self._kept > _MOST_KEPT:
                self._kept = 0
                self._tiles.clear()
                tiles = self._of_kind(kind)
            new = np.unique(patterns[tiles.slot[patterns] < 0])
            bits = (new[:, None] & _BITS > 0) * np.uint8(255)
            made = self._make(tiles, bits)
            self._kept += sum(a.nbytes for a in made)
            tiles.keep(new, made)
        slots = tiles.slot[patterns]
        return [a[slots] for a in tiles.arrays]

    def _of_kind(self, kind: Kind) -> _Tiles:
        if kind not in self._tiles:
            kernels, cover = self.grid.tile(kind)
            steps = np.rint(cover * (self._covers - 1)).astype(np.uint16)
            self._tiles[kind] = _Tiles(kernels, steps * np.uint16(self._lights))
        return self._tiles[kind]

    def _make(self, tiles: _Tiles, nine: NDArray[np.uint8]) -> Arrays:
        levels = nine.astype(np.float32) / np.float32(255)
        # not a matrix product, whose threads would keep spinning while the encoder needs the cores
        light = np.einsum("nk,kyx->nyx", levels, tiles.kernels)
        np.minimum(light, 1, out=light)
        light *= _FINE
        light += 0.5
        return self._finish(self._index(self._steps[light.astype(np.int16)], tiles.cover))


def _distinct(nine: NDArray[np.uint8]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Where each distinct row of nine levels occurs first, and which of these each row is."""
    present = np.zeros(256, bool)
    present[nine] = True
    rank = np.cumsum(present) - 1
    if rank[-1] >= 1 << 7:
        own = np.arange(len(nine))
        return own, own
    # nine numbers of 7 bits fit in one of 63
    keys = rank[nine] @ (1 << 7 * np.arange(9))
    _, first, back = np.unique(keys, return_index=True, return_inverse=True)
    return first, back
