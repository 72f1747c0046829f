"""Clock pulses missing or doubled, told from notes: which count of positions explains them best.

A player counts the clock row. Without a pulse at one position it leaves that one out, and puts all
bits after it one place too early; with one too many it reads a bit twice. Notes come when the
holes come, so the places must be worked out: for each position, what a player with that pulse
missing or doubled would have played is held against what was heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.starts import pulses_of, settled, starts_in_slots

__all__ = ["Miscount", "recounted"]

LEAST = 4
SHARE = 0.45


@dataclass(frozen=True)
class Miscount:
    """A clock pulse that is missing or doubled at one position of every turn.

    Attributes
    ----------
    kind : str
        "missing" or "doubled".
    position : int
    before, after : int
        Places that do not fit without and with this explanation.
    """

    kind: str
    position: int
    before: int
    after: int


def recounted(
    seen: Observed, design: Design, pitch: NDArray[np.int16] | None
) -> tuple[Observed, Miscount | None]:
    """The bits as a player counted them, if its clock was wrong at one position.

    Parameters
    ----------
    seen : Observed
        From a MIDI file.
    design : Design
    pitch : ndarray of int16, shape (rows, positions), or None
        The pitch that goes with each place, where the place alone decides.
    """
    n, rows = design.positions, design.rows
    given = seen
    if seen.loose is not None:
        seen = _moved(seen, seen.loose)
    slots = np.arange(n + 3)
    begin = seen.alignment.start + seen.alignment.phase
    first = np.zeros(rows, np.int64) if design.index else begin % n
    position = (first[:, None] + slots[None, :]) % n
    r = np.arange(rows)[:, None]
    truth = design.grid[seen.alignment.seen_row][r, position]
    heard = seen.under
    tone = seen.under_pitch
    known = (truth >= 0) & (heard >= 0)
    wrong = known & (heard != truth)
    loud = known & (heard == 1)

    def cost(read: NDArray[np.bool_], place: NDArray[np.int64]) -> int:
        """Places that do not fit where so many are read, at such counts."""
        out = int((wrong & read).sum() + (loud & ~read).sum())
        if pitch is not None and tone is not None:
            fit = pitch[r, place % n]
            out += int((read & (tone >= 0) & (fit >= 0) & (tone != fit)).sum())
        return out

    plain = np.broadcast_to(slots, (rows, n + 3))
    base = position if not design.index else plain
    before = cost(plain < n, base)
    if before < LEAST:
        return given, None
    best: tuple[int, str, int] = (before, "", -1)
    for c in range(n):
        at = (c - first) % n
        gone, count = _missing(plain, at[:, None], n)
        place = _places(count, c, seen, design, position, -1)
        one = cost((count < n) & ~gone, place)
        if one < best[0]:
            best = one, "missing", c
        count = plain + (plain > at[:, None])
        place = _places(count, c, seen, design, position, 1)
        one = cost(count < n, place)
        if one < best[0]:
            best = one, "doubled", c
    after, kind, c = best
    if not kind or before - after < LEAST or after > SHARE * before:
        return given, None
    return _counted(seen, design, kind, c), Miscount(kind, c, before, after)


def _missing(
    plain: NDArray[np.int64], at: NDArray[np.int64], n: int
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Which slots have no pulse, and the count at the others."""
    gone = (plain - at) % n == 0
    return gone, plain - np.cumsum(gone, axis=1) + gone


def _places(
    count: NDArray[np.int64],
    c: int,
    seen: Observed,
    design: Design,
    position: NDArray[np.int64],
    way: int,
) -> NDArray[np.int64]:
    """The places to which counts go: on players that never stop counting, slips add up."""
    if design.index:
        return count
    return _start_counts(seen, design, c, way)[:, None] + count


def _start_counts(seen: Observed, design: Design, c: int, way: int) -> NDArray[np.int64]:
    """The place to which a player that miscounts puts each row's first bit."""
    n = design.positions
    start = seen.alignment.start + seen.alignment.phase
    origin = int(start[0]) - int(start[0]) % n
    turns = (start - 1 - c) // n - (origin - 1 - c) // n  # passes of c before each start
    out: NDArray[np.int64] = start - origin + way * turns
    return out


def _counted(seen: Observed, design: Design, kind: str, c: int) -> Observed:
    """The bits by the places to which a player puts them whose clock is wrong at one position."""
    n, rows = design.positions, design.rows
    heard, alignment = seen.heard, seen.alignment
    assert heard is not None
    phase = -int(alignment.start[0]) % n if design.index else alignment.phase
    low = min(0, int(alignment.start.min())) - 2 * n
    pulses = pulses_of(
        seen.timing or heard.times, n, phase, low, len(heard.seen) + 6 * n, kind, c
    )  # fmt: skip
    first = pulses.first_from(alignment.start)
    known = heard.known_at(pulses.slot, n)
    if not design.index and seen.timing is not None:
        move = float(np.median(pulses.time_s[first[1:]] - pulses.time_s[first[:-1] + n - 1]))
        first, _ = settled(known, pulses, design, alignment.seen_row, first, move)
    count = first[:, None] + np.arange(n)
    inside = count < len(pulses.slot)
    count = np.minimum(count, len(pulses.slot) - 1)
    if design.index:
        place = np.broadcast_to(np.arange(n), (rows, n))
    else:
        # a player that never stops counts on from the index at which it began
        slot = int(np.floor(pulses.slot[first[0]]))
        begun = int(pulses.first_from(np.array([slot - (slot + phase) % n]))[0])
        place = (count - begun) % n
    sound = (heard.at(np.floor(pulses.slot).astype(np.int64)) > 0).astype(np.int8)
    # the second pulse falls beside the hole, unless a note says otherwise
    second = np.flatnonzero(pulses.place < 0)
    sound[second] = 0
    if len(second) and len(seen.extra_s):
        apart = np.abs(pulses.time_s[second][:, None] - seen.extra_s[None, :]).min(axis=1)
        sound[second[apart < 0.5 * float(np.median(np.diff(pulses.time_s)))]] = 1
    bits = np.full((rows, n), -1, np.int8)
    time = np.full((rows, n), np.nan)
    r = np.broadcast_to(np.arange(rows)[:, None], (rows, n))
    recorded: NDArray[np.bool_] = np.any(seen.under >= 0, axis=1)
    read = inside & recorded[:, None]
    bits[r[read], place[read]] = sound[count[read]]
    time[r[read], place[read]] = pulses.time_s[count[read]]
    start = starts_in_slots(pulses, first)
    ends = pulses.slot[count[:, [0, -1]]] - start[:, None]
    moved = _moved(seen, replace(alignment, start=start))
    return replace(moved, bits=bits, time_s=time, span=ends)


def _moved(seen: Observed, alignment: Alignment) -> Observed:
    """The same recording with rows that begin elsewhere."""
    assert seen.heard is not None
    slots = alignment.start[:, None] + np.arange(seen.under.shape[1])
    under = np.where(seen.under < 0, -1, seen.heard.at(slots) > 0).astype(np.int8)
    return replace(seen, alignment=alignment, under=under, under_pitch=seen.heard.tone_at(slots))
