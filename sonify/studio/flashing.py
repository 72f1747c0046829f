"""Flashing light: whether a show, as the page shows it, is over WCAG's threshold, and a calmer one.

The page is taken to show the matrix two thirds as wide as a screen of 1024 by 768 pixels, the
display that the threshold's figures are for. A quick bound is told with every answer; where it
can't rule flashing out, the show is measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.light.flash import (
    CHANGE,
    FIELD,
    FIELD_SHARE,
    MOST_FLASHES,
    RED_SHARE,
    WINDOW_S,
    FlashMeter,
)
from sonify.light.look import BRIGHTEST, Look, colour, from_linear, to_linear
from sonify.light.mounting import Mounting

if TYPE_CHECKING:
    from sonify.light.flash import Flashing
    from sonify.performance import Performance

__all__ = ["check", "may_flash", "ramp"]

SHOWN = 680
"""How wide the page's matrix is on that screen, in pixels."""
FPS = 30.0
GRAIN = 8
"""Cells a lamp is measured in, each way."""
MAX_CELLS = 8_000_000
_SPARE = 1.2


def ramp(look: Look) -> list[str]:
    """A lamp's colours from dark to fully lit, in 16 steps, as its brightness has it."""
    lamp, unlit = (to_linear(np.array(colour(c)) / 255) for c in (look.lamp, look.unlit))
    share = np.linspace(0, 1, 17)[:, None] * look.brightness / BRIGHTEST
    mixed = np.rint(from_linear(unlit + (lamp - unlit) * share) * 255).astype(int)
    return ["#{:02x}{:02x}{:02x}".format(*c) for c in mixed]


def may_flash(show: Performance) -> bool:
    """Whether the threshold could be passed: never a wrong no."""
    return len(_suspects(show)) > 0


class _Limit(NamedTuple):
    """A quarter of a field in lamps, the matrix's lamps down and across, and a field's; and
    how far apart in s changes may be to count as within one second."""

    quarter: float
    shape: tuple[int, int]
    field: tuple[int, int]
    window: float


def _suspects(show: Performance) -> NDArray[np.float64]:
    """The spans in which the threshold could be passed, shape (spans, 2), in s.

    A flash is a pair of opposing changes, and only lamps that change often enough within a
    second, or enough of them at one moment, can flash a quarter of a field.
    """
    area = _lamp_area(show)
    if not area:
        return np.zeros((0, 2))
    matrix, look = show.setup.player.matrix, show.setup.light
    tile = _tile(show)
    field = (math.ceil(FIELD[1] / tile) + 1, math.ceil(FIELD[0] / tile) + 1)
    if look.turned % 180:
        field = field[::-1]
    limit = _Limit(
        FIELD_SHARE * FIELD[0] * FIELD[1] / area,
        (matrix.height, matrix.width),
        field,
        WINDOW_S + look.fade,
    )
    at = np.concatenate([_moments(show.lights, limit), _of_message(show, limit)])
    if not len(at):
        return np.zeros((0, 2))
    at.sort()
    before, after = limit.window + 0.5, look.fade + 0.5
    first = np.flatnonzero(np.diff(at, prepend=-np.inf) > before + after)
    last = np.append(first[1:], len(at)) - 1
    return np.stack([at[first] - before, at[last] + after], axis=1)


def _moments(changes: NDArray[np.void], limit: _Limit) -> NDArray[np.float64]:
    """Moments at which so many lamps could have flashed too often."""
    none = np.zeros(0)
    time, led, lit = changes["time_s"], changes["led"], changes["level"] > 0
    often = 2 * (MOST_FLASHES + 1) - 1
    if len(time) <= max(often, limit.quarter):
        return none
    # many lamps one way at one moment, again and again
    moment = np.cumsum(np.diff(time, prepend=time[0]) > 0)
    size = int(moment[-1]) + 1
    ups = np.bincount(moment, lit, size)
    both = np.bincount(moment, minlength=size)
    large = np.unique(time)[np.maximum(ups, both - ups) > limit.quarter]
    again = large[often:][large[often:] - large[:-often] <= limit.window]
    # many lamps of one field that each change again and again, within one second
    order = np.argsort(led, kind="stable")
    t, lamp = time[order], led[order].astype(np.int64)
    quick = (lamp[often:] == lamp[:-often]) & (t[often:] - t[:-often] <= limit.window)
    end, who = t[often:][quick], lamp[often:][quick]
    crowds = _crowds(end, who, limit) if len(end) > limit.quarter else none
    return np.concatenate([again, crowds])


