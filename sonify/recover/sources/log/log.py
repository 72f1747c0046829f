"""From a detector log to a sighting: its trace, its turns, its rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sonify.disc_player.profile import Player
from sonify.errors import Caution, InputError
from sonify.recover.sighting import Sighting, check_size
from sonify.recover.sources.log.passes import (
    Rows,
    agreement,
    rows_from_turns,
    rows_of_length,
    turn_length,
)
from sonify.recover.sources.log.trace import Trace

__all__ = ["sighting_of_trace"]

Reals = NDArray[np.float64]

DOUBT = 14.0
"""Bits of evidence within which another way to cut a log into rows is as good: a little over SURE
in `search.find`, as it is the best of many cuts."""

DOUBT_HINTED = 4.0
"""The same if the player's profile gives the time of the stage's move: few cuts are tried."""

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
    cautions = list(trace.cautions)
    length, lead = turn_length(odds)
    rows = rows_from_turns(odds, positions or length) if positions or length else None
    if positions is None and length:
        settles = "{positions} settles it"
        if _repeats(odds, length):
            text = f"turns of {2 * length} positions fit as well as turns of {length}"
            cautions.append(Caution(text, hint=settles))
        if rows is not None and lead < 1.5:
            text = f"a turn seems to have {length} positions, but other counts fit nearly as well"
            cautions.append(Caution(text, hint=settles))
    if rows is None or (player and player.row_start == "next-position") or _mostly_torn(rows):
        alone = _single_passes(trace, odds, positions or length or None, player)
        if alone is not None and (
            rows is None or alone[0] > _score(_sighting(trace, rows, [], player).holes)
        ):
            check_size(alone[1].rows, alone[1].positions, path)
            return replace(alone[1], cautions=(*cautions, *alone[1].cautions))
    if rows is None:
        raise InputError(
            f"{len(odds)} positions passed and none of them repeat, so the length of a turn is "
            "unknown",
            hint="give {positions}, or the player with {preset}",
            file=path,
        )
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


def _score(holes: NDArray[np.int8]) -> float:
    """How far the best plain text in it stands out, in bits."""
    from sonify.recover.search.plain import best_text_evidence

    line = holes.reshape(1, -1)
    return best_text_evidence(np.concatenate([line, np.where(line >= 0, 1 - line, line)]))


def _single_passes(
    trace: Trace, odds: Reals, positions: int | None, player: Player | None
) -> tuple[float, Sighting] | None:
    """A log in which each row passes once, cut so that its message stands out most; its score."""
    if len(odds) < 8:
        return None
    times, period = trace.passed["time_s"].astype(float), trace.period_s
    lengths = [positions] if positions else []
    if not lengths and player is not None:
        about = 60 / (player.rpm * period)
        lengths = list(range(max(3, round(about * (1 - LIKE))), round(about * (1 + LIKE)) + 1))
    if not lengths:
        return None
    if player is not None:
        pauses = player.stage + player.settle + period * np.arange(-16, 17) / 16
    else:
        pauses = period * np.arange(0, 4 * min(48, lengths[0])) / 4
    ways = _cuts(odds, times, lengths, pauses)
    if player is None:
        fine = period * np.arange(-12, 13) / 48
        for _, rows, pause in sorted(ways, key=lambda w: -w[0])[:3]:
            ways += _cuts(odds, times, [rows.odds.shape[1]], pause + fine)
    best, rows, _ = max(ways, key=lambda w: w[0])
    # where cuts that fit nearly as well differ, bits are unknown
    settled = rows.odds.copy()
    near = best - (DOUBT if player is None else DOUBT_HINTED)
    for score, other, _ in ways:
        if score > near and other.odds.shape == settled.shape:
            settled[np.sign(other.odds) != np.sign(rows.odds)] = 0.0
    sighting = _sighting(trace, replace(rows, odds=settled), [], player)
    caution = Caution(
        f"each row is taken to pass once, with up to {rows.lost_to_move} positions between rows; "
        "the first pulse of the log is taken as the first position"
    )
    return best, replace(sighting, cautions=(caution,), start_known=True)


def _cuts(
    odds: Reals, times: Reals, lengths: list[int], pauses: Reals
) -> list[tuple[float, Rows, float]]:
    """Ways to cut a log into rows, each with how far its text stands out and its pause."""
    out = []
    tried: set[bytes] = set()
    for length in lengths:
        for pause in np.maximum(pauses, 0.0).tolist():
            rows = rows_of_length(odds, times, length, pause)
            key = np.sign(rows.odds).tobytes()
            if key in tried:
                continue
            tried.add(key)
            holes = np.where(rows.odds == 0, -1, rows.odds > 0).astype(np.int8)
            # a log of whole rows ends with one
            torn = int(np.count_nonzero(rows.odds[-1] == 0)) if len(rows.odds) > 1 else 0
            out.append((_score(holes) - 10.0 * (torn > 2), rows, pause))
    return out
