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

from sonify.light.flash import CHANGE, FIELD, FIELD_SHARE, MOST_FLASHES, RED_SHARE
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
LONGEST_S = 900.0
MAX_COLUMNS = 3000
MAX_CELLS = 8_000_000
_SPARE = 1.2


def ramp(look: Look) -> list[str]:
    """A lamp's colours from dark to fully lit, in 16 steps, as its brightness has it."""
    lamp, unlit = (to_linear(np.array(colour(c)) / 255) for c in (look.lamp, look.unlit))
    share = np.linspace(0, 1, 17)[:, None] * look.brightness / BRIGHTEST
    mixed = np.rint(from_linear(unlit + (lamp - unlit) * share) * 255).astype(int)
    return ["#{:02x}{:02x}{:02x}".format(*c) for c in mixed]


def may_flash(show: Performance) -> bool:
    """Whether the threshold could be passed: never a wrong no.

    A flash is a pair of opposing changes, and only lamps that change often enough within a
    second, or enough of them at one moment, can flash a quarter of a field.
    """
    area = _lamp_area(show)
    if not area:
        return False
    matrix = show.setup.player.matrix
    tile = _tile(show)
    # of lamps: a quarter of a field, and how many fit a field across and down
    limit = _Limit(
        FIELD_SHARE * FIELD[0] * FIELD[1] / area,
        (matrix.height, matrix.width),
        (math.ceil(FIELD[1] / tile) + 1, math.ceil(FIELD[0] / tile) + 1),
    )
    if show.setup.light.turned % 180:
        limit = limit._replace(field=limit.field[::-1])
    return _can(show.lights, limit) or _message_can(show, limit)


class _Limit(NamedTuple):
    """A quarter of a field in lamps, the matrix's lamps down and across, and a field's."""

    quarter: float
    shape: tuple[int, int]
    field: tuple[int, int]


def _can(changes: NDArray[np.void], limit: _Limit) -> bool:
    """Whether so many lamps could flash too often."""
    time, led, lit = changes["time_s"], changes["led"], changes["level"] > 0
    often = 2 * (MOST_FLASHES + 1) - 1
    if len(time) <= max(often, limit.quarter):
        return False
    # many lamps one way at one moment, again and again
    moment = np.cumsum(np.diff(time, prepend=time[0]) > 0)
    size = int(moment[-1]) + 1
    ups = np.bincount(moment, lit, size)
    both = np.bincount(moment, minlength=size)
    large = np.unique(time)[np.maximum(ups, both - ups) > limit.quarter]
    if len(large) > often and bool((large[often:] - large[:-often] <= 1.0).any()):
        return True
    # many lamps of one field that each change again and again, within one second
    order = np.argsort(led, kind="stable")
    t, lamp = time[order], led[order].astype(np.int64)
    quick = (lamp[often:] == lamp[:-often]) & (t[often:] - t[:-often] <= 1.0)
    end, who = t[often:][quick], lamp[often:][quick]
    if len(end) <= limit.quarter:
        return False
    return _crowded(end, who, limit)


def _crowded(end: NDArray[np.float64], who: NDArray[np.int64], limit: _Limit) -> bool:
    """Whether lamps that were quick at those times crowd in one field within one second."""
    down, across = limit.shape
    # such a lamp counts for a second: five quarters, told in quarters
    bucket = np.floor((end - end.min()) * 4).astype(np.int64)[:, None] + np.arange(5)
    count = int(bucket.max()) + 1
    if count * down * across > MAX_CELLS:
        return True
    cells = np.zeros((count, down + 1, across + 1), np.int32)
    y, x = np.divmod(who, across)
    cells[bucket, y[:, None] + 1, x[:, None] + 1] = 1
    cells = cells.cumsum(axis=1).cumsum(axis=2)
    h, w = min(limit.field[0], down), min(limit.field[1], across)
    inside = cells[:, h:, w:] - cells[:, :-h, w:] - cells[:, h:, :-w] + cells[:, :-h, :-w]
    return bool(inside.max() > limit.quarter)


