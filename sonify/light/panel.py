"""The matrix painted straight into an encoder's planes.

The picture of a lamp and of what its neighbours throw on it depends on nine levels only. So it is
made once for each pattern of nine and then copied, and of a matrix only what changed is copied.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import msgspec
import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.light.lamp import Lamp
from sonify.light.look import BRIGHTEST, Look, colour, from_linear, to_linear
from sonify.light.mounting import Mounting
from sonify.light.planes import F32, Picture, halved, over
from sonify.player.profile import Matrix

__all__ = ["Box", "Panel", "fitted", "size_of"]

Box = tuple[int, int, int, int]
"""A rectangle of pixels: left, top, width, height."""

COVERS = 16
LIGHTS = 128
_EVEN = 2.2
_STEPS = np.rint((np.arange(4097) / 4096) ** (1 / _EVEN) * (LIGHTS - 1)).astype(np.uint16)
_GRAIN = 4  # sizes are multiples of this, so that chroma and the flash meter's cells fall in place
_STEPS_OF_LEVEL = 15
_MOST_VIEWS = 1024
_PATTERNS = 512  # of nine lamps that are lit or not
_MOST_KEPT = 32 << 20
"""Bytes of tiles that are kept; beyond that they are made anew."""


def _tiled(plane: NDArray[Any], n: int, m: int) -> NDArray[Any]:
    """A plane as n by m tiles, shape (n, m, h, w)."""
    h, w = plane.shape[0] // n, plane.shape[1] // m
    down, right = plane.strides
    return as_strided(plane, (n, m, h, w), (h * down, w * right, down, right))


def _means(fine: F32, cell: int) -> F32:
    """The mean of each square of `cell` (a power of two) pixels a side."""
    while cell > 1:
        fine = halved(fine)
        cell //= 2
    return fine


@dataclass(frozen=True)
class Band:
    """Columns (or rows) of pixels that belong to one lamp, its tile and what is beside it.

    Attributes
    ----------
    before, after : int
        Pixels on either side of its tile.
    back, on : int
        Pixels from its start to its neighbours' starts.
    """

    before: int
    after: int
    back: int
    on: int


@dataclass(frozen=True)
class Axis:
    """One axis of the matrix: where lamps start, and the bands of pixels around them."""

    start: NDArray[np.int64]
    edge: NDArray[np.int64]
    bands: list[Band]
    size: int

    @cached_property
    def runs(self) -> list[tuple[int, int]]:
        """Lamps one after the other with the same band: the first, and behind the last."""
        cuts = [k for k in range(1, len(self.bands)) if self.bands[k] != self.bands[k - 1]]
        return list(zip([0, *cuts], [*cuts, len(self.bands)], strict=True))


def _even(value: float, grain: int) -> int:
    return round(value / grain) * grain


def _axis(count: int, look: Look, s: int, grain: int) -> Axis:
    # a glow has room to die away
    margin = _even(max(look.margin, 0.5 if look.glow else 0.0) * s, grain)
    gap = _even(look.module_gap * s, grain) if look.module else 0
    at = np.arange(count)
    start = margin + at * s + (at // look.module * gap if look.module else 0)
    size = int(start[-1]) + s + margin
    edge = np.empty(count + 1, np.int64)
    edge[0] = start[0] - min(margin, s)
    edge[-1] = start[-1] + s + min(margin, s)
    between = start[1:] - (start[:-1] + s)
    edge[1:-1] = start[:-1] + s + between // 2 // grain * grain
    far = 4 * s
    bands = [
        Band(
            int(start[k] - edge[k]),
            int(edge[k + 1] - start[k] - s),
            int(start[k] - start[k - 1]) if k else far,
            int(start[k + 1] - start[k]) if k + 1 < count else far,
        )
        for k in range(count)
    ]
    return Axis(start, edge, bands, size)


def _grain_of(s: int) -> int:
    return _GRAIN if s >= 4 * _GRAIN and s % _GRAIN == 0 else 2


def fitted(look: Look, matrix: Matrix, width: int, height: int) -> tuple[int, int, int]:
    """The largest lamps with which a matrix fits, and the size that it then has.

    Returns
    -------
    tuple of int
        Pixels from lamp to lamp, and width and height of the picture; all zero if lamps would be
        under two pixels.
    """
    across, down = Mounting.of(look, matrix).size
    lamps = (across, down)
    most = int(min(width / lamps[0], height / lamps[1])) + 2
    for s in range(most - most % 2, 0, -2):
        if s > 4 * _GRAIN and s % _GRAIN:
            continue
        grain = _grain_of(s)
        w, h = _axis(across, look, s, grain).size, _axis(down, look, s, grain).size
        if w <= width and h <= height:
            return s, w, h
    return 0, 0, 0


def size_of(look: Look, matrix: Matrix) -> tuple[int, int]:
    """Width and height of a matrix whose lamps are as far apart as the look says, made even."""
    s = max(2, look.pixels + look.pixels % 2)
    if s > 4 * _GRAIN:
        s = _even(s, _GRAIN)
    grain = _grain_of(s)
    across, down = Mounting.of(look, matrix).size
    return _axis(across, look, s, grain).size, _axis(down, look, s, grain).size


@dataclass(eq=False)
class _Tiles:
    """The pictures of one kind of tile: which pattern is where, planes, and light by cells."""

    slot: NDArray[np.int32] = field(default_factory=lambda: np.full(_PATTERNS, -1, np.int32))
    used: int = 0
    planes: list[NDArray[Any]] = field(default_factory=list)
    cells: NDArray[np.float32] | None = None

    def add(
        self, patterns: NDArray[np.int64], planes: list[NDArray[Any]], cells: F32 | None
    ) -> None:
        """Keep the pictures of more patterns."""
        if not self.planes:
            # room for all: memory that nothing is written to is not taken
            self.planes = [np.empty((_PATTERNS, *p.shape[1:]), p.dtype) for p in planes]
            if cells is not None:
                self.cells = np.empty((_PATTERNS, *cells.shape[1:]), np.float32)
        first, last = self.used, self.used + len(patterns)
        for kept, new in zip(self.planes, planes, strict=True):
            kept[first:last] = new
        if cells is not None and self.cells is not None:
            self.cells[first:last] = cells
        self.slot[patterns] = np.arange(first, last)
        self.used = last


class Panel:
    """A matrix on a picture.

    Parameters
    ----------
    look : Look
    matrix : Matrix
    picture : Picture
        What it is painted on.
    box : tuple of int
        Where on it, at most; the matrix lies in its middle.
    cell : int
        Side of the flash meter's cells.

    Raises
    ------
    InputError
        Lamps would be too small to see.
    """

    def __init__(self, look: Look, matrix: Matrix, picture: Picture, box: Box, cell: int = 1):
        x, y, w, h = box
        s, wide, high = fitted(look, matrix, w, h)
        if not s:
            across, down = Mounting.of(look, matrix).size
            raise InputError(
                f"{across} by {down} lamps don't fit {w} by {h} pixels with two for each; "
                "take a larger size",
                place="--size",
            )
        self.picture = picture
        self.look = msgspec.structs.replace(look, pixels=s)
        self.mounting = Mounting.of(look, matrix)
        across, down = self.mounting.size
        grain = _grain_of(s)
        self.columns = _axis(across, self.look, s, grain)
        self.rows = _axis(down, self.look, s, grain)
        step = max(grain, cell)
        self.x = (x + (w - wide) // 2) // step * step
        self.y = (y + (h - high) // 2) // step * step
        self.box: Box = (self.x, self.y, wide, high)
        # light by cells is ready with the tiles where these fall on whole cells
        in_place = all(v % cell == 0 for v in (self.x, self.y, s, grain))
        self.cell = cell if in_place and s >= cell and picture.format.name != "" else 0
        self._tiles: dict[tuple[Band, Band], _Tiles] = {}
        self._kept = 0
        self._shown: NDArray[np.int64] | None = None
        self._seen: dict[tuple[int, int, int, int], list[NDArray[Any]]] = {}
        self.light: F32 | None = None
        if self.cell and look.plain:
            self.light = np.zeros((3, high // cell, wide // cell), np.float32)
            ground = to_linear(np.array(colour(look.ground)) / 255)
            self.light[:] = ground[:, None, None]
        self._levels = np.zeros((down, across), np.uint8)

    def centres(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """The picture's columns and rows of pixels in which lamps, as seen, have their centres."""
        half = self.look.pixels // 2
        return self.x + self.columns.start + half, self.y + self.rows.start + half

    # ---- colours ----

    @cached_property
    def _lamp(self) -> Lamp:
        return Lamp(self.look)

    @cached_property
    def _table(self) -> tuple[NDArray[Any], F32, F32]:
        """For each cover and light: components' numbers, coverage, and linear light on the ground.

        Shapes (n, 3), (n,), (3, n); index = cover * LIGHTS + light.
        """
        look = self.look
        lamp, unlit, ground = (
            to_linear(np.array(colour(c)) / 255) for c in (look.lamp, look.unlit, look.ground)
        )
        cover = np.linspace(0, 1, COVERS)[:, None, None]
        light = (np.linspace(0, 1, LIGHTS) ** _EVEN * look.brightness / BRIGHTEST)[None, :, None]
        if look.plain:
            base = ground + (unlit - ground) * cover
            mixed = (base + (lamp - base) * light).reshape(-1, 3)
            alpha = np.ones(len(mixed))
            straight = from_linear(mixed)
        else:
            whole = (1 - (1 - cover) * (1 - light)).reshape(-1)
            part = (unlit * cover * (1 - light) + lamp * light).reshape(-1, 3)
            straight = from_linear(part / np.maximum(whole, 1e-9)[:, None])
            straight[0] = straight[1]
            # coverage as the eye sees it, since pictures are laid over each other unlinearly
            alpha = from_linear(whole)
            mixed = to_linear(straight * alpha[:, None])
        numbers = self.picture.format.nearest(straight)
        return numbers, alpha.astype(np.float32), np.ascontiguousarray(mixed.T, np.float32)

    # ---- tiles ----

    def _kernels(self, kind: tuple[Band, Band]) -> tuple[F32, NDArray[np.uint16]]:
        """The light of nine lamps on a kind of tile, shape (9, pixels), and its cover's index."""
        s = self.look.pixels
        row, column = kind
        picks = []
        for band in (row, column):
            at = np.arange(-band.before, s + band.after)
            picks.append([at - move + s for move in (-band.back, 0, band.on)])
        light = np.pad(self._lamp.light, ((0, 1), (0, 1)))
        out = []
        for ky in picks[0]:
            for kx in picks[1]:
                # what is out of reach falls on the dark border
                ky_in = np.where((ky >= 0) & (ky < 3 * s), ky, 3 * s)
                kx_in = np.where((kx >= 0) & (kx < 3 * s), kx, 3 * s)
                out.append(light[np.ix_(ky_in, kx_in)].reshape(-1))
        h, w = row.before + s + row.after, column.before + s + column.after
        cover = np.zeros((h, w), np.uint16)
        inner = np.rint(self._lamp.cover * (COVERS - 1)).astype(np.uint16) * np.uint16(LIGHTS)
        cover[row.before : row.before + s, column.before : column.before + s] = inner
        return np.stack(out), cover

    @cached_property
    def _ready(self) -> dict[tuple[Band, Band], tuple[F32, NDArray[np.uint16]]]:
        return {}

    def _paint(self, kind: tuple[Band, Band], levels: F32) -> tuple[list[NDArray[Any]], Any]:
        """Tiles for levels of nine lamps, shape (n, 9) from 0 to 1: planes, and light by cells."""
        if kind not in self._ready:
            self._ready[kind] = self._kernels(kind)
        kernel, cover = self._ready[kind]
        n = len(levels)
        # no matrix product: its threads would spin on where the encoder could work
        light = np.einsum("nk,kp->np", levels, kernel)
        np.minimum(light, 1, out=light)
        light *= len(_STEPS) - 1
        light += 0.5
        index = _STEPS[light.astype(np.int16)].reshape(n, *cover.shape)
        index += cover
        numbers, alpha, mixed = self._table
        fmt = self.picture.format
        planes: list[NDArray[Any]] = [numbers[:, 0][index]]
        if not self.look.plain and not self.look.clear:
            return [index], None
        for k in (1, 2):
            full = numbers[:, k][index]
            if fmt.half:
                h, w = cover.shape
                mean = halved(full.reshape(n * h, w).astype(np.float32))
                full = np.rint(mean).astype(fmt.dtype).reshape(n, h // 2, w // 2)
            planes.append(full)
        if fmt.alpha:
            planes.append(np.rint(alpha * fmt.top).astype(fmt.dtype)[index])
        cells = None
        if self.cell:
            h, w = cover.shape
            whole = index.reshape(n * h, w)
            cells = np.empty((n, 3, h // self.cell, w // self.cell), np.float32)
            for k, one in enumerate(mixed):
                cells[:, k] = _means(one[whole], self.cell).reshape(n, h // self.cell, -1)
        return planes, cells

    def _known(self, kind: tuple[Band, Band], patterns: NDArray[np.int64]) -> _Tiles:
        """The tiles of a kind, with all the patterns that are asked for among them."""
        tiles = self._tiles.get(kind)
        if tiles is None:
            tiles = self._tiles[kind] = _Tiles()
        if int(tiles.slot[patterns].min()) >= 0:
            return tiles
        if self._kept > _MOST_KEPT:
            self._kept = 0
            self._tiles.clear()
            tiles = self._tiles[kind] = _Tiles()
        new = np.unique(patterns[tiles.slot[patterns] < 0])
        bits = (new[:, None] >> np.arange(9)) & 1
        planes, cells = self._paint(kind, bits.astype(np.float32))
        self._kept += sum(p.nbytes for p in planes) + (0 if cells is None else cells.nbytes)
        tiles.add(new, planes, cells)
        return tiles

    # ---- painting ----

    def update(self, levels: NDArray[np.uint8]) -> tuple[Box, F32 | None] | None:
        """Show levels, of shape (height, width) as the player counts its lamps.

        Returns
        -------
        tuple or None
            The rectangle that was painted again, and its linear light by cells, shape
            (3, h, w), where cells fall in place. None where nothing changed.
        """
        seen = self.mounting.levels(levels)
        binary = bool(((seen == 0) | (seen == 255)).all())
        down, across = seen.shape
        padded = np.zeros((down + 2, across + 2), np.int64)
        padded[1:-1, 1:-1] = seen > 0 if binary else np.rint(seen * (_STEPS_OF_LEVEL / 255))
        patterns = np.zeros((down, across), np.int64)
        bits = 1 if binary else 4
        for k in range(9):
            dy, dx = divmod(k, 3)
            patterns |= padded[dy : dy + down, dx : dx + across] << (k * bits)
        if not binary:
            patterns |= np.int64(1) << np.int64(40)
        if self._shown is None:
            changed = np.ones((down, across), bool)
            x, y, w, h = self.box
            self.picture.clear(x, y, w, h)
        else:
            changed = patterns != self._shown
        ys, xs = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
        self._shown = patterns
        if not len(ys):
            return None
        return self._repaint(
            patterns, changed, binary, int(ys[0]), int(ys[-1]) + 1, int(xs[0]), int(xs[-1]) + 1
        )

    def forget(self) -> None:
        """Paint all of it again next time."""
        self._shown = None

    def _repaint(
        self,
        patterns: NDArray[np.int64],
        changed: NDArray[np.bool_],
        binary: bool,
        top: int,
        below: int,
        left: int,
        right: int,
    ) -> tuple[Box, F32 | None]:
        c = self.cell
        ye, xe = self.rows.edge, self.columns.edge
        h, w = int(ye[below] - ye[top]), int(xe[right] - xe[left])
        for r0, r1 in self.rows.runs:
            a, b = max(r0, top), min(r1, below)
            if a >= b:
                continue
            for c0, c1 in self.columns.runs:
                d, e = max(c0, left), min(c1, right)
                if d >= e or not changed[a:b, d:e].any():
                    continue
                kind = (self.rows.bands[a], self.columns.bands[d])
                planes, cells = self._gather(kind, patterns[a:b, d:e], binary)
                if len(planes) == 1:
                    self._place_over(planes[0], int(xe[d]), int(ye[a]))
                else:
                    for view, tile in zip(self._views(a, b, d, e), planes, strict=True):
                        view[...] = tile
                if self.light is not None and cells is not None:
                    self._cell_view(a, b, d, e)[...] = cells
        light = None
        if self.light is not None:
            y0, x0 = int(ye[top]) // c, int(xe[left]) // c
            light = self.light[:, y0 : y0 + h // c, x0 : x0 + w // c]
        return (self.x + int(xe[left]), self.y + int(ye[top]), w, h), light

    def _gather(
        self, kind: tuple[Band, Band], patterns: NDArray[np.int64], binary: bool
    ) -> tuple[list[NDArray[Any]], Any]:
        """Tiles for patterns, shape (n, m): planes of shape (n, m, h, w), and light by cells."""
        shape = patterns.shape
        flat = patterns.reshape(-1)
        if binary:
            tiles = self._known(kind, flat)
            slots = tiles.slot[flat]
            planes = [p[slots].reshape(*shape, *p.shape[1:]) for p in tiles.planes]
            if tiles.cells is None:
                return planes, None
            return planes, tiles.cells[slots].reshape(*shape, *tiles.cells.shape[1:])
        each, back = np.unique(flat, return_inverse=True)
        nine = ((each[:, None] >> (4 * np.arange(9))) & 15).astype(np.float32)
        nine /= _STEPS_OF_LEVEL
        made, cells = self._paint(kind, nine)
        planes = [p[back].reshape(*shape, *p.shape[1:]) for p in made]
        return planes, None if cells is None else cells[back].reshape(*shape, *cells.shape[1:])

    def _views(self, top: int, below: int, left: int, right: int) -> list[NDArray[Any]]:
        """The picture's planes where some tiles of one kind are, each of shape (n, m, h, w)."""
        key = (top, below, left, right)
        views = self._seen.get(key)
        if views is None:
            if len(self._seen) > _MOST_VIEWS:
                self._seen.clear()
            x, y = self.x + int(self.columns.edge[left]), self.y + int(self.rows.edge[top])
            w = int(self.columns.edge[right] - self.columns.edge[left])
            h = int(self.rows.edge[below] - self.rows.edge[top])
            views = self._seen[key] = [
                _tiled(plane, below - top, right - left)
                for plane in self.picture.cut(self.picture.planes, x, y, w, h)
            ]
        return views

    def _cell_view(self, top: int, below: int, left: int, right: int) -> NDArray[Any]:
        assert self.light is not None
        c = self.cell
        ye, xe = self.rows.edge // c, self.columns.edge // c
        part = self.light[:, ye[top] : ye[below], xe[left] : xe[right]]
        n, m = below - top, right - left
        h, w = part.shape[1] // n, part.shape[2] // m
        q, d, r = part.strides
        return as_strided(part, (n, m, 3, h, w), (h * d, w * r, q, d, r))

    def _place_over(self, index: NDArray[Any], x: int, y: int) -> None:
        """Lay tiles of the table's indices over a background picture."""
        n, m, h, w = index.shape
        whole = index.transpose(0, 2, 1, 3).reshape(n * h, m * w)
        numbers, alpha, _ = self._table
        picture = self.picture
        box = (self.x + x, self.y + y, m * w, n * h)
        over(
            picture.format,
            picture.cut(picture.planes, *box),
            picture.cut(picture.ground, *box),
            numbers.astype(np.float32)[whole],
            alpha[whole],
        )
