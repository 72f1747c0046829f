"""Fill rules: how bits fill the lamps, and what happens when the matrix is full.

Each rule turns a reading into *writes* (a lamp gets a level) and *wipes* (all or some lamps go
out), each at a time; `changes` keeps only those that change a lamp. `FILLS` is the table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Matrix
from sonify.disc_player.timeline import Timeline
from sonify.errors import InputError, look_up

__all__ = ["FILLS", "LIGHTS", "Fill", "fill_lights", "find_fill"]

# One lamp that changes: when, which (y * width + x), and its level from 0 to 255.
LIGHTS = np.dtype([("time_s", "f8"), ("led", "i4"), ("level", "u1")])

LIT = 255
Index = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Writes:
    """What a fill rule does to the lamps, in the order of time.

    Attributes
    ----------
    slot : ndarray of int64, shape (writes,)
    led : ndarray of int64, shape (writes,)
    lit : ndarray of bool, shape (writes,)
    """

    slot: Index
    led: Index
    lit: NDArray[np.bool_]


Rule = Callable[[NDArray[np.int8], Timeline, Matrix, int], Writes]


@dataclass(frozen=True)
class Fill:
    """One fill rule: its name, what it does, and how."""

    name: str
    about: str
    writes: Rule


def _plain(bits: NDArray[np.int8], timeline: Timeline, led: Index) -> Writes:
    return Writes(timeline.slots(), led, bits > 0)


def _with_before(
    plain: Writes, at: Index, led: Index, lit: NDArray[np.bool_] | bool = False
) -> Writes:
    """The writes, with writes to other lamps inserted before the indices `at`.

    `led` and `lit` are of shape (len(at), lamps), or of one that broadcasts to it.
    """
    led = np.broadcast_to(led, (len(at), led.shape[-1]))
    where = np.repeat(at, led.shape[1])
    return Writes(
        np.insert(plain.slot, where, plain.slot[where]),
        np.insert(plain.led, where, led.reshape(-1)),
        np.insert(plain.lit, where, np.broadcast_to(lit, led.shape).reshape(-1)),
    )


def _rows(bits: NDArray[np.int8], t: Timeline, m: Matrix, _unit: int) -> Writes:
    row, position = np.divmod(t.places(), t.positions)
    y = row % m.height
    plain = _plain(bits, t, y * m.width + position % m.width)
    starts = np.arange(t.rows) * t.positions
    again = starts[m.height :]
    lamps = (y[again] * m.width)[:, None] + np.arange(m.width)
    return _with_before(plain, again, lamps)


def _pages(led: Index, bits: NDArray[np.int8], t: Timeline, m: Matrix) -> Writes:
    plain = _plain(bits, t, led)
    full = np.arange(m.lamps, len(bits), m.lamps)
    return _with_before(plain, full, np.arange(m.lamps))


def _running(bits: NDArray[np.int8], t: Timeline, m: Matrix, _unit: int) -> Writes:
    return _pages(np.arange(len(bits)) % m.lamps, bits, t, m)


def _columns(bits: NDArray[np.int8], t: Timeline, m: Matrix, _unit: int) -> Writes:
    x, y = np.divmod(np.arange(len(bits)) % m.lamps, m.height)
    return _pages(y * m.width + x, bits, t, m)


def _furrows(bits: NDArray[np.int8], t: Timeline, m: Matrix, _unit: int) -> Writes:
    y, x = np.divmod(np.arange(len(bits)) % m.lamps, m.width)
    return _pages(y * m.width + np.where(y % 2, m.width - 1 - x, x), bits, t, m)


def _characters(bits: NDArray[np.int8], t: Timeline, m: Matrix, unit: int) -> Writes:
    character, k = np.divmod(t.places(), unit)
    sub, y = np.divmod(k, m.height)
    each = -(-unit // m.height)
    if each > m.width:
        raise InputError(
            f"a character needs {each} columns of {m.height} lamps and the matrix has {m.width}; "
            "make it wider or use another fill rule",
            place="player.matrix.fill",
        )
    x = (character % (m.width // each)) * each + sub
    return _plain(bits, t, y * m.width + x)


def _rolling(bits: NDArray[np.int8], t: Timeline, m: Matrix, _unit: int) -> Writes:
    n = len(bits)
    line, x = np.divmod(np.arange(n), m.width)
    plain = _plain(bits, t, np.minimum(line, m.height - 1) * m.width + x)
    at = np.arange(m.lamps, n, m.width)
    if not len(at):
        return plain
    # at a roll every lamp takes the state of the lamp below it; the last line goes out
    picture = np.zeros(-(-n // m.width) * m.width, bool)
    picture[:n] = bits > 0
    seen = (at - m.lamps + m.width)[:, None] + np.arange(m.lamps)
    # nothing is known yet of the line that is about to be filled
    seen = np.where(seen < at[:, None], seen, len(picture))
    lit = np.append(picture, False)[seen]
    return _with_before(plain, at, np.arange(m.lamps), lit)


_TABLE = (
    Fill(
        "rows",
        "a matrix row for each disc row; past the right edge a row continues from the left over "
        "its own lamps; after the last matrix row it starts again at the top, in a wiped row",
        _rows,
    ),
    Fill(
        "running",
        "left to right, top to bottom, as bits are read; a full matrix is wiped",
        _running,
    ),
    Fill(
        "columns",
        "top to bottom, left to right, as bits are read; a full matrix is wiped",
        _columns,
    ),
    Fill(
        "furrows",
        "every other matrix row runs backwards, like a plough; a full matrix is wiped",
        _furrows,
    ),
    Fill(
        "characters",
        "a character in each column, its first bit on top; past the right edge the next one "
        "replaces the first, lamp by lamp",
        _characters,
    ),
    Fill(
        "rolling",
        "left to right; a full matrix moves up by one row, and the lowest is filled again",
        _rolling,
    ),
)

FILLS: dict[str, Fill] = {f.name: f for f in _TABLE}


def find_fill(name: str) -> Fill:
    """The fill rule of a name, or an `InputError` with the names that come close."""
    return look_up(FILLS, name, "fill rule", "player.matrix.fill")


def fill_lights(
    bits: NDArray[np.int8], timeline: Timeline, matrix: Matrix, unit_bits: int
) -> NDArray[np.void]:
    """The matrix while a disc is read: an array of `LIGHTS`, changes only.

    Parameters
    ----------
    bits : ndarray of int8, shape (n,)
        In the order of reading. Ones are lit; zeros and unknown bits are dark.
    timeline : Timeline
    matrix : Matrix
    unit_bits : int
        Bits of a character's code unit.

    Returns
    -------
    ndarray of LIGHTS
        By time, and at one time by lamp. All lamps are dark at first.
    """
    writes = find_fill(matrix.fill).writes(bits, timeline, matrix, unit_bits)
    return changes(writes, timeline.seconds, matrix.lamps)


def changes(
    w: Writes, seconds: Callable[[Index], NDArray[np.float64]], lamps: int
) -> NDArray[np.void]:
    """The writes that change a lamp; of several to one lamp at one time, only the last counts."""
    key = w.led.astype(np.uint16) if lamps <= 65536 else w.led
    order = np.argsort(key, kind="stable")
    led, slot, lit = w.led[order], w.slot[order], w.lit[order]
    final = np.ones(len(led), bool)
    final[:-1] = (led[1:] != led[:-1]) | (slot[1:] != slot[:-1])
    order, led, slot, lit = order[final], led[final], slot[final], lit[final]
    before = np.zeros(len(led), bool)
    before[1:] = lit[:-1] & (led[1:] == led[:-1])
    moved = before != lit
    order, led, slot, lit = order[moved], led[moved], slot[moved], lit[moved]
    by_time = np.lexsort((led, slot))
    out = np.empty(len(by_time), LIGHTS)
    out["time_s"] = seconds(slot[by_time])
    out["led"] = led[by_time]
    out["level"] = lit[by_time] * np.uint8(LIT)
    return out