def _crowds(end: NDArray[np.float64], who: NDArray[np.int64], limit: _Limit) -> NDArray[np.float64]:
    """Moments at which lamps that were quick at those times crowd in one field."""
    down, across = limit.shape
    # such a lamp counts for a second, told in quarters
    ahead = math.ceil(4 * limit.window) + 1
    zero = float(end.min())
    bucket = np.floor((end - zero) * 4).astype(np.int64)[:, None] + np.arange(ahead)
    count = int(bucket.max()) + 1
    if count * down * across > MAX_CELLS:
        return np.unique(np.floor(end * 4) / 4)
    cells = np.zeros((count, down + 1, across + 1), np.int32)
    y, x = np.divmod(who, across)
    cells[bucket, y[:, None] + 1, x[:, None] + 1] = 1
    cells = cells.cumsum(axis=1).cumsum(axis=2)
    h, w = min(limit.field[0], down), min(limit.field[1], across)
    inside = cells[:, h:, w:] - cells[:, :-h, w:] - cells[:, h:, :-w] + cells[:, :-h, :-w]
    out: NDArray[np.float64] = zero + np.flatnonzero(inside.max(axis=(1, 2)) > limit.quarter) / 4.0
    return out


_known: dict[tuple[object, ...], NDArray[np.float64]] = {}


def _of_message(show: Performance, limit: _Limit) -> NDArray[np.float64]:
    """The same of the message; known ones are remembered."""
    scroll = show.scroll
    if scroll is None:
        return np.zeros(0)
    key = (scroll.columns.tobytes(), scroll.width, scroll.column_s, scroll.start_s, limit)
    if key not in _known:
        if len(_known) > 200:
            _known.clear()
        _known[key] = _moments(scroll.lights(), limit)
    return _known[key]


def _lamp_area(show: Performance) -> float:
    """How many pixels of the screen one lamp changes by enough to count, with room to spare."""
    from sonify.light.lamp import Lamp

    look = show.setup.light
    lamp, unlit = (to_linear(np.array(colour(c)) / 255) for c in (look.lamp, look.unlit))
    weights = np.array([0.2126, 0.7152, 0.0722])
    step = abs(float(weights @ (lamp - unlit))) * look.brightness / BRIGHTEST
    red = float(max(lamp[0] / max(lamp.sum(), 1e-9), unlit[0] / max(unlit.sum(), 1e-9)))
    if step < CHANGE / 2 and red < RED_SHARE:
        return 0.0
    small = msgspec.structs.replace(look, pixels=8)
    light = Lamp(small).light
    least = 0.02 if red >= RED_SHARE else CHANGE / max(step, CHANGE)
    return _SPARE * _tile(show) ** 2 * float((light >= least).sum()) / 64


def _tile(show: Performance) -> float:
    """From lamp to lamp on that screen, in pixels."""
    from sonify.light.panel import size_of

    look = msgspec.structs.replace(show.setup.light, pixels=8)
    return SHOWN / size_of(look, show.setup.player.matrix)[0] * 8


def _measured(show: Performance) -> Flashing:
    """The worst second of the matrix as the page shows it, of those that could be over."""
    from sonify.light.lamp import Lamp

    look = msgspec.structs.replace(show.setup.light, pixels=GRAIN)
    across, down = Mounting.of(look, show.setup.player.matrix).size
    size, zoom = (across * GRAIN, down * GRAIN), _tile(show) / GRAIN
    meter = worst = None
    lamp, unlit, ground = (
        to_linear(np.array(colour(c)) / 255).astype(np.float32)
        for c in (look.lamp, look.unlit, look.ground)
    )
    cover = Lamp(look).cover.astype(np.float32)
    kernel = Lamp(look).light.reshape(3, GRAIN, 3, GRAIN).transpose(0, 2, 1, 3)
    kernel = kernel * np.float32(look.brightness / BRIGHTEST)
    base = ground[:, None, None] + (unlit - ground)[:, None, None] * np.tile(cover, (down, across))
    for span, time, levels in _frames(show):
        if meter is None or span:
            meter = FlashMeter(*size, zoom=zoom)
        near = np.pad(levels, 1)
        light = np.zeros((down, across, GRAIN, GRAIN), np.float32)
        for dy in range(3):
            for dx in range(3):
                part = near[dy : dy + down, dx : dx + across]
                light += part[:, :, None, None] * kernel[2 - dy, 2 - dx]
        cells = np.minimum(light, 1).transpose(0, 2, 1, 3).reshape(down * GRAIN, across * GRAIN)
        meter.add(time, 0, 0, base + (lamp[:, None, None] - base) * cells)
        if worst is None or _rank(meter.worst) > _rank(worst):
            worst = meter.worst
            if worst.over:
                break
    return worst or FlashMeter(*size, zoom=zoom).worst


