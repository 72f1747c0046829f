"""Clock pulses missing or doubled, told from notes: which count of positions explains them best.

A player counts the pulses of the clock row. Without the pulse of one position it skips that one
and puts all later bits one position early; with a doubled pulse it reads a bit twice. Notes come
when the holes pass, so the positions have to be worked out: for each position, what a player with
that pulse missing or doubled would have played is compared with what was heard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.recover.diagnosis.alignment import Alignment, Design
from sonify.recover.diagnosis.observed import Observed
from sonify.recover.diagnosis.starts import pulses_of, settled, starts_in_slots

__all__ = ["Miscount", "recounted"]

LEAST = 4  # positions that must not fit, and fit after the recount: fewer may be other faults
SHARE = 0.45  # of those positions that may still not fit

Index = NDArray[np.int64]


@dataclass(frozen=True)
class Miscount:
    """A clock pulse that is missing or doubled at one position of every turn.

    Attributes
    ----------
    kind : str
        "missing" or "doubled".
    position : int
    before, after : int
        Positions that do not fit without and with this explanation.
    """

    kind: str
    position: int
    before: int
    after: int


def recounted(
    seen: Observed, design: Design, pitch: NDArray[np.int16] | None
) -> tuple[Observed, Miscount | None]:
    """The bits as a player counted them, if its clock is wrong at one position.

    Parameters
    ----------
    seen : Observed
        From a MIDI file.
    design : Design
    pitch : ndarray of int16, shape (rows, positions), or None
        The pitch of each position, if that depends on nothing else.
    """
    n, rows = design.positions, design.rows
    given = seen
    if seen.loose is not None:
        seen = _moved(seen, seen.loose)
    alignment, heard, tone = seen.alignment, seen.under, seen.under_pitch
    start = alignment.start + alignment.phase
    first = np.zeros(rows, np.int64) if design.index else start % n
    slots = np.broadcast_to(np.arange(n + 3), (rows, n + 3))
    position = (first[:, None] + slots) % n
    r = np.arange(rows)[:, None]
    truth = design.grid[alignment.seen_row][r, position]
    known = (truth >= 0) & (heard >= 0)
    wrong, loud = known & (heard != truth), known & (heard == 1)

    def cost(read: NDArray[np.bool_], place: Index) -> int:
        """Positions that do not fit if these slots are read and counted so."""
        out = int((wrong & read).sum() + (loud & ~read).sum())
        if pitch is not None and tone is not None:
            fit = pitch[r, place % n]
            out += int((read & (tone >= 0) & (fit >= 0) & (tone != fit)).sum())
        return out

    before = cost(slots < n, slots if design.index else position)
    if before < LEAST:
        return given, None
    best = Miscount("", -1, before, before)
    origin = int(start[0]) - int(start[0]) % n
    for c in range(n):
        at = ((c - first) % n)[:, None]
        gone = (slots - at) % n == 0
        missing = slots - np.cumsum(gone, axis=1) + gone
        doubled = slots + (slots > at)
        for kind, count, read, way in (
            ("missing", missing, (missing < n) & ~gone, -1),
            ("doubled", doubled, doubled < n, 1),
        ):
            place = count
            if not design.index:
                # on players that never stop counting, the errors of all turns so far add up
                turns = (start - 1 - c) // n - (origin - 1 - c) // n
                place = (start - origin + way * turns)[:, None] + count
            after = cost(read, place)
            if after < best.after:
                best = Miscount(kind, c, before, after)
    if before - best.after < LEAST or best.after > SHARE * before:
        return given, None
    return _counted(seen, design, best), best


def _counted(seen: Observed, design: Design, miscount: Miscount) -> Observed:
    """The bits at the positions to which the player puts them."""
    n, rows = design.positions, design.rows
    heard, alignment = seen.heard, seen.alignment
    assert heard is not None
    phase = -int(alignment.start[0]) % n if design.index else alignment.phase
    low = min(0, int(alignment.start.min())) - 2 * n
    pulses = pulses_of(
        seen.timing or heard.times, n, phase, low, len(heard.seen) + 6 * n, miscount.kind,
        miscount.position,
    )  # fmt: skip
    first = pulses.first_from(alignment.start)
    if not design.index and seen.timing is not None:
        move = float(np.median(pulses.time_s[first[1:]] - pulses.time_s[first[:-1] + n - 1]))
        known = heard.known_at(pulses.slot, n)
        first, _ = settled(known, pulses, design, alignment.seen_row, first, move)
    count = first[:, None] + np.arange(n)
    inside = count < len(pulses.slot)
    count = np.minimum(count, len(pulses.slot) - 1)
    if design.index:
        place = np.broadcast_to(np.arange(n), (rows, n))
    else:
        # a player that never stops counts on from the index at which it started
        slot = int(np.floor(pulses.slot[first[0]]))
        begun = int(pulses.first_from(np.array([slot - (slot + phase) % n]))[0])
        place = (count - begun) % n
    sound = (heard.at(np.floor(pulses.slot).astype(np.int64)) > 0).astype(np.int8)
    # a second pulse falls beside the hole, unless a note shows otherwise
    second = np.flatnonzero(pulses.place < 0)
    sound[second] = 0
    if len(second) and len(seen.extra_s):
        apart = np.abs(pulses.time_s[second][:, None] - seen.extra_s[None, :]).min(axis=1)
        sound[second[apart < 0.5 * float(np.median(np.diff(pulses.time_s)))]] = 1
    read: NDArray[np.bool_] = inside & np.any(seen.under >= 0, axis=1, keepdims=True)
    cell = np.nonzero(read)[0], place[read]
    bits, time = np.full((rows, n), -1, np.int8), np.full((rows, n), np.nan)
    bits[cell], time[cell] = sound[count[read]], pulses.time_s[count[read]]
    start = starts_in_slots(pulses, first)
    span = pulses.slot[count[:, [0, -1]]] - start[:, None]
    return replace(_moved(seen, replace(alignment, start=start)), bits=bits, time_s=time, span=span)


def _moved(seen: Observed, alignment: Alignment) -> Observed:
    """The same recording with rows that start elsewhere."""
    assert seen.heard is not None
    slots = alignment.start[:, None] + np.arange(seen.under.shape[1])
    under = np.where(seen.under < 0, -1, seen.heard.at(slots) > 0).astype(np.int8)
    return replace(seen, alignment=alignment, under=under, under_pitch=seen.heard.tone_at(slots))
