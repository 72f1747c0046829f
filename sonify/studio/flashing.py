"""Flashing on the page: whether a show is over WCAG's threshold, and the settings that calm it.

The matrix is assumed to be two thirds as wide as a screen of 1024 by 768 pixels, to which the
threshold refers. Every answer has a quick bound; if that can't rule flashing out, the show is
measured like a clip.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from sonify.light.colours import lamp_colours
from sonify.light.exposure import gain, shade
from sonify.light.flash import CHANGE, FIELD, FIELD_SHARE, MOST_FLASHES, RED_SHARE, WINDOW_S
from sonify.light.lamp_grid import size_of
from sonify.light.lamp_shapes import Lamp
from sonify.light.look import LUMINANCE, linear

if TYPE_CHECKING:
    from sonify.disc_player.profile import Matrix
    from sonify.light.flash import Flashing
    from sonify.light.look import Look
    from sonify.light.scroll import Scroll
    from sonify.performance import Performance

__all__ = ["check", "flashing_of", "may_flash"]

SHOWN = 680
"""How wide the page's matrix is on that screen, in pixels."""
FPS = 60.0
GRAIN = 8
"""Pixels from lamp to lamp of the picture that is measured."""
MAX_CELLS = 8_000_000
COLUMNS = 2000
"""Of a message at a time: longer pieces took more time for each column (own measurement)."""
_SPARE = 1.2


def may_flash(show: Performance) -> bool:
    """Whether the show might be over the threshold; if not, it certainly is not."""
    limit = _limit_of(show)
    if limit is None:
        return False
    return _message_may_flash(show.scroll, limit) or len(_moments(show.lights, limit)) > 0


class _Limit(NamedTuple):
    """A quarter of a field in lamps; the lamps of the matrix and of a field, down and across; and
    how far apart in s changes may be to count as within one second."""

    quarter: float
    shape: tuple[int, int]
    field: tuple[int, int]
    window: float


def _suspects(show: Performance) -> NDArray[np.float64]:
    """The spans in which the show might be over the threshold, shape (spans, 2), in s.

    A flash is a pair of opposing changes, and only lamps that change often enough within a
    second, or enough of them at one moment, can flash a quarter of a field.
    """
    limit, fade = _limit_of(show), show.setup.light.fade
    if limit is None:
        return np.zeros((0, 2))
    at = np.concatenate([_moments(show.lights, limit), *_of_message(show.scroll, limit)])
    if not len(at):
        return np.zeros((0, 2))
    at.sort()
    before, after = limit.window + 0.5, fade + 0.5
    first = np.flatnonzero(np.diff(at, prepend=-np.inf) > before + after)
    last = np.append(first[1:], len(at)) - 1
    return np.stack([at[first] - before, at[last] + after], axis=1)


def _limit_of(show: Performance) -> _Limit | None:
    """What a show needs to be over the threshold; None if its lamps change too little for that."""
    matrix, look = show.setup.player.matrix, show.setup.light
    area, tile = _lamp_area(look, matrix), _tile(look, matrix)
    if not area:
        return None
    field = (math.ceil(FIELD[1] / tile) + 1, math.ceil(FIELD[0] / tile) + 1)
    if look.turned % 180:
        field = field[::-1]
    return _Limit(
        FIELD_SHARE * FIELD[0] * FIELD[1] / area,
        (matrix.height, matrix.width),
        field,
        WINDOW_S + look.fade,
    )


def _moments(changes: NDArray[np.void], limit: _Limit) -> NDArray[np.float64]:
    """Moments at which enough lamps may have flashed too often."""
    none = np.zeros(0)
    time, led, lit = changes["time_s"], changes["led"], changes["level"] > 0
    often = 2 * (MOST_FLASHES + 1) - 1
    if len(time) <= max(often, limit.quarter):
        return none
    # many lamps that change the same way at one moment, again and again
    moment = np.cumsum(np.diff(time, prepend=time[0]) > 0)
    size = int(moment[-1]) + 1
    ups = np.bincount(moment, lit, size)
    both = np.bincount(moment, minlength=size)
    # between levels or colours a change may be either way
    between = changes["hue"].any() or ((changes["level"] != 255) & lit).any()
    most = both if between else np.maximum(ups, both - ups)
    large = np.unique(time)[most > limit.quarter]
    again = large[often:][large[often:] - large[:-often] <= limit.window]
    # many lamps of one field that each change again and again, within one second
    order = np.argsort(led, kind="stable")
    t, lamp = time[order], led[order].astype(np.int64)
    quick = (lamp[often:] == lamp[:-often]) & (t[often:] - t[:-often] <= limit.window)
    end, who = t[often:][quick], lamp[often:][quick]
    crowds = _crowds(end, who, limit) if len(end) > limit.quarter else none
    return np.concatenate([again, crowds])