_known: dict[tuple[object, ...], bool] = {}


def _message_can(show: Performance, limit: _Limit) -> bool:
    """The same of the message; known ones are remembered."""
    scroll = show.scroll
    if scroll is None:
        return False
    key = (scroll.columns.tobytes(), scroll.width, scroll.column_s, limit)
    if key not in _known:
        if len(_known) > 200:
            _known.clear()
        if scroll.columns.shape[1] > MAX_COLUMNS:
            scroll = replace(scroll, columns=scroll.columns[:, :MAX_COLUMNS])
        _known[key] = _can(scroll.lights(), limit)
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
    """The worst second of the matrix as the page shows it."""
    from sonify.light.flash import FlashMeter
    from sonify.light.lamp import Lamp

    look = msgspec.structs.replace(show.setup.light, pixels=GRAIN)
    across, down = Mounting.of(look, show.setup.player.matrix).size
    meter = FlashMeter(across * GRAIN, down * GRAIN, zoom=_tile(show) / GRAIN)
    lamp, unlit, ground = (
        to_linear(np.array(colour(c)) / 255).astype(np.float32)
        for c in (look.lamp, look.unlit, look.ground)
    )
    cover = Lamp(look).cover.astype(np.float32)
    kernel = Lamp(look).light.reshape(3, GRAIN, 3, GRAIN).transpose(0, 2, 1, 3)
    kernel = kernel * np.float32(look.brightness / BRIGHTEST)
    base = ground[:, None, None] + (unlit - ground)[:, None, None] * np.tile(cover, (down, across))
    for time, levels in _frames(show):
        near = np.pad(levels, 1)
        light = np.zeros((down, across, GRAIN, GRAIN), np.float32)
        for dy in range(3):
            for dx in range(3):
                part = near[dy : dy + down, dx : dx + across]
                light += part[:, :, None, None] * kernel[2 - dy, 2 - dx]
        cells = np.minimum(light, 1).transpose(0, 2, 1, 3).reshape(down * GRAIN, across * GRAIN)
        meter.add(time, 0, 0, base + (lamp[:, None, None] - base) * cells)
    return meter.worst


def _frames(show: Performance) -> Iterator[tuple[float, NDArray[np.float32]]]:
    """Times at which lamps change, and the levels of all from then on, as they are seen.

    Levels go from 0 to 1. Where lamps fade, there are `FPS` pictures a second while they do.
    """
    matrix, look = show.setup.player.matrix, show.setup.light
    mounting = Mounting.of(look, matrix)
    changes = [show.lights]
    if show.scroll is not None:
        before = np.zeros(matrix.lamps, np.uint8)
        before[show.lights["led"]] = show.lights["level"]
        changes.append(show.scroll.lights(before))
    every = np.concatenate(changes)
    every = every[every["time_s"] < LONGEST_S]
    moments, start = np.unique(every["time_s"], return_index=True)
    ends = np.append(start[1:], len(every))
    wanted = np.zeros(matrix.lamps, np.float32)
    shown = wanted.copy()

    def seen() -> NDArray[np.float32]:
        out: NDArray[np.float32] = np.asarray(
            mounting.levels(shown.reshape(matrix.height, matrix.width))  # type: ignore[arg-type]
        )
        return out

    for k, (time, a, b) in enumerate(zip(moments, start, ends, strict=True)):
        wanted[every["led"][a:b]] = every["level"][a:b] / np.float32(255)
        if look.fade == 0:
            shown = wanted.copy()
            yield float(time), seen()
            continue
        until = float(moments[k + 1]) if k + 1 < len(moments) else float(time) + look.fade
        frame = 0
        while frame / FPS < until - time and not np.array_equal(shown, wanted):
            most = np.float32(min(1 / FPS, until - time - frame / FPS) / look.fade)
            shown = shown + np.clip(wanted - shown, -most, most)
            yield float(time) + frame / FPS, seen()
            frame += 1


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
