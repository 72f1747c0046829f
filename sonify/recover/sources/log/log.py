"""From a detector log to a sighting: its trace, its turns, its rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonify.disc.code.code import Code
from sonify.disc.code.decoding import decode_grid
from sonify.disc_player.profile import Player
from sonify.errors import Caution, InputError
from sonify.recover.search.arrangement import Wanted, arrange
from sonify.recover.search.find import readings
from sonify.recover.sighting import Sighting, check_size
from sonify.recover.sources.log.cut import Cut, begins_of, is_confirmed
from sonify.recover.sources.log.cuts import FEWEST, LONGEST, likely_cuts
from sonify.recover.sources.log.passes import (
    Rows,
    agreement,
    rows_at,
    rows_from_turns,
    turn_length,
)
from sonify.recover.sources.log.trace import Trace

__all__ = ["sighting_of_trace"]

Reals = NDArray[np.float64]
Bits = NDArray[np.int8]

DOUBT = 14.0
"""Bits of evidence within which another way to cut a log into rows is as good: a little over SURE
in `search.find`, as it is the best of many cuts."""

DOUBT_BITS = 5.0
"""The same for cuts that differ in single bits: odds of 32 to 1."""

LEAST = 20.0
"""Bits of evidence that a cut's message needs: more than the best cut of random bits has."""

STANDS_OUT = 45.0
"""Bits of evidence from which a message tells how the log is cut: far above what the best of many
thousand wrong cuts has by chance."""

MOST_JUDGED = 12_000
"""Bits that are judged in all: with ten times as many, no more of 40 logs were right, and the
slowest took twice as long (`python -m tests.benchmarks.logs geometry 40 300`)."""

MORE = 4
"""Cuts that are judged after one whose message stands out."""

CLEAR = 1.5
"""How far one length of a turn must be ahead of all others, to be taken without the text."""

FROM_START = Wanted(start=0)

FINER, MOST_FINER = 48, 8
"""Pauses tried in half a position's time to both sides of the best, and the most of them that are
judged."""

SETTLES = "{positions} settles it"

LIKE = 0.07
"""How far the speed may be from the player's profile, as a share."""


def sighting_of_trace(
    trace: Trace,
    path: object,
    positions: int | None = None,
    player: Player | None = None,
) -> Sighting:
    """The disc that a detector log shows.

    Parameters
    ----------
    trace : Trace
    path : path
    positions : int, optional
        Positions of a turn, if known.
    player : Player, optional
        The profile of the player that made the log, if known.

    Raises
    ------
    InputError
        What is missing, and what to do.
    """
    if positions is not None and positions < 3:
        raise InputError(f"a turn has 3 or more, not {positions}", key="positions")
    odds = np.where(trace.lost, 0.0, trace.passed["odds"].astype(float))
    length, lead, ahead = turn_length(odds)
    rows = rows_from_turns(odds, positions or length) if positions or length else None
    whole = rows is not None and not _mostly_torn(rows)
    clear = whole and (positions is not None or (lead >= CLEAR and len(odds) > LONGEST))
    reads_on = player is not None and player.row_start == "next-position"
    turns = None
    if rows is not None and (reads_on or not clear):
        turns = _judged(rows, _sighting(trace, rows, [], player))
        clear = clear or (whole and replace(turns, score=turns.score + ahead).clear)
    if reads_on or not clear:
        found = _told_by_text(trace, odds, turns, positions, player, (length, ahead))
        if found is not None:
            check_size(found.rows, found.positions, path)
            return replace(found, cautions=(*trace.cautions, *found.cautions))
    if rows is None:
        raise InputError(
            f"{len(odds)} positions passed and none of them repeat, so the length of a turn is "
            "unknown",
            hint="give {positions}, or the player with {preset}",
            file=path,
        )
    cautions = list(trace.cautions)
    unsure = positions is None and not clear
    if unsure and _repeats(odds, length):
        text = f"turns of {2 * length} positions fit as well as turns of {length}"
        cautions.append(Caution(text, hint=SETTLES))
    if unsure and lead < CLEAR:
        text = f"a turn seems to have {length} positions, but other counts fit nearly as well"
        cautions.append(Caution(text, hint=SETTLES))
    check_size(len(rows.odds), rows.odds.shape[1], path)
    return _sighting(trace, rows, cautions, player)


