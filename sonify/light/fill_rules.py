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

__all__ = [
    "FILLS",
    "LIGHTS",
    "LINED",
    "LIT",
    "Fill",
    "Lines",
    "fill_lights",
    "find_fill",
    "suggested",
]

# One lamp that changes: when, which (y * width + x), its level from 0 to 255, and which of the
# colours of `light.colours` it has; 0 is the look's lamp.
LIGHTS = np.dtype([("time_s", "f8"), ("led", "i4"), ("level", "u1"), ("hue", "u1")])

LIT = 255
Index = NDArray[np.int64]
# What a lamp shows: its level, and its hue times 256; 0 is dark.
Shown = NDArray[np.uint16]


@dataclass(frozen=True, eq=False)
class Writes:
    """What a fill rule does to the lamps, in the order of time.

    Attributes
    ----------
    slot : ndarray of int64, shape (writes,)
    led : ndarray of int64, shape (writes,)
    shown : ndarray of uint16, shape (writes,)
    """

    slot: Index
    led: Index
    shown: Shown


Rule = Callable[[Shown, Timeline, Matrix, int], Writes]


@dataclass(frozen=True)
class Fill:
    """One fill rule: its name, what it does, and how."""

    name: str
    about: str
    writes: Rule


def _plain(bits: Shown, timeline: Timeline, led: Index) -> Writes:
    return Writes(timeline.slots(), led, bits)


def _with_before(plain: Writes, at: Index, led: Index, shown: Shown | int = 0) -> Writes:
    """The writes, with writes to other lamps inserted before the indices `at`.

    `led` and `shown` are of shape (len(at), lamps), or of one that broadcasts to it.
    """
    led = np.broadcast_to(led, (len(at), led.shape[-1]))
    where = np.repeat(at, led.shape[1])
    return Writes(
        np.insert(plain.slot, where, plain.slot[where]),
        np.insert(plain.led, where, led.reshape(-1)),
        np.insert(plain.shown, where, np.broadcast_to(shown, led.shape).reshape(-1)),
    )


def _rows(bits: Shown, t: Timeline, m: Matrix, _unit: int) -> Writes:
    row, position = np.divmod(t.places(), t.positions)
    y = row % m.height
    plain = _plain(bits, t, y * m.width + position % m.width)
    starts = np.arange(t.rows) * t.positions
    again = starts[m.height :]
    lamps = (y[again] * m.width)[:, None] + np.arange(m.width)
    return _with_before(plain, again, lamps)


def _pages(led: Index, bits: Shown, t: Timeline, m: Matrix) -> Writes:
    plain = _plain(bits, t, led)
    full = np.arange(m.lamps, len(bits), m.lamps)
    return _with_before(plain, full, np.arange(m.lamps))


def _running(bits: Shown, t: Timeline, m: Matrix, _unit: int) -> Writes:
    return _pages(np.arange(len(bits)) % m.lamps, bits, t, m)


def _columns(bits: Shown, t: Timeline, m: Matrix, _unit: int) -> Writes:
    x, y = np.divmod(np.arange(len(bits)) % m.lamps, m.height)
    return _pages(y * m.width + x, bits, t, m)


def _furrows(bits: Shown, t: Timeline, m: Matrix, _unit: int) -> Writes:
    y, x = np.divmod(np.arange(len(bits)) % m.lamps, m.width)
    return _pages(y * m.width + np.where(y % 2, m.width - 1 - x, x), bits, t, m)


def _characters(bits: Shown, t: Timeline, m: Matrix, unit: int) -> Writes:
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