def _rank(flashing: Flashing) -> tuple[bool, int, float]:
    return flashing.over, flashing.flashes, flashing.share


def _frames(show: Performance) -> Iterator[tuple[bool, float, NDArray[np.float32]]]:
    """The pictures of all suspect spans: whether one begins a span, its time, and the levels
    of all lamps from then on, 0 to 1, as they are seen.

    Where lamps fade, there are `FPS` pictures a second while they do.
    """
    matrix, look = show.setup.player.matrix, show.setup.light
    mounting = Mounting.of(look, matrix)
    changes = [show.lights]
    if show.scroll is not None:
        before = np.zeros(matrix.lamps, np.uint8)
        before[show.lights["led"]] = show.lights["level"]
        changes.append(show.scroll.lights(before))
    every = np.concatenate(changes)
    wanted = np.zeros(matrix.lamps, np.float32)
    shown = wanted.copy()
    done = 0

    def seen() -> NDArray[np.float32]:
        levels: Any = shown.reshape(matrix.height, matrix.width)
        out: NDArray[np.float32] = np.asarray(mounting.levels(levels))
        return out

    for begin, end in _suspects(show):
        first = max(done, int(np.searchsorted(every["time_s"], begin)))
        stop = int(np.searchsorted(every["time_s"], end))
        wanted[every["led"][done:first]] = every["level"][done:first] / np.float32(255)
        shown = wanted.copy()
        yield True, float(begin), seen()
        moments, start = np.unique(every["time_s"][first:stop], return_index=True)
        edges = np.append(start, stop - first) + first
        for k, time in enumerate(moments.tolist()):
            part = slice(edges[k], edges[k + 1])
            wanted[every["led"][part]] = every["level"][part] / np.float32(255)
            if look.fade == 0:
                shown = wanted.copy()
                yield False, time, seen()
                continue
            left = (moments[k + 1] if k + 1 < len(moments) else end + look.fade) - time
            frame = 0
            while frame / FPS < left and not np.array_equal(shown, wanted):
                most = np.float32(min(1 / FPS, left - frame / FPS) / look.fade)
                shown = shown + np.clip(wanted - shown, -most, most)
                yield False, time + frame / FPS, seen()
                frame += 1
        done = stop


# what calms, in the order in which it is tried, each on top of those before: a setting, and its
# value from the one it has
_CALMER: tuple[tuple[str, Any], ...] = (
    ("light.fade", lambda v: max(v, 0.15)),
    ("player.matrix.scroll", lambda v: round(v * 0.75, 2)),
    ("light.fade", lambda v: max(v, 0.3)),
    ("light.brightness", lambda v: min(v, 8)),
    ("player.matrix.scroll", lambda v: round(v * 0.75, 2)),
    ("light.fade", lambda v: max(v, 0.5)),
    ("light.brightness", lambda v: min(v, 4)),
    ("light.lamp", lambda v: _paler(v)),
    ("light.fade", lambda v: max(v, 1.0)),
    ("light.brightness", lambda v: 1),
)


def _paler(lamp: str) -> str:
    mixed = [round(c + (255 - c) * 0.6) for c in colour(lamp)]
    return "#{:02x}{:02x}{:02x}".format(*mixed)


def check(show: Performance) -> dict[str, Any]:
    """What the page is told of a show's flashing.

    Returns
    -------
    dict
        `over`, `text`, and `calm`: dotted settings and their values that bring it within the
        threshold, or None.
    """
    worst = _measured(show)
    if not worst.over:
        return {"over": False, "text": worst.short, "calm": None}
    calm: dict[str, Any] = {}
    now = show
    for key, change in _CALMER:
        if key == "light.lamp" and worst.kind != "red":
            continue
        now, value = _with(now, key, change)
        calm[key] = value
        if not _measured(now).over:
            return {"over": True, "text": worst.short, "calm": calm}
    return {"over": True, "text": worst.short, "calm": None}


def _with(show: Performance, key: str, change: Any) -> tuple[Performance, Any]:
    """A show with one setting changed, and its new value."""

    def put(table: Any, parts: list[str]) -> tuple[Any, Any]:
        old = getattr(table, parts[0])
        if len(parts) == 1:
            new = change(old)
            return msgspec.structs.replace(table, **{parts[0]: new}), new
        inner, new = put(old, parts[1:])
        return msgspec.structs.replace(table, **{parts[0]: inner}), new

    setup, value = put(show.setup, key.split("."))
    return replace(show, setup=setup), value
