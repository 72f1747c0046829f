"""Detector logs to a sighting: the trace, its turns, its rows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sonify.errors import InputError
from sonify.read.log.passes import Rows, rows_from_turns, rows_of_length, turn_length
from sonify.read.log.trace import Trace, trace_log
from sonify.read.result import Sighting, check_size

__all__ = ["PlayerHint", "read_log", "sighting_of_trace"]


@dataclass(frozen=True)
class PlayerHint:
    """What a player's profile says about a log that it made. None is not known."""

    rpm: float | None = None
    row_start: str | None = None
    stage: float | None = None
    settle: float | None = None


def read_log(
    path: str | Path,
    *,
    sample_rate: float | None = None,
    positions: int | None = None,
    player: PlayerHint | None = None,
) -> Sighting:
    """The disc that a detector log shows.

    Parameters
    ----------
    path : path
        .csv with a header (time, clock, data), .npy, or two-channel .wav.
    sample_rate : float, optional
        Samples a second, where the file has no times.
    positions : int, optional
        Positions of a turn, where they are known.
    player : PlayerHint, optional

    Raises
    ------
    InputError
        What was looked for and not found, and what to do.
    """
    return sighting_of_trace(trace_log(path, sample_rate), path, positions, player)


def sighting_of_trace(
    trace: Trace,
    path: object,
    positions: int | None = None,
    player: PlayerHint | None = None,
) -> Sighting:
    """The disc that a followed log shows."""
    odds = np.where(trace.lost, 0.0, trace.passed["odds"].astype(float))
    if positions is not None and positions < 3:
        raise InputError(f"{positions} positions are no turn; give 3 or more", place="--positions")
    notes = list(trace.notes)
    length, lead = turn_length(odds)
    hint = player or PlayerHint()
    rows: Rows | None = None
    if positions is not None or length:
        rows = rows_from_turns(odds, positions or length)
        if positions is None and rows is not None and lead < 1.5:
            notes.append(
                f"a turn seems to have {length} positions, but other counts fit nearly as well; "
                "--positions settles it"
            )
    if rows is None or hint.row_start == "next-position" or _mostly_torn(rows):
        alone = _single_passes(trace, odds, positions or length or None, hint)
        if alone is not None and (rows is None or alone[0] > _standing(rows, trace, hint)):
            check_size(*alone[1].holes.shape, file=path)
            return replace(alone[1], notes=(*notes, *alone[1].notes))
    if rows is None:
        raise InputError(
            f"{len(odds)} positions passed, and nothing in them comes round again, so the length "
            "of a turn can't be told; give it with --positions (or the player with --preset)",
            file=path,
        )
    check_size(*rows.odds.shape, file=path)
    return _sighting(trace, rows, notes, hint)


def _sighting(trace: Trace, rows: Rows, notes: list[str], hint: PlayerHint) -> Sighting:
    positions = rows.odds.shape[1]
    times = trace.passed["time_s"]
    lag = _index_lag(trace, rows, hint)
    # the first pulse of a log that began with the reading is position 0
    since_first = rows.start % positions
    slack = 1.5 * rows.lost_to_move + 3
    at_first = since_first <= slack or positions - since_first <= 1
    shift = since_first if at_first else round(lag)
    odds = np.roll(rows.odds, shift, axis=1)
    notes += rows.notes
    if at_first:
        notes.append("position 0 is taken for the first pulse of the log")
    else:
        notes.append(
            "the log does not begin with a row; by the stage's moves the index lies near position "
            f"0, to about {max(1, round(slack / 2))} positions"
        )
    holes = (odds > 0).astype(np.int8)
    confidence = np.tanh(np.abs(odds) / 2).astype(np.float32)
    return Sighting(
        kind="log",
        holes=holes,
        confidence=confidence,
        start_known=at_first,
        order_known=True,
        sense_known=False,
        notes=tuple(notes),
        facts=_facts(trace, positions, rows),
    )