def _rolling(bits: Shown, t: Timeline, m: Matrix, _unit: int) -> Writes:
    n = len(bits)
    line, x = np.divmod(np.arange(n), m.width)
    plain = _plain(bits, t, np.minimum(line, m.height - 1) * m.width + x)
    at = np.arange(m.lamps, n, m.width)
    if not len(at):
        return plain
    # at a roll every lamp takes the state of the lamp below it; the last line goes out
    picture = np.zeros(-(-n // m.width) * m.width, np.uint16)
    picture[:n] = bits
    seen = (at - m.lamps + m.width)[:, None] + np.arange(m.lamps)
    # nothing is known yet of the line that is about to be filled
    seen = np.where(seen < at[:, None], seen, len(picture))
    shown = np.append(picture, np.uint16(0))[seen]
    return _with_before(plain, at, np.arange(m.lamps), shown)


# The rules that give each disc row lines of its own.
LINED = ("fitted", "centred", "scaled")


@dataclass(frozen=True)
class Lines:
    """Where disc rows lie on the matrix if each keeps lines of its own.

    A row that is longer than the matrix is wide is folded into lines of one length. Edge k of the
    columns, and of the lines, lies at `first + k * lamps // parts`.

    Attributes
    ----------
    fold : int
        Lines of a disc row.
    segment : int
        Positions of a line.
    rows : int
        Disc rows that are seen at once; 0 if even one has too many lines, so that they start again
        over their own lamps.
    x, y : tuple of int
        First, lamps and parts.
    """

    fold: int
    segment: int
    rows: int
    x: tuple[int, int, int]
    y: tuple[int, int, int]

    @classmethod
    def of(cls, fill: str, rows: int, positions: int, matrix: Matrix) -> Lines:
        """The lines of a fill rule of `LINED`."""
        fold = -(-positions // matrix.width)
        segment = -(-positions // fold)
        seen = min(rows, matrix.height // fold)
        lines = max(seen, 1) * fold if seen else matrix.height
        x, y = (
            _edges(fill, count, size)
            for count, size in ((segment, matrix.width), (lines, matrix.height))
        )
        return cls(fold, segment, seen, x, y)

    @property
    def lines(self) -> int:
        """Lines that are seen at once."""
        return self.rows * self.fold if self.rows else self.y[2]


# Matrices are often built of modules of eight by eight lamps (common practice, no source), and one
# that is wider than this is hard to place (own choice).
_MODULE, _WIDEST = 8, 128


def suggested(rows: int, positions: int) -> tuple[int, int]:
    """The size of a matrix of whole modules that shows all of a disc, a line for each row if it is
    not too wide."""
    fold = -(-positions // _WIDEST)
    sizes = (-(-positions // fold), rows * fold)
    width, height = (-(-n // _MODULE) * _MODULE for n in sizes)
    return width, height


def _edges(fill: str, count: int, size: int) -> tuple[int, int, int]:
    if fill == "scaled":
        return 0, size, count
    each = size // count if fill == "fitted" else 1
    return (size - each * count) // 2, each * count, count


def _lines(fill: str) -> Rule:
    def rule(bits: Shown, t: Timeline, m: Matrix, _unit: int) -> Writes:
        own = Lines.of(fill, t.rows, t.positions, m)
        row, position = np.divmod(t.places(), t.positions)
        part, column = np.divmod(position, own.segment)
        line = (row * own.fold + part) % own.lines
        x, x1, y, y1 = (
            first + (at + far) * lamps // parts
            for at, (first, lamps, parts) in ((column, own.x), (line, own.y))
            for far in (0, 1)
        )
        across, down = int((x1 - x).max()), int((y1 - y).max())
        # each bit lights a block; where blocks differ in size, smaller ones write a lamp twice
        xs = np.minimum(x[:, None] + np.arange(across), x1[:, None] - 1)
        ys = np.minimum(y[:, None] + np.arange(down), y1[:, None] - 1)
        # the top left lamp comes last: it is the one that the sheet names
        led = (ys[:, :, None] * m.width + xs[:, None, :]).reshape(len(row), -1)[:, ::-1]
        plain = Writes(
            np.repeat(t.slots(), led.shape[1]), led.reshape(-1), np.repeat(bits, led.shape[1])
        )
        if not own.rows or own.rows >= t.rows:
            return plain
        at = np.arange(own.rows, t.rows, own.rows) * t.positions * led.shape[1]
        return _with_before(plain, at, np.arange(m.lamps))

    return rule


_TABLE = (
    Fill(
        "fitted",
        "each disc row has lines of its own, as large as whole lamps allow, in the middle; rows "
        "that don't fit begin a new picture",
        _lines("fitted"),
    ),
    Fill(
        "centred",
        "a lamp for each position, each disc row on lines of its own, in the middle; rows that "
        "don't fit begin a new picture",
        _lines("centred"),
    ),
    Fill(
        "scaled",
        "as fitted, but stretched over the whole matrix, so that some positions have more lamps "
        "than others",
        _lines("scaled"),
    ),
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
    shown: Shown, timeline: Timeline, matrix: Matrix, unit_bits: int, *, again: bool = False
) -> NDArray[np.void]:
    """The matrix while a disc is read: an array of `LIGHTS`, changes only.

    Parameters
    ----------
    shown : ndarray of uint16, shape (n,)
        What each bit makes its lamps show, in the order of reading: the level, and the hue times
        256. Zeros and unknown bits are dark.
    timeline : Timeline
    matrix : Matrix
    unit_bits : int
        Bits of a character's code unit.
    again : bool
        Whether lighting a lamp that is lit counts as a change.

    Returns
    -------
    ndarray of LIGHTS
        By time, and at one time by lamp. All lamps are dark at first.
    """
    writes = find_fill(matrix.fill).writes(shown, timeline, matrix, unit_bits)
    return changes(writes, timeline.seconds, matrix.lamps, again=again)


def changes(
    w: Writes, seconds: Callable[[Index], NDArray[np.float64]], lamps: int, *, again: bool = False
) -> NDArray[np.void]:
    """The writes that change a lamp; of several to one lamp at one time, only the last counts."""
    key = w.led.astype(np.uint16) if lamps <= 65536 else w.led
    order = np.argsort(key, kind="stable")
    led, slot, shown = w.led[order], w.slot[order], w.shown[order]
    final = np.ones(len(led), bool)
    final[:-1] = (led[1:] != led[:-1]) | (slot[1:] != slot[:-1])
    led, slot, shown = led[final], slot[final], shown[final]
    before = np.zeros_like(shown)
    before[1:] = np.where(led[1:] == led[:-1], shown[:-1], 0)
    moved = before != shown
    if again:
        moved |= shown > 0
    led, slot, shown = led[moved], slot[moved], shown[moved]
    by_time = np.lexsort((led, slot))
    out = np.empty(len(by_time), LIGHTS)
    out["time_s"] = seconds(slot[by_time])
    out["led"] = led[by_time]
    out["level"] = shown[by_time] & 255
    out["hue"] = shown[by_time] >> 8
    return out