def _sighting(trace: Trace, rows: Rows, cautions: list[Caution], player: Player | None) -> Sighting:
    positions = rows.odds.shape[1]
    # the first pulse of a log that starts with the reading is position 0
    since_first = rows.start % positions
    slack = 1.5 * rows.lost_to_move + 3
    at_first = since_first <= slack or positions - since_first <= 1
    odds = np.roll(
        rows.odds, since_first if at_first else round(_index_lag(trace, rows, player)), 1
    )
    where = "the first pulse of the log is taken as the first position"
    if not at_first:
        where = (
            "the log does not begin with a row; the stage's moves put the index within about "
            f"{max(1, round(slack / 2))} positions of the first position"
        )
    return Sighting(
        kind="log",
        holes=(odds > 0).astype(np.int8),
        confidence=np.tanh(np.abs(odds) / 2).astype(np.float32),
        start_known=at_first,
        order_known=True,
        cautions=(*cautions, *rows.cautions, Caution(where)),
        facts=_facts(trace, positions, rows),
    )


def _index_lag(trace: Trace, rows: Rows, player: Player | None) -> float:
    """Positions from the index to where a row is no longer seen.

    A stage that starts to move still sees its row until the detector is half a hole away. If the
    stage's time is known, the move lies evenly around the positions that show neither row; else
    holes of half the pitch are assumed (common practice, no source).
    """
    if player is not None and len(trace.passed) > 1:
        return max(0.0, (player.stage / trace.period_s - rows.lost_to_move) / 2)
    return rows.lost_to_move / 2


def _facts(trace: Trace, positions: int, rows: Rows) -> dict[str, object]:
    times = trace.passed["time_s"]
    steps = np.diff(times)
    smooth = np.convolve(steps, np.full(8, 1 / 8), "valid") if len(steps) >= 8 else steps
    return {
        "rpm": 60 / (trace.period_s * positions),
        "slowest_rpm": 60 / (float(smooth.max()) * positions) if len(smooth) else None,
        "fastest_rpm": 60 / (float(smooth.min()) * positions) if len(smooth) else None,
        "delay_s": trace.delay_s,
        "delay_positions": trace.delay,
        "noise": trace.noise,
        "holes_read_low": trace.low[1],
        "passes": list(rows.passes),
        "moves_s": [round(float(times[m]), 4) for m in rows.moves if 0 <= m < len(times)],
    }


def _repeats(odds: Reals, length: int) -> bool:
    """Whether what repeats after a turn repeats as much after two."""
    if len(odds) < 5 * length:
        return False
    once, twice = ((agreement(odds, k * length) > 0.5).mean() for k in (1, 2))
    return bool(twice > 0.85 * once)


def _mostly_torn(rows: Rows) -> bool:
    """Whether too many rows are incomplete for the log to hold several turns of each."""
    inner = rows.odds[1:-1] if len(rows.odds) > 2 else rows.odds
    return bool((np.count_nonzero(inner, axis=1) < inner.shape[1]).mean() > 0.2)


@dataclass(frozen=True, eq=False)
class _Way:
    """A way to cut a log into rows; how far its message stands out, in bits; whether that has only
    characters that can be printed; its code; and whether a check finds it all right as it stands.
    """

    rows: Rows
    seen: Sighting
    score: float
    readable: bool
    code: Code | None = None
    checked: bool = False
    cut: Cut | None = None

    @property
    def clear(self) -> bool:
        """Whether it leaves no doubt."""
        return self.readable and self.score > STANDS_OUT