def _index_lag(trace: Trace, rows: Rows, hint: PlayerHint) -> float:
    """Positions from the index to where a row is no longer seen.

    At first a moving stage still sees its row: until the detector is half a hole away. Where the
    stage's time is known, the move lies evenly about the positions that show neither row;
    else holes of half the pitch are assumed (common practice, no source).
    """
    if hint.stage is not None and len(trace.passed) > 1:
        period = float(np.median(np.diff(trace.passed["time_s"])))
        return max(0.0, (hint.stage / period - rows.lost_to_move) / 2)
    return rows.lost_to_move / 2


def _facts(trace: Trace, positions: int, rows: Rows) -> dict[str, object]:
    steps = np.diff(trace.passed["time_s"])
    period = float(np.median(steps)) if len(steps) else float("nan")
    smooth = np.convolve(steps, np.full(8, 1 / 8), "valid") if len(steps) >= 8 else steps
    return {
        "rpm": 60 / (period * positions),
        "slowest_rpm": 60 / (float(smooth.max()) * positions) if len(smooth) else None,
        "fastest_rpm": 60 / (float(smooth.min()) * positions) if len(smooth) else None,
        "delay_s": trace.delay_s,
        "delay_positions": trace.delay,
        "noise": trace.noise,
        "holes_read_low": trace.low[1],
        "passes": list(rows.passes),
        "moves_s": [
            round(float(trace.passed["time_s"][m]), 4)
            for m in rows.moves
            if 0 <= m < len(trace.passed)
        ],
    }


def _mostly_torn(rows: Rows) -> bool:
    """Whether so many rows were not seen whole that turns can't be what the log holds."""
    inner = rows.odds[1:-1] if len(rows.odds) > 2 else rows.odds
    return bool((np.count_nonzero(inner, axis=1) < inner.shape[1]).mean() > 0.2)


def _standing(rows: Rows, trace: Trace, hint: PlayerHint) -> float:
    return _score(_sighting(trace, rows, [], hint))


def _score(sighting: Sighting) -> float:
    """How far the best message in it stands out."""
    from sonify.read.find import find_message

    found = find_message(sighting)
    return found.candidates[0].score if found.candidates else -50.0


def _single_passes(
    trace: Trace, odds: NDArray[np.float64], positions: int | None, hint: PlayerHint
) -> tuple[float, Sighting] | None:
    """A log in which each row passes once: the way of cutting it whose message stands out most."""
    n = len(odds)
    if n < 8:
        return None
    times = trace.passed["time_s"].astype(float)
    period = float(np.median(np.diff(times)))
    lengths = [positions] if positions else []
    if not lengths and hint.rpm:
        about = 60 / (hint.rpm * period)
        lengths = [c for c in range(round(about * 0.93), round(about * 1.07) + 1) if c >= 3]
    if not lengths:
        return None
    if hint.stage is not None and hint.settle is not None:
        pauses = hint.stage + hint.settle + period * np.array([0.0, -0.5, 0.5, -1.0, 1.0])
    else:
        pauses = period * np.arange(0, 4 * min(48, lengths[0])) / 4
    ways = []
    for length in lengths:
        for pause in np.maximum(pauses, 0.0):
            rows = rows_of_length(odds, times, length, float(pause))
            # a log of whole rows ends with one
            torn = int(np.count_nonzero(rows.odds[-1] == 0)) if len(rows.odds) > 1 else 0
            ways.append((torn > 2 and length - torn > 2, rows))
    ways.sort(key=lambda w: w[0])
    best: tuple[float, Sighting] | None = None
    tried: set[bytes] = set()
    for torn_end, rows in ways[:400]:
        key = rows.odds.tobytes()
        if key in tried:
            continue
        tried.add(key)
        lost = rows.lost_to_move
        note = (
            f"each row is taken to pass once, with up to {lost} positions between rows; "
            "position 0 is taken for the first pulse of the log"
        )
        one = replace(_sighting(trace, rows, [], hint), notes=(note,), start_known=True)
        score = _score(one) - 10.0 * torn_end
        if best is None or score > best[0]:
            best = (score, one)
    return best