def _crowds(end: NDArray[np.float64], who: NDArray[np.int64], limit: _Limit) -> NDArray[np.float64]:
    """Moments at which lamps that changed quickly at the times `end` crowd in one field."""
    down, across = limit.shape
    # such a lamp counts for a second, in quarters
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


_known: dict[tuple[object, ...], bool] = {}


def _message_may_flash(scroll: Scroll | None, limit: _Limit) -> bool:
    """Whether the message might, cached: the speed of the disc moves only its start."""
    if scroll is None:
        return False
    key = (scroll.columns.tobytes(), scroll.width, scroll.column_s, limit)
    if key not in _known:
        if len(_known) > 200:
            _known.clear()
        _known[key] = any(len(found) for found in _of_message(scroll, limit))
    return _known[key]


def _of_message(scroll: Scroll | None, limit: _Limit) -> Iterator[NDArray[np.float64]]:
    """The moments of the message, for some columns at a time and those before that count, too."""
    if scroll is None:
        return
    before = scroll.width + math.ceil(limit.window / scroll.column_s) + 1
    for first in range(0, scroll.columns.shape[1], COLUMNS):
        begin = max(0, first - before)
        columns = scroll.columns[:, begin : first + COLUMNS]
        start_s = scroll.start_s + begin * scroll.column_s
        yield _moments(replace(scroll, columns=columns, start_s=start_s).lights(), limit)


@lru_cache(maxsize=64)
def _lamp_area(look: Look, matrix: Matrix) -> float:
    """How many pixels of the screen one lamp changes by enough to count, with room to spare."""
    hues = np.vstack([lamp_colours(look), linear(look.off)])
    shape = Lamp(msgspec.structs.replace(look, pixels=GRAIN))
    # the most that a pixel changes: in the core, which may be white, between any two colours
    light = np.array([0.0, float(shape.light.max())])
    step = float(np.ptp(shade(look, np.ones(2), light, hues[:, None]) @ LUMINANCE))
    red = float((hues[:, 0] / np.maximum(hues.sum(axis=1), 1e-9)).max())
    if step < CHANGE / 2 and red < RED_SHARE:
        return 0.0
    seen = shape.light * gain(look)
    least = 0.02 if red >= RED_SHARE else CHANGE / max(step, CHANGE)
    return _SPARE * _tile(look, matrix) ** 2 * float((seen >= least).sum()) / GRAIN**2


@lru_cache(maxsize=64)
def _tile(look: Look, matrix: Matrix) -> float:
    """The distance from lamp to lamp on that screen, in pixels."""
    return SHOWN / size_of(msgspec.structs.replace(look, pixels=GRAIN), matrix)[0] * GRAIN


def flashing_of(show: Performance) -> Flashing:
    """The worst of the seconds that could be over, for the matrix as the page shows it."""
    from sonify.export.animation.options import ClipOptions
    from sonify.export.clip.film import measured
    from sonify.export.clip.job import Job
    from sonify.light.flash import Flashing

    # without modules there are fewer kinds of tiles to paint
    light = msgspec.structs.replace(show.setup.light, pixels=GRAIN, module=0)
    small = replace(show, setup=msgspec.structs.replace(show.setup, light=light))
    worst = Flashing("general", 0.0, 0, 0.0, False)
    for begin, end in _suspects(show).tolist():
        options = ClipOptions(fps=FPS, from_s=max(begin, 0.0), to_s=end)
        found = measured(
            Job(
                small,
                options,
                "matrix",
                zoom=_tile(show.setup.light, show.setup.player.matrix) / GRAIN,
            ),
            ".mp4",
        )
        worst = max(
            worst, replace(found, time_s=found.time_s + max(begin, 0.0)), key=lambda f: f.rank
        )
        if worst.over:
            break
    return worst


def check(show: Performance, pace: float = 1.0) -> dict[str, Any]:
    """How a show flashes, for the page, played at a pace.

    Returns
    -------
    dict
        `over`, `text`, and `calm`: dotted settings and their values that bring it within the
        threshold, or None.
    """
    from sonify.light.calm import SHARE, calmed

    if not may_flash(show.at_speed(pace)):
        return {"over": False, "text": "", "calm": None}
    done = calmed(
        show.setup,
        lambda setup, _: flashing_of(replace(show, setup=setup).at_speed(pace)),
        without=(SHARE,),
    )
    over = done.before.over
    calm = done.changes if over and not done.after.over else None
    return {"over": over, "text": done.before.short, "calm": calm}