def _told_by_text(
    trace: Trace,
    odds: Reals,
    turns: _Way | None,
    positions: int | None,
    player: Player | None,
    repeats: tuple[int, float],
) -> Sighting | None:
    """What a log shows if it is cut so that its message stands out most; None if none does.

    `repeats` is a length of turns, and how many bits of evidence what repeats has for it.
    """
    times, period = trace.passed["time_s"].astype(float), trace.period_s
    lengths = [positions] if positions else None
    pauses = None
    if player is not None and len(odds) > 1:
        pauses = player.stage + player.settle + period * np.arange(-16, 17) / 16
        about = 60 / (player.rpm * period)
        reach = range(max(FEWEST, round(about * (1 - LIKE))), round(about * (1 + LIKE)) + 1)
        lengths = lengths or list(reach)
    bits = np.where(odds == 0, -1, odds > 0).astype(np.int8)
    ways: list[_Way] = []
    left = len(odds)
    for _, cut in likely_cuts(bits, times, period, lengths, pauses):
        ways.append(_cut_judged(trace, odds, bits, cut, player))
        # nearly the same cuts follow each other
        left = min(left - 1, MORE if ways[-1].clear else left)
        if left < 0 or len(ways) * len(odds) > MOST_JUDGED:
            break
    ways = [w for w in ways if w.score > LEAST]
    if turns is not None:
        ways.append(turns)
    length, ahead = repeats
    ways = [replace(w, score=w.score + ahead * (w.seen.positions == length)) for w in ways]
    best = max(ways, key=lambda w: w.score, default=None)
    if best is None or (turns is not None and best.rows is turns.rows):
        return None
    ways += _finer(trace, odds, bits, best, player)
    best = max(ways, key=lambda w: w.score)
    # where cuts that fit nearly as well differ, bits are unknown, unless a check confirms them all
    settled = best.rows.odds.copy()
    for way in ways if not best.checked else ():
        if way.score > best.score - DOUBT_BITS and way.rows.odds.shape == settled.shape:
            settled[way.rows.odds * best.rows.odds < 0] = 0.0
    cautions = [Caution(
        f"each row is taken to pass once, with up to {best.rows.lost_to_move} positions between "
        "rows; the first pulse of the log is taken as the first position"
    )]  # fmt: skip
    others = {w.seen.positions for w in ways if w.score > best.score - DOUBT}
    others -= {best.seen.positions}
    if others and positions is None:
        counts = ", ".join(map(str, sorted(others)))
        text = f"turns of {counts} positions fit nearly as well as turns of {best.seen.positions}"
        cautions.append(Caution(text, hint=SETTLES))
    rows = replace(best.rows, odds=settled)
    seen = replace(_sighting(trace, rows, [], player), start_known=True)
    return replace(seen, cautions=tuple(cautions))


def _cut_judged(
    trace: Trace,
    odds: Reals,
    bits: Bits,
    cut: Cut,
    player: Player | None,
    known: Wanted = FROM_START,
) -> _Way:
    """How far the message of a cut stands out."""
    rows = rows_at(odds, begins_of(bits, trace.passed["time_s"].astype(float), cut), cut.positions)
    seen = replace(_sighting(trace, rows, [], player), start_known=True)
    return replace(_judged(rows, seen, known), cut=cut)


def _finer(trace: Trace, odds: Reals, bits: Bits, best: _Way, player: Player | None) -> list[_Way]:
    """Cuts whose pause is a little other, if no check confirms the best: a row that begins one
    position too early makes all rows after it do so."""
    if best.cut is None or best.code is None or best.cut.turns or best.checked:
        return []
    times = trace.passed["time_s"].astype(float)
    known = replace(FROM_START, alphabet=best.code.alphabet, bit_order=best.code.bit_order)
    others: dict[tuple[int, ...], Cut] = {}
    for k in sorted(range(-FINER, FINER + 1), key=abs):
        cut = replace(best.cut, pause=best.cut.pause + trace.period_s * k / (2 * FINER))
        others.setdefault(tuple(begins_of(bits, times, cut)), cut)
    cuts = list(others.values())[1:]
    cuts = [c for c in cuts if is_confirmed(bits, times, c, best.code)] or cuts[:MOST_FINER]
    return [_cut_judged(trace, odds, bits, cut, player, known) for cut in cuts[:MOST_FINER]]


def _judged(rows: Rows, seen: Sighting, *known: Wanted) -> _Way:
    """How far the message of rows stands out, as far as it is known or anywhere."""
    best = None
    for wanted in known or (FROM_START, Wanted())[not seen.start_known :]:
        best = max(readings(seen, wanted), key=lambda c: c.score, default=None)
        if best is not None and best.score > STANDS_OUT:
            break
    if best is None:
        return _Way(rows, seen, -np.inf, False)
    readable = all((c.isprintable() and c != "\ufffd") or c in "\r\n" for c in best.text)
    checked = best.code.check in ("crc-16", "reed-solomon") and "\ufffd" not in best.text
    if checked:
        grid = arrange(seen.bits(), best.arrangement)
        checked = decode_grid(grid, best.code).verdict == "valid"
    return _Way(rows, seen, best.score, readable, best.code, checked)
