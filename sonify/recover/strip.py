"""Where the lamps of a real strip are: from a table, or from a film of the test pattern."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.errors import InputError
from sonify.input_file import input_file
from sonify.light.test_pattern import ALL_S, DARK_S, LAMP_S
from sonify.light.wiring import read_map

__all__ = ["FILMS", "seen_strip"]

FILMS = (".mp4", ".mov", ".webm", ".mkv", ".avi")
_WIDTH = 640
"""Films are read at about this width, which leaves five pixels for a lamp of 128."""
_LEAST = 24.0
"""The least a lamp must brighten a pixel, of 255: three times the noise of a dim film (from
memory)."""
_OFF_GRID = 0.25
"""How far from its place a lamp may seem, in lamps: more would be nearer to a neighbour than is
safe."""
_LONGEST_S = 4 * 3600.0

Grey = NDArray[np.uint8]
Reals = NDArray[np.float64]


def seen_strip(path: Path, matrix: Matrix, length: int) -> NDArray[np.int64]:
    """The number of each lamp on the strip, from 0, by where it was seen; -1 where none was.

    Parameters
    ----------
    path : Path
        A .csv table (see `read_map`) or a film of the test pattern: the whole matrix upright in
        the picture, the camera still, the room dark.
    matrix : Matrix
    length : int
        Lamps on the strip.

    Returns
    -------
    ndarray of int64, shape (height, width)
    """
    shape = (matrix.height, matrix.width)
    if path.suffix.casefold() == ".csv":
        return read_map(path, shape)
    if path.suffix.casefold() not in FILMS:
        raise InputError(f"a strip is seen in a .csv table or a film: {', '.join(FILMS)}",
                         file=path)  # fmt: skip
    with input_file(path):
        found = _lamps(path, length)
    if len(found) < min(4, length):
        raise InputError(f"it shows {len(found)} lamps of {length:,} one after the other; film the "
                         "test pattern from its start, in a dark room", file=path)  # fmt: skip
    at = np.array(list(found.values()))
    places = _on_grid(at, shape)
    nearest = np.rint(places)
    off = np.abs(places - nearest).max()
    inside = ((nearest >= 0) & (nearest < np.array(shape[::-1]))).all()
    if off > _OFF_GRID or not inside or len(np.unique(nearest, axis=0)) < len(at):
        raise InputError(
            f"the lamps seen are not on a grid of {matrix.width} x {matrix.height}; keep "
            "the camera still and the matrix upright, and check that its corners light",
            file=path,
        )
    out = np.full(shape, -1, np.int64)
    x, y = nearest.astype(np.int64).T
    out[y, x] = list(found)
    return out


def _frames(path: Path) -> Iterator[tuple[float, Grey]]:
    """Times and grey pictures of a film."""
    import av
    import cv2

    try:
        with av.open(str(path)) as film:
            stream = film.streams.video[0]
            for frame in film.decode(stream):
                grey: Any = frame.to_ndarray(format="gray")
                share = _WIDTH / grey.shape[1]
                if share < 1:
                    size = (_WIDTH, max(1, round(grey.shape[0] * share)))
                    grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
                if frame.time is None or frame.time > _LONGEST_S:
                    return
                yield float(frame.time), grey
    except (av.error.FFmpegError, IndexError) as e:
        raise InputError(f"it can't be read as a film ({e})", file=path) from None


def _lamps(path: Path, length: int) -> dict[int, tuple[float, float]]:
    """The lamps that light one by one, and where in the picture, x and y in pixels."""
    times, light = [], []
    dark: Grey | None = None
    for time_s, grey in _frames(path):
        times.append(time_s)
        light.append(float(grey.mean()))
        dark = grey.copy() if dark is None else np.minimum(dark, grey)
    if dark is None:
        return {}
    when, total = np.array(times), np.array(light)
    all_on = total > (total.max() + np.median(total)) / 2
    # the end of the first long stretch in which all lamps are lit
    ends = np.flatnonzero(all_on[:-1] & ~all_on[1:]) + 1
    starts = np.flatnonzero(np.diff(all_on.astype(np.int8), prepend=0) > 0)
    long = [e for e in ends if when[e] - when[starts[starts < e].max()] > ALL_S / 2]
    if not long:
        return {}
    zero = float(when[long[0] - 1] + when[long[0]]) / 2 + DARK_S
    middle = zero + (np.arange(length) + 0.5) * LAMP_S
    index = np.searchsorted((when[:-1] + when[1:]) / 2, middle)
    wanted = {int(i): n for n, i in enumerate(index.tolist()) if middle[n] <= when[-1] + LAMP_S}
    out = {}
    for k, (_, grey) in enumerate(_frames(path)):
        if k in wanted and (at := _brightest(grey.astype(np.float32) - dark)) is not None:
            out[wanted[k]] = at
    return dict(sorted(out.items()))


def _brightest(more: NDArray[np.float32]) -> tuple[float, float] | None:
    """The middle of the brightest spot; None if nothing is bright."""
    import cv2

    peak = float(cv2.GaussianBlur(more, (3, 3), 0).max())
    if peak < _LEAST:
        return None
    _, labels, stats, _ = cv2.connectedComponentsWithStats(
        (more > peak / 2).astype(np.uint8), connectivity=8
    )
    y, x = np.nonzero(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))
    weight = more[y, x]
    return float((x * weight).sum() / weight.sum()), float((y * weight).sum() / weight.sum())


def _on_grid(at: Reals, shape: tuple[int, int]) -> Reals:
    """Places in the picture as columns and rows, by the lamps in the corners."""
    import cv2

    height, width = shape
    x, y = at.T
    if min(shape) == 1:
        along = x if width > 1 else y
        span = max(float(along.max() - along.min()), 1e-9)
        line = (along - along.min()) / span * (max(shape) - 1)
        flat = np.zeros_like(line)
        return np.stack([line, flat] if width > 1 else [flat, line], axis=1)
    corners = at[[np.argmin(x + y), np.argmax(x - y), np.argmax(x + y), np.argmin(x - y)]]
    right, low = width - 1, height - 1
    grid = np.array([(0, 0), (right, 0), (right, low), (0, low)], np.float32)
    turn = cv2.getPerspectiveTransform(corners.astype(np.float32), grid)
    out: Reals = cv2.perspectiveTransform(at[None].astype(np.float64), turn)[0]
    return out
